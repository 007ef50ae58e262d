"""Areas, volumes, centroids, pieces and bends against closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest
import trimesh
from fettlebox_steps.geometry.measures import (
    area_vectors,
    bending_widths,
    edges_by_use,
    is_closed,
    main_pieces,
    surface_centroid,
    volume_and_centroid,
)


def _box(*size: float) -> tuple[np.ndarray, np.ndarray]:
    box = trimesh.creation.box(size)
    return np.asarray(box.vertices), np.asarray(box.faces)


def test_prism_volume_and_centroid_far_from_the_origin() -> None:
    vertices, faces = _box(10.0, 20.0, 30.0)
    volume, centre = volume_and_centroid(vertices + np.array([1e6, -2e6, 3e6]), faces)
    assert volume == pytest.approx(6000.0, rel=1e-9)
    assert centre == pytest.approx([1e6, -2e6, 3e6], abs=1e-6)


def test_pyramid_centroid_is_a_quarter_up() -> None:
    """CRC Standard Mathematical Tables: pyramid, volume A·h/3, centroid h/4 above its base."""
    corners = np.array([[0.0, 0, 0], [6, 0, 0], [6, 8, 0], [0, 8, 0], [1, 7, 12]])
    faces = np.array([[0, 2, 1], [0, 3, 2], [0, 1, 4], [1, 2, 4], [2, 3, 4], [3, 0, 4]])
    volume, centre = volume_and_centroid(corners, faces)
    assert volume == pytest.approx(48 * 12 / 3)
    assert centre == pytest.approx([3 + (1 - 3) / 4, 4 + (7 - 4) / 4, 3.0])


def test_a_closed_surface_has_no_vector_area_and_an_open_one_has_that_of_its_gap() -> None:
    vertices, faces = _box(10.0, 20.0, 30.0)
    assert is_closed(faces)
    assert np.abs(area_vectors(vertices, faces).sum(axis=0)).max() < 1e-12
    lid = (vertices[faces][:, :, 2] == 15.0).all(axis=1)
    assert not is_closed(faces[~lid])
    assert area_vectors(vertices, faces[~lid]).sum(axis=0) == pytest.approx([0, 0, -200.0])


def test_centroid_of_a_hemispherical_sheet_is_half_way_up() -> None:
    """Archimedes: zones of a sphere have area in proportion to their height."""
    ball = trimesh.creation.icosphere(5, radius=10.0)
    vertices, faces = np.asarray(ball.vertices), np.asarray(ball.faces)
    upper = faces[vertices[faces].mean(axis=1)[:, 2] > 0.0]
    assert surface_centroid(vertices, upper)[2] == pytest.approx(5.0, abs=0.1)


def test_small_pieces_are_left_out_and_doubled_vertices_joined() -> None:
    vertices, faces = _box(10.0, 10.0, 10.0)
    loose = vertices[faces].reshape(-1, 3)  # every triangle with corners of its own
    speck = np.array([[500.0, 0, 0], [500.5, 0, 0], [500, 0.5, 0]])
    soup = np.arange(len(loose) + 3, dtype=np.int32).reshape(-1, 3)
    kept_vertices, kept_faces = main_pieces(np.concatenate([loose, speck]), soup)
    assert len(kept_vertices) == 8 and len(kept_faces) == 12
    assert is_closed(kept_faces)


def test_a_closed_surface_with_a_triangle_in_line_stays_closed() -> None:
    """A side of a box ends at the middle of a longer one: a triangle without area joins the two, as CAD
    programs write it. By the box, 2 x 4 x 6 = 48, with its middle in the middle."""
    vertices, faces = _box(2.0, 4.0, 6.0)
    a, b, c = faces[0]
    middle = len(vertices)
    joint = np.vstack([vertices, (vertices[a] + vertices[b]) / 2])
    filled = np.vstack([faces[1:], [[a, middle, c], [middle, b, c], [a, b, middle]]])
    places, kept = main_pieces(joint, filled)
    assert is_closed(filled) and is_closed(kept) and len(kept) == 14
    assert volume_and_centroid(places, kept)[0] == pytest.approx(48.0)
    twice = np.vstack([filled, [[a, a, c]]])
    assert len(main_pieces(joint, twice)[1]) == 14


def test_what_has_no_area_at_all_is_no_piece() -> None:
    line = np.array([[0.0, 0, 0], [1, 0, 0], [2, 0, 0]])
    assert len(main_pieces(line, np.array([[0, 1, 2]], dtype=np.int32))[1]) == 0


@pytest.mark.parametrize("radius", [1.0, 25.0])
def test_a_cylinder_bends_like_a_stroke_of_its_diameter(radius: float) -> None:
    tube = trimesh.creation.cylinder(radius, 10 * radius, sections=96)
    width = bending_widths(np.asarray(tube.vertices), np.asarray(tube.faces), (0.3,))[0]
    # Only edges along the axis bend, and they speak for half of the triangles between them.
    assert width == pytest.approx(2 * radius, rel=0.35)


def test_a_flat_sheet_does_not_bend() -> None:
    grid = trimesh.creation.box((10, 10, 0.0)).subdivide()
    flat = np.asarray(grid.vertices)[:, :2]
    from scipy.spatial import Delaunay

    corners = np.unique(np.round(flat, 9), axis=0)
    sheet = np.column_stack([corners, np.zeros(len(corners))])
    assert math.isinf(bending_widths(sheet, Delaunay(corners).simplices, (0.05,))[0])


def test_edges_and_how_many_faces_use_them_are_those_that_trimesh_counts() -> None:
    ball = trimesh.creation.icosphere(3)
    faces = np.asarray(ball.faces)[:-7]
    ends = np.sort(trimesh.geometry.faces_to_edges(faces), axis=1)
    pairs, counts = np.unique(ends, axis=0, return_counts=True)
    found, uses = edges_by_use(faces)
    assert np.array_equal(found, pairs) and np.array_equal(uses, counts)


def test_two_boxes_that_share_an_edge_are_not_closed_and_side_by_side_they_are() -> None:
    """Four faces at an edge: each directed edge has to be met by exactly one opposite one."""
    vertices, faces = _box(1.0, 1.0, 1.0)
    both = np.concatenate([vertices, vertices + np.array([1.0, 1.0, 0.0])])
    apart = np.concatenate([faces, faces + 8])
    assert is_closed(apart)
    assert not is_closed(np.unique(both, axis=0, return_inverse=True)[1].ravel()[apart])
