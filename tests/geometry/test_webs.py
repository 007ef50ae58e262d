"""Scans taken from one side, raised on a straight wall. Judges: closed forms (CRC Standard Mathematical
Tables: disc, cap, prism), thickness by trimesh's rays, distances by libigl.
"""

from __future__ import annotations

from dataclasses import replace

import igl
import numpy as np
import pytest
import trimesh
from fettlebox_steps.geometry import blades as blading
from fettlebox_steps.geometry import webs as module
from fettlebox_steps.geometry.acceptance import judge
from fettlebox_steps.geometry.base import base_frame
from fettlebox_steps.geometry.carrying import unmoved_faces
from fettlebox_steps.geometry.closing import close_scan
from fettlebox_steps.geometry.single_view import seen_from
from fettlebox_steps.geometry.topology import boundary_loops, compact, face_vectors
from fettlebox_steps.geometry.webs import webbed

DISC_MM = 50.0
EXTRA_MM = 4.0
CELL_MM = 0.8


def sheet(step_mm: float = CELL_MM) -> tuple[np.ndarray, np.ndarray]:
    """A flat grid of triangles, counter-clockwise from above, that covers a disc."""
    count = int(2 * DISC_MM / step_mm) + 3
    at = (np.arange(count) - count // 2) * step_mm
    x, y = np.meshgrid(at, at, indexing="ij")
    corner = np.arange(count * count).reshape(count, count)
    a, b, c, d = corner[:-1, :-1], corner[1:, :-1], corner[1:, 1:], corner[:-1, 1:]
    faces = np.concatenate([np.stack([a, b, c], -1).reshape(-1, 3), np.stack([a, c, d], -1).reshape(-1, 3)])
    return np.c_[x.ravel(), y.ravel(), np.zeros(count * count)], faces


def cut_to(keep: np.ndarray, vertices: np.ndarray, faces: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    points, corners, _ = compact(vertices, faces[keep[faces].all(axis=1)])
    return points, corners


def comb(vertices: np.ndarray, wide_mm: float = 4.0, every: int = 16) -> np.ndarray:
    """(n,) whether a point is in the disc and in none of the slits cut into it from outside."""
    r, angle = np.hypot(vertices[:, 0], vertices[:, 1]), np.arctan2(vertices[:, 1], vertices[:, 0])
    turn = 2 * np.pi / every
    off = np.abs((angle + turn / 2) % turn - turn / 2) * r
    return (r < DISC_MM) & ((r < 30) | (off > wide_mm / 2))


def thinnest_mm(vertices: np.ndarray, faces: np.ndarray) -> float:
    """Of rays from all faces straight inward, how far the shortest goes, but for one in a thousand."""
    mesh = trimesh.Trimesh(vertices, faces, process=False)
    from_inside = mesh.triangles_center - 1e-4 * mesh.face_normals
    where, ray, _ = mesh.ray.intersects_location(from_inside, -mesh.face_normals, multiple_hits=False)
    return float(np.percentile(np.linalg.norm(where - from_inside[ray], axis=1), 0.1))


def test_a_disc_with_slits_becomes_the_plain_disc_whose_teeth_are_no_flaps() -> None:
    vertices, faces = sheet()
    points, corners = cut_to(comb(vertices, every=40, wide_mm=2.4), vertices, faces)
    result = close_scan(points, corners, base_extra_mm=EXTRA_MM)
    assert result.rung == "direct"
    assert judge(result.vertices, result.faces).faults() == {}
    assert result.facts["vertices_left_out"] == 0
    volume = trimesh.Trimesh(result.vertices, result.faces, process=False).volume
    # the disc's prism: π·r²·e; the grid's rim lies up to a cell's diagonal within the circle
    assert np.pi * (DISC_MM - CELL_MM * np.sqrt(2)) ** 2 * EXTRA_MM < volume < np.pi * DISC_MM**2 * EXTRA_MM
    assert thinnest_mm(result.vertices, result.faces) > 0.99 * EXTRA_MM


@pytest.mark.parametrize("slope", [(0.0, 0.0), (0.5, -0.2)])
def test_webs_carry_a_plane_on_and_the_wall_is_the_cylinder_of_the_tips(slope: tuple[float, float]) -> None:
    vertices, faces = sheet()
    points, corners = cut_to(comb(vertices), vertices, faces)
    points[:, 2] = points[:, :2] @ slope
    rims = boundary_loops(corners, len(points))
    assert len(rims) == 1
    frame = base_frame(points, rims, np.array([0, 0, -1.0]), EXTRA_MM)
    webs = webbed(points, corners, rims, frame)
    assert webs is not None
    # a membrane held by a plane curve is plane: harmonic functions of which the linear ones are the simplest
    np.testing.assert_allclose(webs.points[:, 2], webs.points[:, :2] @ slope, atol=1e-6)
    everything = np.concatenate([points, webs.points])
    joined = np.concatenate([corners, webs.faces])
    (rim,) = boundary_loops(joined, len(everything))
    assert set(rim.tolist()) == set(webs.rim.tolist())
    plan = face_vectors(everything, joined)[:, 2] / 2
    assert (plan > 0).all()
    outline = np.hypot(*everything[webs.rim, :2].T)
    # 4 mm slits: a chord of 5.6 mm at most sags by c²/8r
    assert outline.min() > DISC_MM - CELL_MM * np.sqrt(2) - 5.6**2 / (8 * DISC_MM)
    assert np.pi * (DISC_MM - CELL_MM * np.sqrt(2)) ** 2 < plan.sum() < np.pi * DISC_MM**2


def test_webs_go_through_loose_points_and_span_a_hole_around_an_island() -> None:
    vertices, faces = sheet()
    r = np.hypot(vertices[:, 0], vertices[:, 1])
    points, corners = cut_to((r < 12) | ((r > 20) & (r < DISC_MM)), vertices, faces)
    rims = boundary_loops(corners, len(points))
    assert len(rims) == 3
    frame = base_frame(points, rims, np.array([0, 0, -1.0]), EXTRA_MM)
    loose = np.array([[16.03, 0.11, 1.5], [-3.3, 15.77, -2.0], [70.0, 0, 0], [5.0, 0, 0]])
    webs = webbed(points, corners, rims, frame, loose)
    assert webs is not None
    everything, joined = np.concatenate([points, webs.points]), np.concatenate([corners, webs.faces])
    assert len(boundary_loops(joined, len(everything))) == 1
    assert face_vectors(everything, joined)[:, 2].sum() / 2 == pytest.approx(np.pi * DISC_MM**2, rel=0.03)
    used = {tuple(p) for p in everything[joined].reshape(-1, 3).tolist()}
    assert [tuple(p) in used for p in loose.tolist()] == [True, True, False, False]
    # a membrane is nowhere higher or lower than what holds it (maximum principle)
    assert (webs.points[:, 2].min(), webs.points[:, 2].max()) == (-2.0, 1.5)
    outline = np.hypot(*everything[webs.rim, :2].T)
    assert outline.min() > DISC_MM - CELL_MM * np.sqrt(2)


def test_a_ragged_cap_stands_on_the_skirt_of_its_own_rim() -> None:
    radius = 60.0
    vertices, faces = sheet()
    r, angle = np.hypot(vertices[:, 0], vertices[:, 1]), np.arctan2(vertices[:, 1], vertices[:, 0])
    ragged = sum(np.sin(k * angle + k) for k in (23, 37, 61)) / 3
    points, corners = cut_to(r < 44 + 3 * ragged, vertices, faces)
    points[:, 2] = np.sqrt(radius**2 - (points[:, :2] ** 2).sum(axis=1))
    result = close_scan(points, corners, base_extra_mm=EXTRA_MM)
    assert result.rung == "direct"
    assert judge(result.vertices, result.faces).faults() == {}
    kept = {tuple(p) for p in result.vertices.tolist()}
    assert all(tuple(p) in kept for p in points.tolist())
    ours = result.faces[~unmoved_faces(result.vertices, result.faces, points, corners)]
    normal = face_vectors(result.vertices, ours)
    upright = np.abs(normal[:, 2]) < 0.5 * np.linalg.norm(normal, axis=1)
    wall = np.hypot(*result.vertices[np.unique(ours[upright]), :2].T)
    tips = np.hypot(*points[:, :2].T).max()
    # the ideal skirt is the cylinder through the tips; teeth lie apart by less than 2π·44/23 = 12 mm
    assert wall.max() < tips + 0.5
    assert wall.min() > tips - 3.0
    away = result.vertices[ours].mean(axis=1)
    along = np.abs(away[:, 0] * normal[:, 1] - away[:, 1] * normal[:, 0])
    out = np.hypot(*away[:, :2].T) * np.hypot(*normal[:, :2].T)
    area = np.linalg.norm(normal, axis=1)
    streak = along[upright] > 0.5 * out[upright]  # looks along the rim by 30 degrees and more
    assert area[upright][streak].sum() < 0.02 * area[upright].sum()
    assert thinnest_mm(result.vertices, result.faces) > EXTRA_MM


def test_pieces_side_by_side_become_one_body_and_the_scan_is_on_it() -> None:
    vertices, faces = sheet()
    keep = (np.hypot(vertices[:, 0], vertices[:, 1]) < DISC_MM) & (np.abs(vertices[:, 0] - 20) > 2)
    points, corners = cut_to(keep, vertices, faces)
    points[:, 2] = np.where(points[:, 0] > 20, -12.0, 0.0) + 0.02 * points[:, 1]
    result = close_scan(points, corners, base_extra_mm=EXTRA_MM, gather="unite")
    assert (result.rung, result.facts["bodies"]) == ("direct", 1)
    assert judge(result.vertices, result.faces).faults() == {}
    squared, _, _ = igl.point_mesh_squared_distance(points, result.vertices, result.faces)
    assert squared.max() == 0


def test_rims_that_are_far_apart_or_lie_over_one_another_get_no_webs() -> None:
    vertices, faces = sheet(2.0)
    disc = cut_to(np.hypot(vertices[:, 0], vertices[:, 1]) < 20, vertices, faces)
    for shift in ([90.0, 0, 0], [10.0, 0, -8.0]):
        points = np.concatenate([disc[0], disc[0] + shift])
        corners = np.concatenate([disc[1], disc[1] + len(disc[0])])
        rims = boundary_loops(corners, len(points))
        frame = base_frame(points, rims, np.array([0, 0, -1.0]), EXTRA_MM)
        assert webbed(points, corners, rims, frame) is None


def test_heights_that_cannot_be_worked_out_are_none_and_there_are_no_webs(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    square = np.array([[0.0, 0], [4, 0], [4, 4], [0, 4], [2, 2]])
    fan = np.array([[0, 1, 4], [1, 2, 4], [2, 3, 4], [3, 0, 4]])
    held = np.array([1.0, 3.0, 5.0, 3.0])
    heights = module._membrane(square, fan, held)
    assert heights is not None
    assert heights[4] == pytest.approx(3.0)  # by symmetry, the mean
    lower = np.r_[square, [[2.0, 0.0]]]
    assert module._membrane(lower, np.r_[fan, [[0, 5, 1]]], held) is None  # without an area
    assert module._membrane(lower, fan, held) is None  # the last point is held by nothing
    assert module._membrane(np.r_[square[:4], [[np.nan, 2]]], fan, held) is None
    vertices, faces = sheet()
    points, corners = cut_to(comb(vertices), vertices, faces)
    rims = boundary_loops(corners, len(points))
    frame = base_frame(points, rims, np.array([0, 0, -1.0]), EXTRA_MM)
    monkeypatch.setattr(module, "_membrane", lambda *_: None)
    assert webbed(points, corners, rims, frame) is None


def test_a_cap_is_seen_from_its_axis_and_more_than_a_hemisphere_from_nowhere() -> None:
    ball = trimesh.creation.icosphere(4, radius=10.0)
    vertices, faces = np.asarray(ball.vertices), np.asarray(ball.faces, np.int64)
    axis = np.array([2.0, -1, 3]) / np.sqrt(14)
    for height, seen in ((3.0, True), (0.5, True), (-3.0, False)):
        part = faces[(vertices @ axis)[faces].min(axis=1) > height]
        for lead in (axis, axis + np.array([0.2, 0.4, 0.0])):
            way = seen_from(vertices, part, lead)
            assert (way is not None) is seen
            if way is not None:
                assert (face_vectors(vertices, part) @ way > 0).mean() > 0.99
    cap = faces[(vertices @ axis)[faces].min(axis=1) > 3.0]
    np.testing.assert_allclose(seen_from(vertices, cap, axis, exact=True), axis)
    assert seen_from(vertices, cap, -axis, exact=True) is None


def test_a_blade_along_the_outline_is_cut_and_the_side_of_a_bowl_is_not() -> None:
    vertices, faces = sheet()
    r = np.hypot(vertices[:, 0], vertices[:, 1])
    points, corners = cut_to(r < DISC_MM, vertices, faces)
    blade = (points[:, 0] > 0) & (np.abs(points[:, 1]) < 2) & (np.hypot(points[:, 0], points[:, 1]) > 49.2)
    standing = points.copy()
    standing[blade, 2] = 8.0
    result = close_scan(standing, corners, base_extra_mm=EXTRA_MM)
    assert (result.rung, judge(result.vertices, result.faces).faults()) == ("direct", {})
    assert result.evidence["blades_cut"] > 0
    assert result.facts["vertices_left_out"] == blade.sum()
    assert result.vertices[:, 2].max() == 0.0
    assert thinnest_mm(result.vertices, result.faces) > 0.99 * EXTRA_MM
    bowl = points.copy()
    bowl[:, 2] = np.maximum(0.0, np.hypot(points[:, 0], points[:, 1]) - 40) * 3
    result = close_scan(bowl, corners, base_extra_mm=EXTRA_MM)
    assert "blades_cut" not in result.evidence
    assert result.facts["vertices_left_out"] == 0
    assert (result.rung, result.facts["bodies"]) == ("direct", 1)
    assert result.vertices[:, 2].min() == pytest.approx(-EXTRA_MM)


def test_where_blades_are_all_there_is_none_is_cut(monkeypatch: pytest.MonkeyPatch) -> None:
    """Three hundred slivers standing in a row, each a small share: cut, they would leave nothing to close."""
    one = np.array([[0, 0.2, 0], [1, 0.2, 0], [1, 0, -2], [0, 0, -2]], float)
    vertices = np.concatenate([one + np.array([1.5 * k, 0, 0]) for k in range(300)])
    pair = np.array([[0, 1, 2], [0, 2, 3]])
    faces = np.concatenate([pair + 4 * k for k in range(300)])
    frame = replace(base_frame(vertices, [np.arange(4)], np.array([0.0, 0.0, -1.0]), 1.0), straight=True)
    rims = [vertices, vertices * [1, 1, 0] - [0, 0.1, 0], vertices * [1, 1, 0] + [0, 0.1, 0]]
    monkeypatch.setattr(blading, "MOST_SHARE", 1.0)
    assert any(blading.blades(vertices, faces, rim, frame).any() for rim in rims), "they count as blades"
    monkeypatch.undo()
    assert not any(blading.blades(vertices, faces, rim, frame).any() for rim in rims)
