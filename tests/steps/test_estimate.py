"""An estimate changes nothing, is worked out of what the printer states, and says what was assumed."""

from __future__ import annotations

import importlib.util
import io
import sys
from dataclasses import asdict, fields, replace
from pathlib import Path
from typing import Any

import numpy as np
import pymeshfix
import pytest
import trimesh
from fettlebox.api import Origin, Part, Printer, StepContext, StepError, StepResult
from fettlebox.printer import EVERYDAY, Material
from fettlebox_steps.estimate import Params, estimate
from PIL import Image
from pydantic import ValidationError

ROOT = Path(__file__).resolve().parents[2]


def part_of(mesh: trimesh.Trimesh) -> Part:
    return Part(np.asarray(mesh.vertices), np.asarray(mesh.faces))


def cube(side: float = 20.0) -> Part:
    return part_of(trimesh.creation.box((side, side, side)))


def run(part: Part, printer: Printer = EVERYDAY, **params: Any) -> StepResult:
    ctx = StepContext(
        Origin("a.stl", "stl", "0" * 64), part, np.random.default_rng(0), Path(), printer=printer
    )
    return estimate.run(part, Params.model_validate({"pictures": False, **params}), ctx)


@pytest.fixture(scope="module")
def quarter_head() -> Part:
    """One of the example heads before it was spoiled, cut off at the neck, at a quarter of life size."""
    spec = importlib.util.spec_from_file_location("make_scans", ROOT / "inbox_example" / "make_scans.py")
    assert spec is not None and spec.loader is not None
    scans = importlib.util.module_from_spec(spec)
    sys.modules["make_scans"] = scans
    spec.loader.exec_module(scans)
    vertices, faces = scans.polygonise(scans.Character(hair=0.0), 2.5)
    fixer = pymeshfix.MeshFix(vertices, faces)  # closes the neck, and keeps the largest piece
    fixer.repair()
    whole = trimesh.Trimesh(np.asarray(fixer.points), np.asarray(fixer.faces))
    low, high = whole.bounds[:, 2]
    half = trimesh.creation.box((1000, 1000, 1000))
    half.apply_translation([0, 0, low + 0.2 * (high - low) + 500])
    bust = trimesh.boolean.intersection([whole, half], engine="manifold")
    return part_of(bust).scaled(0.25)


def test_a_quarter_size_bust_takes_some_hours(quarter_head: Part) -> None:
    """Between one and four hours on the everyday printer at 0.2 mm: common practice, no published source."""
    result = run(quarter_head)
    assert result.part is quarter_head
    assert 1.0 < result.facts["print_h"] < 4.0
    assert result.facts["layers"] == pytest.approx(np.ptp(quarter_head.bounds[:, 2]) / 0.2, abs=1)
    assert 0 < result.facts["overhang_share"] < 0.2
    assert result.evidence["time"]["walls_s"] > 0
    assert sum(result.evidence["time"].values()) == pytest.approx(result.facts["print_h"] * 3600)


def test_material_and_cost_by_hand() -> None:
    """A cube printed full: 8 cm³ · 1.3 g/cm³ = 10.4 g, at 30 a kilogram 0.312; 1.75 mm thread, 3.326 m."""
    printer = replace(EVERYDAY, stated_material=Material("chalk", 1.3, 30.0, 1.75))
    result = run(cube(), printer, infill="100 %")
    assert result.facts["material_g"] == pytest.approx(10.4, rel=0.01)
    assert result.facts["filament_m"] == pytest.approx(8000 / (np.pi * 0.875**2) / 1000, rel=0.01)
    parts = result.evidence["cost"]
    assert parts["material"] == pytest.approx(0.312, rel=0.01)
    assert parts["machine"] == pytest.approx(1.5 * result.facts["print_h"])
    assert result.facts["cost"] == pytest.approx(sum(parts.values()), abs=0.006)


