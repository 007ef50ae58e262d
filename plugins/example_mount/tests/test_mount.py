"""The step keeps the plugin contract, and the mount has the measures that standards and mensuration give."""

from __future__ import annotations

import io
import math
from typing import Any

import numpy as np
import pytest
import shapely
import trimesh
from fettlebox.api import HoldError, Origin, Part, Printer, StepContext, StepError, StepResult
from fettlebox.mesh.soundness import inspect
from fettlebox.testing import ball, brick, bust, contract
from fettlebox_mount import mount
from fettlebox_mount.circle import bolt_circle, least_for_spacing
from fettlebox_mount.mount import TEMPLATE, TEMPLATE_MM
from fettlebox_mount.screws import SCREWS
from fettlebox_mount.solids import SAGITTA_MM, as_mesh, as_solid, sides_of
from PIL import Image
from pydantic import ValidationError


@pytest.fixture
def ctx(tmp_path: Any) -> StepContext:
    return StepContext(Origin("part", "stl", ""), brick(), np.random.default_rng(0), tmp_path)


def run(part: Part, ctx: StepContext, **given: Any) -> StepResult:
    settings = {name.replace("_", " "): value for name, value in given.items()}
    return mount(part, mount.params.model_validate(settings), ctx)


@pytest.mark.parametrize(
    "check", contract(mount, {"template": True, "bore": "4 mm", "bore depth": "5 mm"}), ids=str
)
def test_the_plugin_contract(check: Any) -> None:
    check()


# ISO 273:1979, table 1, as published in engineering handbooks: fine, medium, coarse.
ISO_273 = """
M2 2.2 2.4 2.6
M2.5 2.7 2.9 3.1
M3 3.2 3.4 3.6
M4 4.3 4.5 4.8
M5 5.3 5.5 5.8
M6 6.4 6.6 7.0
M8 8.4 9.0 10.0
M10 10.5 11.0 12.0
M12 13.0 13.5 14.5
"""


def test_clearance_holes_are_those_of_iso_273() -> None:
    rows = [line.split() for line in ISO_273.split("\n") if line]
    assert {row[0] for row in rows} == set(SCREWS)
    for name, *holes in rows:
        assert list(SCREWS[name].hole_mm.values()) == [float(hole) for hole in holes]  # type: ignore[index]


def test_heads_are_those_of_iso_4762() -> None:
    """Plain heads' dk max.; knurled ones, which the table has, are wider by 0.18 to 0.27 mm (from memory)."""
    plain = {"M2": 3.8, "M2.5": 4.5, "M3": 5.5, "M4": 7, "M5": 8.5, "M6": 10, "M8": 13, "M10": 16, "M12": 18}
    for name, screw in SCREWS.items():
        assert 0.179 < screw.head_mm - plain[name] < 0.271
        assert screw.head_height_mm == screw.size_mm == float(name[1:])


def inscribed(diameter_mm: float) -> float:
    """Area of the regular polygon inside a circle: n/2·r²·sin(2π/n)."""
    n = sides_of(diameter_mm)
    return n / 2 * (diameter_mm / 2) ** 2 * math.sin(2 * math.pi / n)


def circumscribed(diameter_mm: float) -> float:
    """Area of the regular polygon round a circle: n·r²·tan(π/n)."""
    n = sides_of(diameter_mm)
    return n * (diameter_mm / 2) ** 2 * math.tan(math.pi / n)


