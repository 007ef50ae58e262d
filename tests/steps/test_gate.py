"""A gate changes nothing, judges everything, and says in a sentence what is wrong."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest
import trimesh
from fettlebox.api import HoldError, Origin, Part, Printer, StepContext, StepError
from fettlebox_steps.demands import Band, Demand, Finding, LengthBand, Measured, in_hours
from fettlebox_steps.gate import Params, gate
from pydantic import ValidationError


def box(x: float = 20.0, y: float = 30.0, z: float = 40.0) -> Part:
    mesh = trimesh.creation.box((x, y, z))
    return Part(np.asarray(mesh.vertices), np.asarray(mesh.faces))


def without_lid(part: Part) -> Part:
    top = (part.vertices[part.faces][:, :, 2] == part.vertices[:, 2].max()).all(axis=1)
    return part.with_mesh(part.vertices, part.faces[~top])


def context(part: Part, reference: Part | None = None, printer: Printer | None = None) -> StepContext:
    return StepContext(
        Origin("a.stl", "stl", "0" * 64),
        reference or part,
        np.random.default_rng(0),
        Path(),
        printer or Printer("everyday", (220.0, 220.0, 250.0)),
    )


def run(part: Part, reference: Part | None = None, printer: Printer | None = None, **params: Any) -> Any:
    return gate(part, Params.model_validate(params), context(part, reference, printer))


ALL_MET: dict[str, Any] = {
    "sound": True,
    "closed": True,
    "fits": "printer",
    "bodies": {"below": 2},
    "triangles": {"below": 2_000_000, "above": 4},
    "height": {"below": "50 mm", "above": "30 mm"},
    "volume": {"below": "25 cm3", "above": "23 cm3"},
    "distance": {"below": "0.3 mm"},
    "covered": {"above": "95 %"},
    "likeness": {"above": "98 %"},
    "overhang": {"below": "1 %"},
    "support": {"below": "1 cm3"},
    "wall": {"above": "19 mm"},
    "time": {"below": "4 h", "above": "30 min"},
    "cost": {"below": 12, "above": 5},
    "base": {"above": "5 cm2", "below": "7 cm2"},
    "steady": {"above": "20 deg"},
}


def test_a_part_that_meets_every_demand_passes_untouched() -> None:
    part = box()
    before = part.digest()
    result = run(part, **ALL_MET)
    assert result.part is part
    assert part.digest() == before
    assert result.facts["volume_mm3"] == pytest.approx(20.0 * 30.0 * 40.0)
    assert result.facts["height_mm"] == pytest.approx(40.0)
    assert {met["demand"] for met in result.evidence["met"]} == set(ALL_MET)
    assert result.evidence["failed"] == []


def test_nothing_demanded_is_nothing_measured() -> None:
    assert run(box()).facts == {}


@pytest.mark.parametrize(
    ("part", "params", "sentence"),
    [
        (
            box(20, 30, 262),
            {"fits": "printer"},
            "the part is 20 × 30 × 262 mm (wide, deep, tall); the printer 'everyday' builds "
            "220 × 220 × 250 mm; "
            "95 % of life size would fit (19 × 28.5 × 248.9 mm; this is 100 %)",
        ),
        (without_lid(box()), {"closed": True}, "the part is open (it has 1 rim); it must be closed"),
        (box(), {"closed": False}, "the part is closed; it must be open"),
        (without_lid(box()), {"sound": True}, "the part is not a sound solid: "),
        (box(), {"triangles": {"below": 12}}, "the number of triangles is 12; it must be below 12"),
        (box(), {"bodies": {"above": 1}}, "the number of bodies is 1; it must be above 1"),
        (box(), {"height": {"below": "4 cm"}}, "the height of the part is 40 mm; it must be below 40 mm"),
        (box(), {"height": {"above": "5 cm"}}, "the height of the part is 40 mm; it must be above 50 mm"),
        (box(), {"volume": {"below": "20 cm3"}}, "the volume of the part is 24 cm3; it must be below 20 cm3"),
        (
            without_lid(box()),
            {"volume": {"below": "20 cm3"}},
            "the volume of the part is not measurable; it must be below 20 cm3",
        ),
    ],
)
def test_what_fails_is_held_with_a_sentence(part: Part, params: dict[str, Any], sentence: str) -> None:
    with pytest.raises(HoldError) as held:
        run(part, **params)
    assert str(held.value).startswith(sentence)
    assert [failed["demand"] for failed in held.value.evidence["failed"]] == list(params)


def on_legs() -> Part:
    """A table: a top of 40 × 40 × 4 on four legs of 4 × 4, 16 high."""
    boxes = [((40, 40, 4), (0, 0, 18))]
    boxes += [((4, 4, 17), (x, y, 8.5)) for x in (-18, 18) for y in (-18, 18)]
    solids = []
    for size, at in boxes:
        made = trimesh.creation.box(size)
        made.apply_translation(at)
        solids.append(made)
    mesh = trimesh.boolean.union(solids, engine="manifold")
    return Part(np.asarray(mesh.vertices), np.asarray(mesh.faces))


@pytest.mark.parametrize(
    ("params", "sentence"),
    [
        # 1600 − 64 of undersides; off the bed there are also 1600 on top, 640 round it, 1024 on legs: 4800.
        (
            {"overhang": {"below": "8 %"}},
            "the share of the surface that needs support is 32 %; it must be",
        ),
        # 1536 mm² × 16 mm = 24.58 cm³.
        ({"support": {"below": "20 cm3"}}, "the support under the part fills 24."),
        ({"wall": {"above": "5 mm"}}, "the thinnest wall is 4 mm; it must be above 5 mm"),
        (
            {"base": {"above": "2 cm2"}},
            "the area of the part's first layer is 64 mm2; it must be above 200 mm2",
        ),
        ({"time": {"below": "20 min"}}, "printing takes "),
        ({"cost": {"below": 5}}, "the print costs "),
    ],
)
def test_what_will_not_print_well_is_held_with_a_sentence(params: dict[str, Any], sentence: str) -> None:
    part = on_legs()
    with pytest.raises(HoldError) as held:
        run(part, **params)
    assert str(held.value).startswith(sentence)


def test_an_open_part_cannot_be_judged_for_printing() -> None:
    with pytest.raises(HoldError, match="needs support is not measurable; it must be below 8 %"):
        run(without_lid(box()), overhang={"below": "8 %"})


def test_time_and_cost_are_those_of_the_printer() -> None:
    resin = Printer("fine", (130.0, 80.0, 160.0), "resin", layer_mm=0.05)
    # 800 layers of 8.5 s, five of them lit for 27.5 s more, and 5 min to begin with.
    found = run(box(), printer=resin, time={"below": "3 h"}, cost={"above": 1}).facts
    assert found["print_s"] == pytest.approx(800 * 8.5 + 5 * 27.5 + 300)
    with pytest.raises(HoldError, match="on the printer 'fine'; it must be below 1 h 0 min"):
        run(box(), printer=resin, time={"below": "1 h"})
    # 24 cm³ at 1.1 g/cm³ and 40 a kilogram, 2.01 h at 1.50, and 5 of handling.
    assert found["cost"] == pytest.approx(24 * 1.1 * 0.04 + found["print_s"] / 3600 * 1.5 + 5)


def test_hours_in_words() -> None:
    assert [in_hours(s) for s in (40, 60, 3599, 3600, 7500)] == [
        "40 s",
        "1 min",
        "1 h 0 min",
        "1 h 0 min",
        "2 h 5 min",
    ]


def test_every_failure_is_named_at_once() -> None:
    with pytest.raises(HoldError) as held:
        run(
            box(230, 240, 262),
            fits="printer",
            triangles={"below": 12},
            height={"below": "10 mm"},
            closed=True,
        )
    sentences = str(held.value).split("; the ")
    assert [failed["demand"] for failed in held.value.evidence["failed"]] == ["fits", "triangles", "height"]
    assert len(held.value.evidence["met"]) == 1
    assert "230 × 240 × 262 mm" in str(held.value)
    assert len(sentences) == 4


def test_verdict_reject_is_a_step_error() -> None:
    with pytest.raises(StepError, match="40 mm"):
        run(box(), height={"below": "10 mm"}, verdict="reject")


def test_distance_is_from_the_scan_and_in_life_size() -> None:
    """A box moved by 1 mm along Z at quarter size is 4 mm off in life, on the two sides that face Z."""
    scan = box()
    shifted = scan.scaled(0.25)
    off = shifted.with_mesh(shifted.vertices + np.array([0.0, 0.0, 1.0]), shifted.faces)
    assert run(shifted, scan, distance={"below": "0.01 mm"}).facts["scan_to_part_p95_mm"] < 1e-6
    with pytest.raises(HoldError) as held:
        run(off, scan, distance={"below": "3.9 mm"})
    assert held.value.evidence["failed"][0]["found"] == pytest.approx(4.0, rel=0.01)
    assert run(off, scan, distance={"below": "4.1 mm"}).part is off


def test_a_part_that_just_fills_the_printer_fits() -> None:
    assert run(box(220, 220, 250), fits="printer").facts["size_mm"] == [220.0, 220.0, 250.0]


@pytest.mark.parametrize("size", [(230.0, 240.0, 262.0), (20.0, 30.0, 3000.0), (221.0, 10.0, 10.0)])
@pytest.mark.parametrize("scale", [0.25, 1.0, 1.4])
def test_the_size_that_is_named_fits_and_the_next_does_not(
    size: tuple[float, float, float], scale: float
) -> None:
    """What a person is told to order is ordered: the same demand is met then, and one percent more is not."""
    life = box(*(side / scale for side in size))
    with pytest.raises(HoldError) as held:
        run(life.scaled(scale), fits="printer")
    found = re.search(r"(\d+) % of life size would fit .*; this is (\S+) %", str(held.value))
    assert found is not None and float(found[2]) == pytest.approx(100 * scale)
    percent = int(found[1])
    assert run(life.scaled(percent / 100), fits="printer").part is not None
    with pytest.raises(HoldError):
        run(life.scaled((percent + 1) / 100), fits="printer")


def test_what_can_never_fit_is_said_to() -> None:
    with pytest.raises(HoldError, match="not even 1 % of life size would fit"):
        run(box(20, 30, 30_000), fits="printer")


def test_a_quarter_turn_that_would_do_is_named() -> None:
    long = Printer("long", (300.0, 200.0, 250.0))
    with pytest.raises(HoldError, match="turned by a quarter on the bed it would fit as it is, or 71 %"):
        run(box(150, 280, 40), printer=long, fits="printer")


GOOD: list[dict[str, Any]] = [ALL_MET, {}, {"verdict": "reject"}, {"bodies": {"above": 0, "below": 3}}]
BAD: list[dict[str, Any]] = [
    {"sound": False},
    {"sound": "yes"},
    {"fits": "shop"},
    {"bodies": {}},
    {"bodies": 2},
    {"bodies": {"below": 0}},
    {"height": {"below": 30}},
    {"height": {"under": "30 mm"}},
    {"volume": {"below": "30 mm"}},
    {"covered": {"above": "95"}},
    {"steady": {"above": 5}},
    {"likeness": {"above": "2 mm"}},
    {"verdict": "skip"},
    {"overhangs": {"below": "8 %"}},
]


@pytest.mark.parametrize("params", GOOD)
def test_good_parameters_pass_both_checks(params: dict[str, Any]) -> None:
    Params.model_validate(params)
    jsonschema.validate(params, Params.model_json_schema())


@pytest.mark.parametrize("params", BAD)
def test_bad_parameters_fail_both_checks(params: dict[str, Any]) -> None:
    with pytest.raises(ValidationError):
        Params.model_validate(params)
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(params, Params.model_json_schema())


def test_a_band_that_nothing_can_meet_is_refused() -> None:
    with pytest.raises(ValidationError, match="exchange them"):
        LengthBand.model_validate({"below": "10 mm", "above": "20 mm"})


def test_every_field_but_the_verdict_is_a_demand() -> None:
    wanted = Params.model_validate(ALL_MET)
    for name in set(Params.model_fields) - {"verdict"}:
        assert isinstance(getattr(wanted, name), Demand), name


def test_a_new_demand_is_one_small_class() -> None:
    class Depth(LengthBand):
        """Along Y."""

        def judge(self, name: str, measured: Measured) -> Any:
            return self.within(name, "depth_mm", measured.facts["size_mm"][1], "the depth of the part is {}")

    part = box()
    findings: list[Finding] = list(
        Depth.model_validate({"below": "25 mm"}).judge("depth", Measured(part, context(part)))
    )
    assert [finding.met for finding in findings] == [False]
    assert findings[0].sentence == "the depth of the part is 30 mm; it must be below 25 mm"
    assert issubclass(Depth, Band)


def test_parameters_survive_a_round_trip() -> None:
    params = Params.model_validate(ALL_MET)
    written = params.model_dump(mode="json", by_alias=True, exclude_none=True)
    assert Params.model_validate(written) == params


def test_a_real_scan_is_held_for_being_open(face_scan: Path) -> None:
    mesh = trimesh.load(face_scan, process=False)
    part = Part(np.asarray(mesh.vertices), np.asarray(mesh.faces))
    with pytest.raises(HoldError, match="the part is open"):
        run(part, closed=True, fits="printer", triangles={"below": 2_000_000})
