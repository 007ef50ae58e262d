"""plinth: the volumes add up, the likeness above is untouched, and the part stands."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
import trimesh
from fettlebox.api import HoldError, Origin, Part, Plane, StepContext, StepError, StepResult
from fettlebox.mesh import soundness
from fettlebox.mesh.fidelity import compare
from fettlebox_steps.plinth import Params, plinth
from fettlebox_steps.seat import Params as SeatParams
from fettlebox_steps.seat import seat
from pydantic import ValidationError


def _part(mesh: trimesh.Trimesh, **more: Any) -> Part:
    return Part(np.array(mesh.vertices, float), np.array(mesh.faces, np.int32), **more)


def _context(part: Part) -> StepContext:
    return StepContext(Origin("toy", "stl", "0" * 64), part, np.random.default_rng(0), Path())


def _run(part: Part, **params: Any) -> StepResult:
    before = part.digest()
    result = plinth(part, Params(**params), _context(part))
    assert part.digest() == before
    assert soundness.inspect(result.part).reasons == ()
    return result


def _mesh(part: Part) -> trimesh.Trimesh:
    return trimesh.Trimesh(part.vertices, part.faces, process=False)


def _at(mesh: trimesh.Trimesh, *shift: float) -> trimesh.Trimesh:
    moved = mesh.copy()
    moved.apply_translation(shift)
    return moved


def _assert_likeness_kept(before: Part, after: StepResult) -> None:
    """Every vertex above the top, and every face among them, bit for bit."""
    top = after.evidence["top_mm"]

    def rows(values: Any) -> Any:
        return np.ascontiguousarray(values).view(f"V{values.shape[1] * 8}").ravel()

    def corners(part: Part) -> Any:
        mine = part.vertices[part.faces[(part.vertices[:, 2] > top)[part.faces].all(axis=1)]]
        first = np.argmin(mine[:, :, 0], axis=1)[:, None]
        turned = np.take_along_axis(mine, ((first + np.arange(3)) % 3)[:, :, None], axis=1)
        return np.sort(rows(turned.reshape(-1, 9)))

    above = before.vertices[before.vertices[:, 2] > top]
    assert np.isin(rows(above), rows(after.part.vertices)).all()
    assert (corners(before) == corners(after.part)).all()


BOX = _at(trimesh.creation.box((20.0, 30.0, 50.0)), 3, 4, 25)
BALL = trimesh.creation.icosphere(5, radius=20.0)
LEAN = trimesh.creation.box((10.0, 10.0, 80.0))
LEAN.apply_transform([[1, 0, 0.5, 20], [0, 1, 0, 0], [0, 0, 1, 40], [0, 0, 0, 1]])


@pytest.fixture(scope="module")
def bunny(bunny_scan: Path) -> Part:
    """The scanned figurine closed by pymeshfix, 100 mm tall, Z up, without a flat base."""
    import pymeshfix

    mesh = trimesh.load_mesh(bunny_scan)
    fixer = pymeshfix.MeshFix(np.array(mesh.vertices, float), np.array(mesh.faces, np.int32))
    fixer.repair()
    points = np.asarray(fixer.points)[:, [0, 2, 1]] * [1, -1, 1]
    points = (points - points.min(axis=0)) * 100.0 / np.ptp(points[:, 2])
    return Part(points, np.asarray(fixer.faces, np.int32))


@pytest.mark.parametrize("chamfer", [0.0, 1.5])
@pytest.mark.parametrize("shape", ["round", "square"])
def test_volumes_are_those_of_the_solids(shape: str, chamfer: float) -> None:
    result = _run(_part(BOX), shape=shape, chamfer=f"{chamfer} mm", height="9 mm", margin="4 mm", sink="2 mm")
    facts = result.facts
    if shape == "square":
        low, high = (30 + 8.0) ** 2, (30 + 8.0 - 2 * chamfer) ** 2
        tolerance = 1e-12
    else:  # a regular polygon about the circle that is 4 mm off the corners of the foot
        radius = math.hypot(10, 15) + 4.0
        low, high = math.pi * radius**2, math.pi * (radius - chamfer) ** 2
        tolerance = 4e-3  # its sides lie within 5 µm of the circle
    # frustum: CRC Standard Mathematical Tables, h/3 (A + B + √(A·B))
    expected = low * (9.0 - chamfer) + chamfer / 3.0 * (low + high + math.sqrt(low * high))
    assert facts["plinth_mm3"] == pytest.approx(expected, rel=tolerance)
    assert facts["overlap_mm3"] == pytest.approx(20 * 30 * 2.0, rel=1e-9)
    united = _mesh(result.part).volume
    assert united == pytest.approx(facts["part_mm3"] + facts["plinth_mm3"] - facts["overlap_mm3"], rel=1e-9)
    assert united == pytest.approx(facts["united_mm3"], rel=1e-9)


@pytest.mark.parametrize("shape", ["round", "square", "outline"])
def test_a_scan_on_its_plinth_is_the_union_that_manifold3d_makes(bunny: Part, shape: str) -> None:
    result = _run(bunny, shape=shape, chamfer="0 mm", height="8 mm", margin="5 mm")
    bottom = result.part.bed_plane.point[2]  # type: ignore[union-attr]
    flat = np.flatnonzero(np.abs(result.part.vertices[:, 2] - bottom) == 0.0)
    corners = result.part.vertices[result.part.faces]
    foot = shapely.union_all(shapely.polygons(corners[(corners[:, :, 2] == bottom).all(axis=1)][:, :, :2]))
    assert len(shapely.get_coordinates(foot)) - 1 == len(flat)
    alone = _at(trimesh.creation.extrude_polygon(foot, 8.0), 0, 0, bottom)
    both = trimesh.boolean.union([_mesh(bunny), alone], engine="manifold")
    facts = result.facts
    assert facts["plinth_mm3"] == pytest.approx(alone.volume, rel=1e-6)
    assert facts["united_mm3"] == pytest.approx(both.volume, rel=1e-6)
    assert facts["united_mm3"] == pytest.approx(
        facts["part_mm3"] + facts["plinth_mm3"] - facts["overlap_mm3"], rel=1e-6
    )
    overlap = trimesh.boolean.intersection([_mesh(bunny), alone], engine="manifold")
    assert facts["overlap_mm3"] == pytest.approx(overlap.volume, rel=1e-4)
    _assert_likeness_kept(bunny, result)
    hidden = shapely.MultiPoint(bunny.vertices[bunny.vertices[:, 2] < result.evidence["top_mm"]][:, :2])
    assert foot.exterior.distance(hidden) >= 5.0 - 0.02  # the margin, but for the smoothing of an outline
    assert foot.contains(hidden)


def test_a_ball_is_let_in_until_it_is_held_well() -> None:
    result = _run(_part(BALL), margin="3 mm")
    deep = result.facts["sink_mm"]
    assert 0.4 < deep <= 0.1 * 40.0
    # a section of a ball: π (2 r h − h²); half of that at the deepest allowed depth
    assert math.pi * (40 * deep - deep**2) == pytest.approx(0.5 * math.pi * (40 * 4 - 16), rel=0.05)
    assert result.facts["plinth_size_mm"][0] == pytest.approx(
        2 * (math.sqrt(40 * deep - deep**2) + 3.0), rel=2e-3
    )
    _assert_likeness_kept(_part(BALL), result)


def test_a_leaning_part_gets_a_wider_plinth_and_then_stands() -> None:
    narrow = _run(_part(LEAN), margin="60 mm")
    assert narrow.facts["widened_mm"] == 0.0
    result = _run(_part(LEAN), margin="4 mm")
    assert result.facts["widened_mm"] > 1.0
    assert "wider to stand steadily" in result.warnings[0]
    mesh = _mesh(result.part)
    bottom = mesh.bounds[0, 2]
    foot = shapely.MultiPoint(mesh.vertices[mesh.vertices[:, 2] == bottom][:, :2]).convex_hull
    centre = mesh.center_mass
    inside = foot.exterior.distance(shapely.Point(centre[:2]))
    assert foot.contains(shapely.Point(centre[:2]))
    assert inside == pytest.approx(result.facts["stability_margin_mm"], rel=1e-6)
    assert inside >= 0.1 * (centre[2] - bottom)
    with pytest.raises(HoldError, match="leans out over a plinth of 4 mm"):
        _run(_part(LEAN), margin="4 mm", steady="hold")


def test_two_feet_get_one_plinth_that_follows_them() -> None:
    feet = [_at(trimesh.creation.icosphere(3, radius=6), x, 0, 6) for x in (-12, 12)]
    part = _part(trimesh.util.concatenate(feet))
    result = _run(part, shape="outline", margin="2 mm")
    assert _mesh(result.part).body_count == 1
    square = _run(part, shape="square", margin="2 mm")
    assert result.facts["plinth_mm3"] < 0.6 * square.facts["plinth_mm3"]
    _assert_likeness_kept(part, result)


def test_a_hollow_that_is_open_below_is_closed_by_the_plinth() -> None:
    shell = trimesh.boolean.difference(
        [BOX, _at(trimesh.creation.box((16.0, 26.0, 46.0)), 3, 4, 23)], engine="manifold"
    )
    result = _run(_part(shell), shape="square", sink="1 mm", chamfer="0 mm", height="8 mm")
    hole = 16 * 26 * 45.0
    assert _mesh(result.part).volume == pytest.approx(20 * 30 * 49.0 - hole + 38**2 * 8.0, rel=1e-9)
    assert soundness.inspect(result.part).bodies == 2  # the outer surface, and that of the hollow


def test_what_is_below_the_top_does_not_count_as_lost_likeness_and_the_part_can_be_seated() -> None:
    part = _part(BALL)
    result = _run(part)
    moved = seat(result.part, SeatParams(), _context(part)).part
    assert moved.bounds[0, 2] == 0.0
    assert moved.bed_plane is not None
    found = compare(part, moved)
    assert found.scan_to_part_max_mm < 1e-6
    assert found.part_to_scan_max_mm < 1e-6
    assert 0.01 < found.scan_cut_off_ratio < 0.2
    assert found.part_flat_ratio > 0.1


def test_the_base_that_was_cut_is_no_longer_a_face_on_record() -> None:
    cut = Plane("cut", (3.0, 4.0, 0.0), (0.0, 0.0, -1.0), bed=True)
    result = _run(_part(BOX, planes=(cut,)))
    assert cut not in result.part.planes
    assert [plane.bed for plane in result.part.planes] == [False, True]
    assert result.facts["sink_mm"] == pytest.approx(0.4)


def test_colours_are_carried() -> None:
    colours = np.tile(np.array([10, 20, 30, 255], np.uint8), (len(BALL.vertices), 1))
    colours[BALL.vertices[:, 2] > 0] = [200, 100, 50, 255]
    result = _run(_part(BALL, colours=colours))
    made = result.part.colours
    assert made is not None
    high = result.part.vertices[:, 2] > 1.0
    assert (made[high] == [200, 100, 50, 255]).all()
    assert (made[result.part.vertices[:, 2] < -18.5] == [10, 20, 30, 255]).all()


@pytest.mark.parametrize(
    ("params", "said"),
    [
        ({"chamfer": "4 mm", "margin": "4 mm"}, "chamfer: 4 mm does not fit on a margin of 4 mm"),
        ({"chamfer": "3 mm", "height": "3 mm"}, "chamfer: 3 mm is too much for a plinth 3 mm high"),
        ({"sink": "8 mm", "height": "8 mm"}, "sink: 8 mm goes through a plinth 8 mm high"),
        ({"height": "0 mm"}, "out of range; expected at least 1 mm"),
    ],
)
def test_what_cannot_be_is_said_when_the_recipe_is_checked(params: dict[str, str], said: str) -> None:
    with pytest.raises(ValidationError, match=said):
        Params(**params)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("part", "params", "said"),
    [
        (Part(BOX.vertices, BOX.faces[1:]), {}, "not closed"),
        (Part(BOX.vertices, BOX.faces[:, ::-1]), {}, "inside out"),
        (_part(_at(trimesh.creation.box((9.0, 9.0, 3.0)), 0, 0, 1.5)), {"sink": "4 mm"}, "3 mm high"),
        (_part(BOX, planes=(Plane("cut", (0, 0, 0), (0.0, 0.6, -0.8), bed=True),)), {}, "put seat before"),
    ],
)
def test_what_cannot_be_done_is_said(part: Part, params: dict[str, str], said: str) -> None:
    with pytest.raises(StepError, match=said):
        _run(part, **params)


def test_the_same_bytes_twice() -> None:
    assert (
        _run(_part(BALL), shape="outline").part.digest() == _run(_part(BALL), shape="outline").part.digest()
    )