@pytest.mark.parametrize("screw", ["M2", "M3", "M6"])
@pytest.mark.parametrize("count", [2, 3, 5])
def test_the_flanges_volume_is_that_of_a_disc_without_its_holes(
    ctx: StepContext, screw: str, count: int
) -> None:
    result = run(brick(30, 20, 10), ctx, screw=screw, count=count, play="coarse", thickness="5 mm")
    hole_mm, wide_mm = SCREWS[screw].hole_mm["coarse"], result.facts["flange_size_mm"][0]  # type: ignore[index]
    expected = 5.0 * (inscribed(wide_mm) - count * circumscribed(hole_mm))
    assert result.facts["flange_mm3"] == pytest.approx(expected, rel=1e-9)
    assert expected == pytest.approx(5.0 * math.pi / 4 * (wide_mm**2 - count * hole_mm**2), rel=3e-3)
    # The brick is let in by 0.4 mm: 9.6 mm of it stand on the flange. Measured by another library.
    whole = trimesh.Trimesh(result.part.vertices, result.part.faces, process=False)
    assert whole.volume == pytest.approx(expected + 30 * 20 * 9.6, rel=1e-9)
    assert result.facts["joint_area_mm2"] == pytest.approx(600.0)


@pytest.mark.parametrize("neck", ["0.5 mm", "12 mm"])
@pytest.mark.parametrize("part", [brick(30, 20, 10), bust(5)], ids=["brick", "bust"])
def test_a_neck_goes_on_from_the_foot(ctx: StepContext, part: Part, neck: str) -> None:
    """Its volume is that of a prism: the foot's area, measured by another library, times its height."""
    result = run(part, ctx, neck=neck)
    high_mm = float(neck.removesuffix(" mm"))
    whole = trimesh.Trimesh(part.vertices, part.faces, process=False)
    foot = whole.section([0, 0, 1], [0, 0, part.bounds[0, 2] + 0.4]).to_2D()[0]
    assert result.facts["neck_mm3"] == pytest.approx(foot.area * high_mm, rel=1e-6)
    assert result.part.bounds[1, 2] == pytest.approx(part.bounds[1, 2] + 6 - 0.4 + high_mm)
    verdict = inspect(result.part)
    assert verdict.sound, verdict.reasons
    assert verdict.bodies == 1


@pytest.mark.parametrize(("neck", "columns"), [("1 mm", 2), ("4 mm", 1)])
def test_only_feet_get_a_column(ctx: StepContext, neck: str, columns: int) -> None:
    """A head on a foot of 20 × 20 mm, with a chin of 2 × 20 mm that comes down as low."""
    foot, chin = as_solid(*_mesh(20, 20, 5)), as_solid(*_mesh(2, 20, 5)).translate((20, 0, 0))
    solid = foot + chin + as_solid(*_mesh(50, 20, 10)).translate((0, 0, 5))
    result = run(brick().with_mesh(*as_mesh(solid)), ctx, neck=neck)
    high_mm = float(neck.removesuffix(" mm"))
    area = {1: 400.0, 2: 440.0}[columns]
    assert result.facts["joint_area_mm2"] == pytest.approx(area)
    assert result.facts["neck_mm3"] == pytest.approx(area * high_mm)
    whole = trimesh.Trimesh(result.part.vertices, result.part.faces, process=False)
    section = whole.section([0, 0, 1], [0, 0, 6.0 + high_mm / 2])
    assert len(section.discrete) == columns
    verdict = inspect(result.part)
    assert verdict.sound, verdict.reasons
    assert verdict.bodies == 1
    assert result.evidence["centre_mm"][0] == pytest.approx(0.0 if columns == 1 else 5.5)


def test_a_chin_just_above_the_flange_is_told(ctx: StepContext) -> None:
    """A brick on a narrower one, whose overhang of 1 mm height is 5 mm wide on two sides."""
    foot, head = as_solid(*_mesh(20, 20, 1.4)), as_solid(*_mesh(30, 20, 10))
    part = brick().with_mesh(*as_mesh(foot.translate((0, 0, -1.4)) + head))
    (said,) = run(part, ctx).warnings
    assert said.startswith("120 mm2 of the part hang less than 2 mm above the flange")  # 2·(5 − 2)·20
    assert run(part, ctx, neck="4 mm").warnings == ()