def test_everything_assumed_is_in_the_evidence() -> None:
    evidence = run(cube()).evidence
    assert evidence["filament"]["wall_speed_mm_s"] == EVERYDAY.filament.wall_speed_mm_s
    assert evidence["filament"]["line_mm"] == 0.45
    assert evidence["material"]["density_g_per_cm3"] == 1.24
    # Nothing that the working out reads of a printer is left out of the record.
    for field in fields(EVERYDAY.filament):
        if field.name != "stated_line_mm":
            assert evidence["filament"][field.name] == getattr(EVERYDAY.filament, field.name)
    assert evidence["material"] == asdict(EVERYDAY.material)
    assert evidence["prices"] == asdict(EVERYDAY.prices)
    assert evidence["support_beyond_deg"] == 45.0 and evidence["support_stands_on"] == "bed and part"
    assert evidence["time"]["start_s"] == EVERYDAY.start_s and evidence["layer_mm"] == 0.2
    assert len(evidence["taken_for_granted"]) > 4
    resin = run(cube(), Printer("fine", (130.0, 80.0, 160.0), "resin", layer_mm=0.05)).evidence
    assert resin["resin"]["exposure_s"] == 2.5


def test_resin_by_hand() -> None:
    # 400 layers of 8.5 s, five of them lit for 27.5 s more, 5 min to begin with; 8 cm³ and no support.
    printer = Printer("fine", (130.0, 80.0, 160.0), "resin", layer_mm=0.05)
    facts = run(cube(), printer).facts
    assert facts["print_h"] * 3600 == pytest.approx(400 * 8.5 + 5 * 27.5 + 300)
    assert facts["material_cm3"] == pytest.approx(8.0, rel=1e-6)
    assert "filament_m" not in facts


def mushroom_on_a_foot() -> Part:
    solids = []
    for radius, low, high in ((5.0, 0.0, 22.0), (15.0, 20.0, 25.0), (10.0, 0.0, 4.0)):
        made = trimesh.creation.cylinder(radius, high - low, sections=180)
        made.apply_translation([0, 0, (low + high) / 2])
        solids.append(made)
    return part_of(trimesh.boolean.union(solids, engine="manifold"))


def test_support_stands_where_it_may() -> None:
    part = mushroom_on_a_foot()
    bed, foot = np.pi * (15**2 - 10**2) * 20 / 1000, np.pi * (10**2 - 5**2) * 16 / 1000
    hurried = replace(EVERYDAY, filament=replace(EVERYDAY.filament, least_layer_s=0.0))
    both, alone, none = (run(part, hurried, support=s).facts for s in ("bed and part", "bed", "none"))
    assert both["support_cm3"] == pytest.approx(bed + foot, rel=0.02)
    assert alone["support_cm3"] == pytest.approx(bed, rel=0.02)
    assert none["support_cm3"] == 0.0
    assert both["support_on_part_cm3"] == pytest.approx(foot, rel=0.02)
    assert none["print_h"] < alone["print_h"] < both["print_h"]
    # The cap is a ring at 15 around the stem: it starts at its stem, not in mid-air.
    assert both["islands"] == 0


def test_thin_walls_are_told_and_shown() -> None:
    """A plate with a fin of 0.3 mm: 2 · 20 · 15 mm² are thinner than a nozzle of 0.4 mm."""
    plate, fin = trimesh.creation.box((40, 30, 3)), trimesh.creation.box((0.3, 20, 16))
    fin.apply_translation([0, 0, 8.5])
    part = part_of(trimesh.boolean.union([plate, fin], engine="manifold"))
    result = run(part, pictures=True)
    assert result.facts["thinnest_wall_mm"] == pytest.approx(0.3, abs=0.01)
    assert result.facts["thin_wall_mm2"] == pytest.approx(600, rel=0.05)
    assert any("thinner than the 0.4 mm" in said for said in result.warnings)
    assert set(result.pictures) == {"overhang", "layers", "thin"}
    image = np.asarray(Image.open(io.BytesIO(result.pictures["thin"])).convert("RGB")).astype(int)
    rosy = (np.abs(image / image.max(axis=2, keepdims=True) - np.array([222, 158, 176]) / 222) < 0.06).all(
        axis=2
    )
    assert rosy.sum() > 1000
    assert not any("gap" in said for said in result.warnings)


