"""The pages of the built-in steps in plugins/steps are those that the code makes, and leave nothing out."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from fettlebox.catalog import Catalog, built_in_steps
from fettlebox.fact_names import leaves
from fettlebox.mesh import Origin, Part, read_scan
from fettlebox.printer import EVERYDAY, Printer
from fettlebox.quantities import KINDS
from fettlebox.recipe import parse_recipe
from fettlebox.reference.example import ALIKE, USUAL_SCAN, run_example, unlike
from fettlebox.reference.page import index_of, page_of
from fettlebox.reference.words import fits, words_of
from fettlebox.run_steps import Run, run_steps
from fettlebox.shipped import shipped
from fettlebox.step_cache import StepCache
from fettlebox.testing import ball, brick, bust, bust_scan

PAGES = Path(__file__).resolve().parents[2] / "plugins" / "steps"
BUILT_IN = built_in_steps()
NAMES = sorted(BUILT_IN.steps)
LARGEST_PICTURE = 60_000
WRITE_AGAIN = "write the pages again with: python -m fettlebox.reference plugins/steps"


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("kept")


def page(name: str) -> str:
    return (PAGES / f"{name}.md").read_text("utf-8")


@pytest.mark.parametrize("name", NAMES)
def test_the_committed_page_is_that_of_the_code(name: str) -> None:
    picture = PAGES / f"{name}.png"
    made = page_of(BUILT_IN.steps[name], picture.name if picture.is_file() else None)
    assert page(name) == made, WRITE_AGAIN


def test_there_is_a_page_for_every_step_and_nothing_else() -> None:
    pictures = {one.name for one in PAGES.glob("*.png")}
    assert {one.name for one in PAGES.iterdir()} == {
        "README.md",
        *(f"{name}.md" for name in NAMES),
    } | pictures
    assert pictures <= {f"{name}.png" for name in NAMES}
    assert (PAGES / "README.md").read_text("utf-8") == index_of([*BUILT_IN.steps.values()]), WRITE_AGAIN
    assert max(one.stat().st_size for one in PAGES.glob("*.png")) <= LARGEST_PICTURE


def fields(schema: Any, root: Any) -> Iterator[tuple[str, Any]]:
    """Every named field of a JSON Schema, wherever it is in it, with its own schema."""
    if isinstance(schema, list):
        for inner in schema:
            yield from fields(inner, root)
    elif isinstance(schema, dict):
        if "$ref" in schema:
            yield from fields(root["$defs"][schema["$ref"].removeprefix("#/$defs/")], root)
        for name, field in schema.get("properties", {}).items():
            yield name, field
            yield from fields(field, root)
        for word in ("anyOf", "oneOf", "allOf", "items", "prefixItems"):
            yield from fields(schema.get(word, []), root)


@pytest.mark.parametrize("name", NAMES)
def test_every_parameter_unit_bound_and_default_of_the_schema_is_on_the_page(name: str) -> None:
    """By a walk of its own through the JSON Schema."""
    schema = BUILT_IN.steps[name].params.model_json_schema(by_alias=True)
    rows = {
        row.split("`")[1].rpartition(".")[2]: [] for row in page(name).splitlines() if row.startswith("| `")
    }
    for row in page(name).splitlines():
        if row.startswith("| `"):
            rows[row.split("`")[1].rpartition(".")[2]].append(row)
    for key, field in fields(schema, schema):
        assert key in rows, key
        said = "\n".join(rows[key])
        default = field.get("default")
        if isinstance(default, (str, int, float)) and default != "":
            shown = json.dumps(default) if isinstance(default, bool) else str(default)
            assert f"`{shown}`" in said, key
        for bound in ("x-at-least", "x-at-most"):
            assert str(field.get(bound, "")) in said, key
        if "description" in field:
            assert field["description"].replace("\n", " ").replace("|", "\\|") in said, key
    text = json.dumps(schema)
    units = page(name).partition("\nUnits: ")[2].partition("\n")[0]
    for kind in KINDS.values():
        if json.dumps(kind.pattern) in text:
            assert f"{kind.name} in {', '.join(kind.units)}" in units


@pytest.mark.parametrize("name", NAMES)
def test_every_step_says_its_limits_and_what_it_measures(name: str) -> None:
    words = words_of(BUILT_IN.steps[name])
    assert words.limits and words.facts and words.recipe and words.text
    for one in (*words.limits, *words.sources, *words.facts.values(), *words.evidence.values()):
        assert one in page(name)
        assert one[0].strip()
    for source in words.sources:
        named = re.search(r"\b(1[6-9]|20)\d\d\b|ISO|Annex|by Bayes|practice|judgement|Euler|geometry", source)
        assert named or name == "split" or "Bodyspace" in source or "regression" in source, source


@pytest.mark.slow
@pytest.mark.xdist_group("reference pages")
@pytest.mark.parametrize("name", NAMES)
def test_the_picture_is_that_of_the_example(name: str, kept: Path) -> None:
    """To a tolerance: the same steps on another processor round otherwise."""
    example = run_example(BUILT_IN.steps[name], BUILT_IN, kept=kept)
    assert example is not None
    committed = PAGES / f"{name}.png"
    if example.picture is None:
        assert not committed.is_file()
    else:
        assert unlike(committed.read_bytes(), example.picture) <= ALIKE, WRITE_AGAIN


HEAD = "units: {expect: head}; debris; repair"
CUT = f"{HEAD}; cut: 12 %; seat"
SMALL = f"{CUT}; scale: 25 %"
MORE = {
    "units": ["units"],
    "orient": ["orient", "orient: {up: +y, front: +x}", "orient: as is"],
    "cut": [f"{HEAD}; cut: {{at: 15 %, also: [{{at: 95 %}}]}}"],
    "seat": [f"{HEAD}; seat: weighed", f"{HEAD}; seat: flattest"],
    "scale": [f"{CUT}; scale: {{fit: printer, at most: 80 %}}", f"{CUT}; scale: {{height: 60 mm}}"],
    "label": [
        f"{SMALL}; plinth: {{height: 10 mm}}; label: {{text: MILLER, place: wrapped}}",
        f"{SMALL}; plinth: {{height: 10 mm, margin: 8 mm}}; label: {{text: M, as: qr, module: 0.8 mm}}",
        f"{SMALL}; label: {{text: LY-1041, height: 100 mm}}",
        f"{SMALL}; label: {{text: LY, height: 1 mm, fine: hold}}",
        f"{SMALL}; label: {{text: LY, depth: 0.1 mm, fine: hold}}",
        f"{SMALL}; label: LY",
    ],
    "knockdown": [f"{HEAD}; knockdown"],
    "gate": [
        f"{SMALL}; gate: {{sound: true, fits: printer, closed: true, bodies: {{below: 2}}, "
        "triangles: {above: 1}, height: {above: 1 mm}, volume: {above: 1 mm3}, distance: {below: 5 mm}, "
        "covered: {above: 1 %}, support: {below: 1000 cm3}, wall: {above: 0 mm}, time: {above: 1 s}, "
        "cost: {above: 0}, overhang: {below: 50 %}, base: {above: 1 mm2}, likeness: {above: 98 %}, "
        "steady: {above: 5 deg}}",
        f"{CUT}; split: {{pieces within: {{wide: 200 mm, deep: 200 mm, tall: 120 mm}}}}; "
        "gate: {sound: true, fits: printer}",
        f"{SMALL}; gate: {{height: {{below: 1 mm}}}}",
    ],
    "drain": [f"{CUT}; hollow: {{wall: 8 mm}}; drain: {{diameter: 12 mm, where: back, pool: 0.05 cm3}}"],
    "rewrap": ["rewrap"],
}
"""Entries of recipes, beside the examples, in which a step measures what it does not in its example."""

RESIN = replace(EVERYDAY, kind="resin")
FACE = bust(5)
FACE = replace(FACE, faces=FACE.faces[FACE.vertices[FACE.faces].mean(axis=1)[:, 1] < 0])
FAR_OFF = np.eye(4)
FAR_OFF[0, 3] = 1e6
COLOURED = replace(bust(), colours=np.full((len(bust().vertices), 4), 200, np.uint8))
OTHER_PARTS = {
    "units": [("units: head", bust(), {"unit_mm": 1.0, "unit_from": "file"}, EVERYDAY)],
    "orient": [("orient", FACE, {}, EVERYDAY)],
    "inspect": [("inspect: good", FACE, {}, EVERYDAY)],
    "repair": [("repair", bust_scan().moved(FAR_OFF), {}, EVERYDAY)],
    "simplify": [("simplify", COLOURED, {}, EVERYDAY)],
    "split": [("split", brick(), {}, EVERYDAY)],
    "estimate": [("estimate", ball(), {}, RESIN)],
}
"""Entries with the part, what its file says, and the printer that they are run with."""

RARE = {
    "repair": {"reaches_beyond_base_mm", "gaps_bridged_mm", "blades_cut", "hidden_cut"},
    "seat": {"best_margin_mm", "below_base_mm", "allowed_mm", "face"},
    "plinth": {"widened_mm", "margin_mm"},
    "cut": {"steadiest.<what>"},
}  # fmt: skip
"""What is measured only of parts that the steps' own tests make."""