def _mesh(x_mm: float, y_mm: float, z_mm: float) -> tuple[Any, Any]:
    made = brick(x_mm, y_mm, z_mm)
    shift = np.array([*made.bounds[:, :2].mean(axis=0), made.bounds[0, 2]])
    return made.vertices - shift, made.faces


def test_sunk_heads_and_a_bore_take_what_mensuration_says(ctx: StepContext) -> None:
    given = {"screw": "M4", "heads": "sunk", "bore": "6 mm", "bore depth": "9 mm", "count": 4}
    result = run(brick(30, 20, 10), ctx, **given)
    recess_mm, wide_mm = 7.22 + 0.5, result.facts["flange_size_mm"][0]
    flange = 6 * inscribed(wide_mm) - 4 * (2 * circumscribed(4.5) + 4 * circumscribed(recess_mm))
    assert result.facts["flange_mm3"] == pytest.approx(flange, rel=1e-9)
    assert result.facts["bore_mm3"] == pytest.approx(9 * circumscribed(6.0), rel=1e-9)
    assert result.facts["united_mm3"] == pytest.approx(flange + 600 * 9.6 - 9 * circumscribed(6.0), rel=1e-9)


def test_holes_are_nowhere_narrower_and_the_flange_nowhere_wider(ctx: StepContext) -> None:
    """A section at half the thickness, made by another library."""
    result = run(bust(4), ctx, screw="M5", count=6, extra="0.2 mm")
    whole = trimesh.Trimesh(result.part.vertices, result.part.faces, process=False)
    section = whole.section([0, 0, 1], [0, 0, whole.bounds[0, 2] + 3.0])
    rings = [np.asarray(ring)[:, :2] for ring in section.discrete]
    rings.sort(key=lambda ring: -np.ptp(ring[:, 0]))
    outer, holes = rings[0], rings[1:]
    centre = np.array(result.evidence["centre_mm"])
    assert len(holes) == 6
    wide_mm = result.facts["flange_size_mm"][0]
    assert np.linalg.norm(outer - centre, axis=1).max() <= wide_mm / 2 + 1e-9
    for ring in holes:
        middle = min(np.array(result.evidence["holes_mm"]), key=lambda at: np.linalg.norm(ring.mean(0) - at))
        assert np.linalg.norm(middle - centre) == pytest.approx(result.facts["bolt_circle_mm"] / 2)
        clear = shapely.distance(shapely.linestrings(np.vstack([ring, ring[:1]])), shapely.points(middle))
        assert 5.7 / 2 - 1e-9 <= clear <= 5.7 / 2 + SAGITTA_MM


@pytest.mark.parametrize("part", [brick(), bust(5), ball(4)], ids=["brick", "bust", "ball"])
def test_it_is_one_sound_body_that_stands_where_the_part_stood(ctx: StepContext, part: Part) -> None:
    result = run(part, ctx, template=True, heads="sunk")
    verdict = inspect(result.part)
    assert verdict.sound, verdict.reasons
    assert verdict.bodies == 1
    assert result.part.bounds[0, 2] == pytest.approx(part.bounds[0, 2], abs=1e-9)
    assert result.part.bounds[1, 2] == pytest.approx(part.bounds[1, 2] + 6 - 0.4, abs=1e-9)
    assert result.part.bed_plane is not None
    assert result.part.bed_plane.point[2] == pytest.approx(part.bounds[0, 2])


def test_what_is_above_the_flange_stays_as_it_was(ctx: StepContext) -> None:
    part = bust(4)
    made = run(part, ctx).part
    top_mm = part.bounds[0, 2] + 6.0
    moved = part.vertices + np.array([0.0, 0.0, 6.0 - 0.4])
    ours = {tuple(np.round(v, 6)) for v in made.vertices}
    above = moved[moved[:, 2] > top_mm + 1e-3]
    assert len(above) > 1000
    assert all(tuple(np.round(v, 6)) in ours for v in above)
    assert np.allclose(made.placement @ np.linalg.inv(part.placement) @ [0, 0, 0, 1], [0, 0, 5.6, 1])