@pytest.mark.parametrize(
    ("way", "names"),
    [
        ((0, 0, 1.0), {"front from above", "back from above"}),
        ((0, 1.0, 0), {"back"}),
        ((0, 0, -1.0), {"front from below", "back from below"}),
        ((-1.0, 0, 0), {"left side", "right side"}),
    ],
)
def test_thin_places_are_shown_from_where_they_are_seen(
    way: tuple[float, float, float], names: set[str]
) -> None:
    """The front looks towards -Y; what faces away from it is not shown from there."""
    from fettlebox_steps.estimate import _views_of

    views = _views_of(np.array([way] * 5), np.ones(5))
    assert len(views) == 3 and names & {view.name for view in views}
    best = max(float(np.dot(way, view.axes()[2])) for view in views)
    assert best > 0.7


def test_what_starts_in_mid_air_is_told_when_nothing_holds_it() -> None:
    arm, post, drop = (trimesh.creation.box(size) for size in ((20, 4, 4), (4, 4, 20), (3, 3, 10)))
    arm.apply_translation([8, 0, 18])
    post.apply_translation([0, 0, 10])
    drop.apply_translation([15, 0, 12])
    part = part_of(trimesh.boolean.union([arm, post, drop], engine="manifold"))
    assert run(part).facts["islands"] == 1
    assert any("One place starts in mid-air, and no" in said for said in run(part, support="none").warnings)


def test_a_span_held_at_both_ends_is_a_bridge() -> None:
    """A beam on two posts 12 mm apart, 15.9 mm up: a line's width clings to either post, 11.1 mm hang."""
    solids = []
    for size, at in (((4, 6, 20), (2, 3, 10)), ((4, 6, 20), (18, 3, 10)), ((20, 6, 4), (10, 3, 18))):
        made = trimesh.creation.box(size)
        made.apply_translation(at)
        solids.append(made)
    result = run(part_of(trimesh.boolean.union(solids, engine="manifold")))
    assert result.facts["bridges"] == 1
    assert result.facts["longest_bridge_mm"] == pytest.approx(11.1, abs=0.05)
    assert result.evidence["bridges"][0]["height_mm"] == pytest.approx(16.0, abs=0.21)
    assert run(cube()).facts["bridges"] == 0
    resin = run(cube(), Printer("fine", (130.0, 80.0, 160.0), "resin", layer_mm=0.05)).facts
    assert "bridges" not in resin, "what is not held from the start has no ends in resin"


def test_how_safely_it_stands_is_said() -> None:
    assert run(cube()).facts["stability"] == (
        "low risk: 20 mm tall on a foot 20 mm wide at its narrowest, 400 mm2 on the bed; it tips at 45 deg"
    )
    column = run(part_of(trimesh.creation.box((5, 5, 60))))
    assert column.facts["stability"].startswith("high risk: 60 mm tall on a foot 5 mm wide")
    assert any("Standing while it prints: high risk" in said for said in column.warnings)
    ball = run(part_of(trimesh.creation.icosphere(3, radius=9)))
    assert "points only" in ball.facts["stability"]


def test_layer_and_infill_of_the_recipe_come_before_the_printers() -> None:
    usual, fine, full = run(cube()), run(cube(), layer="0.1 mm"), run(cube(), infill="60 %")
    assert (usual.facts["layers"], fine.facts["layers"]) == (100, 200)
    assert usual.facts["print_h"] < fine.facts["print_h"]
    assert usual.facts["material_g"] < full.facts["material_g"]


def test_an_open_or_endless_part_is_refused() -> None:
    whole = cube()
    with pytest.raises(StepError, match="not closed"):
        run(whole.with_mesh(whole.vertices, whole.faces[1:]))
    with pytest.raises(StepError, match="50000 layers"):
        run(cube(10_000.0))


def test_nothing_is_changed_and_the_bytes_repeat(quarter_head: Part) -> None:
    before = quarter_head.digest()
    one, two = run(quarter_head, pictures=True), run(quarter_head, pictures=True)
    assert quarter_head.digest() == before
    assert (one.facts, one.evidence, one.pictures) == (two.facts, two.evidence, two.pictures)
    width, height = Image.open(io.BytesIO(one.pictures["layers"])).size
    assert width == 1200 and 150 < height < 900


@pytest.mark.parametrize(
    "params",
    [{"beyond": "95 deg"}, {"beyond": 45}, {"support": "air"}, {"layer": "0 mm"}, {"infill": "150 %"}],
)
def test_what_makes_no_sense_is_refused(params: dict[str, Any]) -> None:
    with pytest.raises(ValidationError):
        Params.model_validate(params)
