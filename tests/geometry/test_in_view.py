"""What a viewer does not see of a scan. Judge: areas of unions, by shapely."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from fettlebox_steps.geometry.in_view import lie_over, out_of_view, places_for_bared


def sheet(step_mm: float) -> tuple[np.ndarray, np.ndarray]:
    """A flat square of 100 mm in triangles, clockwise for somebody below who looks up."""
    at = np.arange(-50, 50 + step_mm, step_mm)
    x, y = np.meshgrid(at, at, indexing="ij")
    corner = np.arange(x.size).reshape(x.shape)
    a, b, c, d = corner[:-1, :-1], corner[1:, :-1], corner[1:, 1:], corner[:-1, 1:]
    faces = np.concatenate([np.stack([a, c, b], -1).reshape(-1, 3), np.stack([a, d, c], -1).reshape(-1, 3)])
    return np.c_[x.ravel(), y.ravel(), np.zeros(x.size)], faces


def seen_by_nobody_twice(flat: np.ndarray, faces: np.ndarray) -> bool:
    """Whether the plan of the faces has as much area as their union."""
    plans = shapely.polygons(flat[faces][:, [0, 1, 2, 0], :2])
    return bool(shapely.area(plans).sum() == pytest.approx(shapely.union_all(plans).area, rel=1e-9))


def stepped(overlap_mm: float) -> tuple[np.ndarray, np.ndarray]:
    """Two squares of which halves are left, one before the other, which it hides by so much."""
    vertices, faces = sheet(2.0)
    near, far = vertices + np.array([0, 0, 10.0]), vertices + np.array([1e-3, 1e-3, 30.0])
    near_faces = faces[(near[faces, 0] <= 0.5 * overlap_mm).all(axis=1)]
    far_faces = faces[(far[faces, 0] >= -0.5 * overlap_mm).all(axis=1)]
    together = np.concatenate([near_faces, far_faces + len(vertices)])
    return np.concatenate([near, far]), together


def test_of_what_lies_over_one_another_the_further_is_cut_and_no_more_than_that() -> None:
    flat, faces = stepped(4.0)
    cut = out_of_view(flat, faces, np.zeros(len(faces), bool))
    assert cut is not None
    assert seen_by_nobody_twice(flat, faces[~cut])
    assert not seen_by_nobody_twice(flat, faces)
    near = np.unique(faces[flat[faces[:, 0], 2] == 10.0])
    assert np.isin(near, faces[~cut]).all()
    # the strip of 4 mm that is hidden, and the row of triangles at its border that is hidden in part
    assert -2.0 <= flat[faces[cut], 0].min() < flat[faces[cut], 0].max() < 2.0 + 2 * 2.0


def test_a_sheet_is_left_alone_and_what_hides_itself_by_much_is_none() -> None:
    vertices, faces = sheet(2.0)
    cut = out_of_view(vertices, faces, np.zeros(len(faces), bool))
    assert cut is not None and not cut.any()
    flat, faces = stepped(60.0)
    assert out_of_view(flat, faces, np.zeros(len(faces), bool)) is None
    assert out_of_view(flat, faces[:, ::-1], np.zeros(len(faces), bool)) is None  # looks away


def test_grain_turns_faces_round_on_a_slope_seen_on_edge_and_those_are_cut() -> None:
    vertices, faces = sheet(2.0)
    rng = np.random.default_rng(4711)
    flat = vertices + rng.normal(size=vertices.shape) * [0.35, 0.35, 0.0]
    cut = out_of_view(flat, faces, np.zeros(len(faces), bool))
    assert cut is not None and cut.any()
    assert seen_by_nobody_twice(flat, faces[~cut])


def test_vertices_that_lose_their_faces_get_a_place_where_they_are_or_just_beside_what_hides_them() -> None:
    flat, faces = stepped(4.0)
    cut = np.zeros(len(faces), bool)
    far = flat[faces[:, 0], 2] == 30.0
    cut[far & (flat[faces, 0] < 3.0).any(axis=1)] = True
    bared, places = places_for_bared(flat, faces, cut)
    stays = (places == flat[bared]).all(axis=1)
    assert stays.any() and not stays.all()
    assert not lie_over(flat, faces[~cut], places[:, :2]).any()
    np.testing.assert_array_equal(places[:, 2], 30.0)
    moved = np.linalg.norm(places[~stays] - flat[bared[~stays]], axis=1)
    assert moved.max() < 0.4 * 2.0 * np.sqrt(2)


def test_a_few_huge_triangles_among_many_small_ones_take_no_memory() -> None:
    vertices, faces = sheet(2.0)
    huge = np.array([[-1e9, -1e9, 50.0], [1e9, -1e9, 50.0], [0.0, 1e9, 50.0]])
    points = np.concatenate([vertices, np.tile(huge, (200, 1)) + np.arange(600)[:, None]])
    more = np.arange(600).reshape(-1, 3)[:, ::-1] + len(vertices)
    assert out_of_view(points, np.concatenate([faces, more]), np.zeros(len(faces) + 200, bool)) is None