def test_every_screw_can_be_reached_by_a_key(ctx: StepContext) -> None:
    """Rays straight down over every head, all round its edge, meet nothing above the flange within reach."""
    part = bust(5)
    result = run(part, ctx, screw="M4", count=5, reach="40 mm")
    whole = trimesh.Trimesh(result.part.vertices, result.part.faces, process=False)
    top_mm = part.bounds[0, 2] + 6.0
    angles = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    edge = 7.22 / 2 * np.stack([np.cos(angles), np.sin(angles)], axis=1)
    spots = np.concatenate([np.array(at) + edge for at in result.evidence["holes_mm"]])
    starts = np.column_stack([spots, np.full(len(spots), top_mm + 40.0)])
    hits, _, _ = whole.ray.intersects_location(
        starts, np.tile([0.0, 0.0, -1.0], (len(starts), 1)), multiple_hits=False
    )
    assert len(hits) == len(starts)
    assert hits[:, 2] == pytest.approx(top_mm, abs=1e-6)
    assert result.facts["clear_of_heads_mm"] >= 1.0


def test_the_circle_is_the_least_round_a_square(ctx: StepContext) -> None:
    """Square of 20 mm, heads of 4 mm, 1 mm beside them: from its middle outwards, screws on the axes need
    10 + 2 + 1 mm, and no turn needs less; on the diagonals it would be 10·√2 + 3.
    """
    square = shapely.box(-10, -10, 10, 10)
    made = bolt_circle(square, np.zeros(2), 4, 4.0, 1.0, 5.0)
    assert (made.diameter_mm, made.first_deg, made.clear_mm) == (26.0, 0.0, pytest.approx(1.0))
    across = bolt_circle(square, np.zeros(2), 4, 4.0, 1.0, 5.0, first_deg=45.0)
    assert across.diameter_mm == math.ceil(2 * (10 * math.sqrt(2) + 3))
    with pytest.raises(ValueError, match="26 mm would do"):
        bolt_circle(square, np.zeros(2), 4, 4.0, 1.0, 5.0, diameter_mm=25.0)
    assert bolt_circle(square, np.zeros(2), 4, 4.0, 1.0, 5.0, diameter_mm=31.5).diameter_mm == 31.5


def test_heads_side_by_side_do_not_touch() -> None:
    """Six on a circle are a hexagon, whose side is its radius."""
    assert least_for_spacing(6, 7.0) == pytest.approx(14.0)
    speck = shapely.box(-0.1, -0.1, 0.1, 0.1)
    made = bolt_circle(speck, np.zeros(2), 12, 7.0, 1.0, 8.0)
    gaps = np.linalg.norm(made.holes() - np.roll(made.holes(), 1, axis=0), axis=1)
    assert gaps.min() >= 8.0


def test_the_template_is_the_flange_as_a_thin_plate(ctx: StepContext) -> None:
    result = run(bust(5), ctx, template=True, bore="8 mm")
    plate = result.extras[TEMPLATE]
    wide_mm = result.facts["flange_size_mm"][0]
    area = inscribed(wide_mm) - 4 * circumscribed(4.5) - circumscribed(8.0)
    made = trimesh.Trimesh(plate.vertices, plate.faces, process=False)
    assert made.volume == pytest.approx(TEMPLATE_MM * area, rel=1e-9)
    assert inspect(plate).sound
    assert plate.bounds[:, 2].tolist() == [0.0, TEMPLATE_MM]


def test_a_bore_that_would_break_out_is_held(ctx: StepContext) -> None:
    with pytest.raises(HoldError, match="less than 2 mm of the part round it"):
        run(brick(30, 20, 10), ctx, bore="6 mm", bore_depth="14 mm")  # 15.6 mm high: 1.6 mm would be left
    run(brick(30, 20, 10), ctx, bore="6 mm", bore_depth="13 mm")
    with pytest.raises(HoldError, match="round it"):
        run(brick(30, 20, 10), ctx, bore="17 mm", bore_depth="8 mm")  # 20 mm wide: 1.5 mm would be left