def ran(entries: str, part: Part, origin: Origin, printer: Printer, kept: Path, scratch: Path) -> Run:
    lines = "\n".join(f"- {entry.strip()}" for entry in re.split(r";\s", entries))
    recipe = parse_recipe(f"recipe: r\nsteps:\n{lines}\ndeliver: []\n", "r.yaml", BUILT_IN)
    return run_steps(
        part, origin, recipe.plan({}, None), printer, seed="r", scratch=scratch,
        progress=lambda step, fraction: None, kept=StepCache(kept),
    )  # fmt: skip


@pytest.mark.slow
@pytest.mark.xdist_group("reference pages")
@pytest.mark.parametrize("name", NAMES)
def test_what_a_step_measures_is_documented_and_what_is_documented_is_measured(
    name: str, kept: Path, tmp_path: Path
) -> None:
    step = BUILT_IN.steps[name]
    words = words_of(step)
    example = run_example(step, BUILT_IN, kept=kept)
    assert example is not None
    measured = [(example.facts, example.evidence)]
    scan = read_scan(shipped("inbox_example") / "inbox" / USUAL_SCAN)
    runs = [(entries, scan.part, scan.origin, EVERYDAY) for entries in MORE.get(name, ())]
    for entries, part, says, printer in OTHER_PARTS.get(name, ()):
        runs.append((entries, part, replace(Origin("a shape", "stl", "0" * 64), **says), printer))
    for entries, part, origin, printer in runs:
        last = ran(entries, part, origin, printer, kept, tmp_path).records[-1]
        assert last.name == name, last.reason
        measured.append((last.facts, last.evidence))
    for which, documented in ((0, words.facts), (1, words.evidence)):
        names = {".".join(key) for one in measured for key, _ in leaves(one[which])}
        names = {one for one in names if one}
        unknown = sorted(one for one in names if not any(fits(one, known) for known in documented))
        assert unknown == [], f"say in the docstring of {name} what these are: {unknown}"
        unseen = {known for known in documented if not any(fits(one, known) for one in names)}
        assert unseen == RARE.get(name, set()) & (documented.keys() - names), unseen


def test_the_catalog_of_built_in_steps_is_that_of_the_package() -> None:
    assert set(BUILT_IN.sources.values()) == {"fettlebox"}
    assert isinstance(BUILT_IN, Catalog)
