"""Sizes after scaling, the best turn on the bed, and when detail is lost."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest
import trimesh
from fettlebox.api import Origin, Part, Plane, Printer, StepContext, StepError
from fettlebox_steps.scale import Params, scale
from pydantic import ValidationError

TOLERANCE = 1e-3  # sizes after scaling, 0.1 %


def box(x: float, y: float, z: float, centred: bool = True) -> Part:
    mesh = trimesh.creation.box((x, y, z))
    shift = [0.0, 0.0, z / 2] if centred else [30.0, -7.0, z / 2 + 4.0]
    plane = Plane("base", (shift[0], shift[1], shift[2] - z / 2), (0.0, 0.0, -1.0), bed=True)
    return Part(np.asarray(mesh.vertices) + shift, np.asarray(mesh.faces), planes=(plane,))


def run(part: Part, printer: Printer | None = None, **params: Any) -> Any:
    ctx = StepContext(
        Origin("a.stl", "stl", "0" * 64),
        part,
        np.random.default_rng(0),
        Path(),
        printer or Printer("everyday", (220.0, 220.0, 250.0)),
    )
    return scale(part, Params.model_validate({k.replace("_", " "): v for k, v in params.items()}), ctx)


@pytest.mark.parametrize(
    ("params", "size"),
    [
        ({"by": "25 %"}, (20.0, 10.0, 40.0)),
        ({"height": "60 mm"}, (30.0, 15.0, 60.0)),
        ({"longest": "8 cm"}, (40.0, 20.0, 80.0)),
        ({"by": "150 %"}, (120.0, 60.0, 240.0)),
    ],
)
def test_sizes(params: dict[str, str], size: tuple[float, float, float]) -> None:
    result = run(box(80.0, 40.0, 160.0), **params)
    assert np.ptp(result.part.vertices, axis=0) == pytest.approx(size, rel=TOLERANCE)
    assert result.facts["size_after_mm"] == pytest.approx(size, rel=TOLERANCE)
    assert result.facts["ratio"] == pytest.approx(size[0] / 80.0)
    assert result.part.life_scale == result.facts["ratio"]
    assert result.part.vertices[:, 2].min() == 0.0
    assert result.part.bed_plane is not None and result.part.bed_plane.point[2] == 0.0


def test_scales_multiply() -> None:
    once = run(box(80.0, 40.0, 160.0), by="50 %").part
    assert run(once, by="50 %").part.life_scale == 0.25


def test_fit_fills_the_tightest_side() -> None:
    # 250 - 5 mm of height over 160 mm; the bed would allow 210 over 80.
    result = run(box(80.0, 40.0, 160.0), fit="printer")
    assert result.facts["ratio"] == pytest.approx(245.0 / 160.0, rel=TOLERANCE)
    assert result.facts["turned_deg"] == 0.0


def test_a_long_bar_is_turned_to_the_diagonal() -> None:
    """A bar of length L and width w at 45° needs (L + w)/√2 on both sides of a square bed."""
    result = run(box(100.0, 10.0, 5.0), fit="printer", margin="10 mm")
    assert result.facts["turned_deg"] % 90.0 == pytest.approx(45.0, abs=0.01)
    assert result.facts["ratio"] == pytest.approx(200.0 / (110.0 / math.sqrt(2.0)), rel=1e-6)
    assert np.ptp(result.part.vertices, axis=0)[:2] == pytest.approx([200.0, 200.0], rel=1e-6)
    assert result.part.bounds.mean(axis=0)[:2] == pytest.approx([0.0, 0.0], abs=1e-9)
    assert result.part.vertices[:, 2].min() == 0.0
    there = result.part.placement @ [50.0, 5.0, 0.0, 1.0]
    assert np.abs(result.part.vertices - there[:3]).max(axis=1).min() < 1e-9


def test_fit_finds_what_a_search_by_brute_force_finds() -> None:
    rng = np.random.default_rng(3)
    cloud = trimesh.convex.convex_hull(rng.normal(size=(40, 3)) * [60.0, 20.0, 5.0])
    part = Part(np.asarray(cloud.vertices), np.asarray(cloud.faces))
    room = (150.0, 90.0, 245.0)
    result = run(part, Printer("oblong", (160.0, 100.0, 250.0)), fit="printer")
    best = 0.0
    for turn in np.linspace(0.0, math.pi, 20_001):
        c, s = math.cos(turn), math.sin(turn)
        spans = np.ptp(part.vertices @ np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]]).T, axis=0)
        best = max(best, float((room / spans).min()))
    assert best <= result.facts["ratio"] <= best * 1.0005  # the search misses the best turn by up to 0.005°
    assert (np.ptp(result.part.vertices, axis=0) <= room).all()


def test_fit_is_capped_and_then_only_turned_if_it_must() -> None:
    result = run(box(80.0, 40.0, 160.0), fit="printer", at_most="25 %")
    assert result.facts["ratio"] == 0.25
    bar = run(box(100.0, 10.0, 5.0), fit="printer", at_most="150 %")
    assert bar.facts["ratio"] == 1.5 and bar.facts["turned_deg"] == 0.0
    turned = run(box(100.0, 10.0, 5.0), fit="printer", at_most="220 %")
    assert turned.facts["ratio"] == 2.2 and turned.facts["turned_deg"] != 0.0


def test_a_margin_that_leaves_no_room_is_an_error() -> None:
    with pytest.raises(StepError, match="leaves no room"):
        run(box(10.0, 10.0, 10.0), fit="printer", margin="110 mm")


def test_a_part_off_the_bed_is_scaled_about_the_origin() -> None:
    part = box(80.0, 40.0, 160.0, centred=False)
    assert run(part, by="50 %").part.vertices == pytest.approx(part.vertices * 0.5)


def test_detail_finer_than_the_nozzle_is_warned_of() -> None:
    """A sphere of diameter d bends like a stroke of width d everywhere."""
    ball = trimesh.creation.icosphere(4, radius=0.9)
    part = Part(np.asarray(ball.vertices), np.asarray(ball.faces))
    fine = run(part, by="90 %")
    assert fine.evidence["detail_mm"] == pytest.approx(1.62, rel=0.15)
    assert fine.warnings == ()
    assert "0.4 mm" in run(part, by="15 %").warnings[0]
    resin = Printer("resin", (120.0, 68.0, 150.0), kind="resin", pixel_mm=0.05)
    assert run(part, resin, by="15 %").warnings == ()


def test_a_coarse_box_has_no_fine_detail() -> None:
    assert run(box(80.0, 40.0, 160.0), by="25 %").warnings == ()


GOOD: list[dict[str, Any]] = [
    {"by": "25 %"},
    {"height": "60 mm"},
    {"fit": "printer"},
    {"fit": "printer", "margin": "3 mm", "at most": "25 %"},
]
BAD: list[dict[str, Any]] = [
    {},
    {"by": "25 %", "height": "60 mm"},
    {"by": 0.25},
    {"height": "60 mm", "margin": "3 mm"},
    {"by": "25 %", "at most": "50 %"},
    {"fit": "shop"},
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


def test_same_input_same_bytes_and_input_untouched() -> None:
    part = box(100.0, 10.0, 5.0)
    before = part.digest()
    first, second = run(part, fit="printer"), run(part, fit="printer")
    assert part.digest() == before
    assert first.part.digest() == second.part.digest()