def test_what_cannot_be_is_said(ctx: StepContext) -> None:
    with pytest.raises(HoldError, match="A bolt circle of 20 mm is too small"):
        run(brick(30, 20, 10), ctx, circle="20 mm")
    with pytest.raises(StepError, match="let in"):
        run(brick(30, 20, 0.3), ctx)
    part = brick()
    with pytest.raises(StepError, match="put repair before mount"):
        run(part.with_mesh(part.vertices, part.faces[1:]), ctx)
    assert "may break off" in run(ball(4), ctx).warnings[0]
    for wrong, said in (
        ({"screw": "M6", "heads": "sunk"}, "expected at least 7.6 mm"),
        ({"thickness": "2 mm", "sink": "1.8 mm"}, "expected at most 1.5 mm"),
        ({"screw": "M7"}, "M8"),
    ):
        with pytest.raises(ValidationError, match=said):
            mount.params.model_validate(wrong)


def test_a_dent_under_the_foot_is_told_with_its_area(ctx: StepContext) -> None:
    """A ball of 5 mm radius, half in a brick, is √(25 − 0.4²) mm in radius 0.4 mm above its middle."""
    block = as_solid(brick(30, 20, 10).vertices, brick(30, 20, 10).faces)
    ball_mesh = ball(4, 5.0)
    middle = np.array([*brick(30, 20, 10).bounds[:, :2].mean(axis=0), 0.0])
    dent = as_solid(ball_mesh.vertices - ball_mesh.bounds.mean(axis=0) + middle, ball_mesh.faces)
    dented = brick().with_mesh(*as_mesh(block - dent))
    result = run(dented, ctx)
    area = math.pi * (25 - 0.16)
    assert result.facts["joint_area_mm2"] == pytest.approx(600 - area, rel=0.002)
    assert f"{600 - result.facts['joint_area_mm2']:.3g} mm2 inside of it do not touch" in result.warnings[0]
    assert run(dented, ctx, sink="5.1 mm").warnings == ()


def test_a_printer_that_is_too_small_is_told_before_there_is_a_scan() -> None:
    small = Printer("small", (100.0, 120.0, 80.0))
    assert mount.unsuited is not None
    for given, said in (
        ({"circle": "92.7 mm"}, []),  # with the heads, 7.22 mm: 99.92 mm
        ({"circle": "93 mm"}, ["a bolt circle of 93 mm has no room on a bed of 100 × 120 mm"]),
        ({"neck": "74 mm"}, ["flange and neck are 80 mm high; the printer builds 80 mm"]),
    ):
        assert list(mount.unsuited(mount.params.model_validate(given), small, ())) == said


def test_colours_are_kept(ctx: StepContext) -> None:
    part = bust(4)
    colours = np.full((len(part.vertices), 4), 255, np.uint8)
    colours[:, 0] = (part.vertices[:, 2] > part.bounds[:, 2].mean()) * 200
    painted = part.with_mesh(part.vertices, part.faces, colours)
    made = run(painted, ctx).part
    assert made.colours is not None
    high = made.vertices[:, 2] > made.bounds[1, 2] - 10
    assert (made.colours[high, 0] == 200).all()
    assert (made.colours[made.vertices[:, 2] < made.bounds[0, 2] + 3, 0] == 0).all()


def test_the_plan_shows_the_holes(ctx: StepContext) -> None:
    image = Image.open(io.BytesIO(run(bust(4), ctx).pictures["drilling-plan"])).convert("RGB")
    assert image.size == (900, 1010)
    shown = image.getcolors(1 << 20)
    assert shown is not None
    assert {(176, 190, 208), (232, 234, 238)} <= {colour for _, colour in shown}
