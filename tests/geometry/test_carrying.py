from __future__ import annotations

import igl
import numpy as np
import pytest
from fettlebox_steps.geometry.carrying import left_out, nearest_values, unmoved_faces, unmoved_share


def test_kept_points_keep_their_value_and_new_ones_take_the_nearest() -> None:
    rng = np.random.default_rng(2)
    old = rng.normal(size=(200, 3))
    colours = rng.integers(0, 255, (200, 4)).astype(np.uint8)
    new = np.concatenate([old[50:], old[:1] + 1e-6, [[100.0, 0, 0]]])
    carried = nearest_values(old, colours, new)
    np.testing.assert_array_equal(carried[:150], colours[50:])
    np.testing.assert_array_equal(carried[150], colours[0])
    np.testing.assert_array_equal(carried[151], colours[old[:, 0].argmax()])
    assert carried.dtype == np.uint8


def test_a_face_counts_as_unmoved_only_bit_for_bit() -> None:
    points = np.random.default_rng(3).normal(size=(6, 3))
    faces = np.array([[0, 1, 2], [1, 2, 3], [3, 4, 5], [0, 4, 5]])
    shuffled = points[::-1].copy()
    assert unmoved_share(points, faces, shuffled, 5 - faces[:, [1, 2, 0]]) == 1.0
    shuffled[0, 0] = np.nextafter(shuffled[0, 0], 9)
    assert unmoved_share(points, faces, shuffled, 5 - faces) == 0.5
    assert unmoved_share(points, faces[:0], points, faces) == 0.0
    assert unmoved_share(np.zeros((3, 3)), faces[:1], -np.zeros((3, 3)), faces[:1]) == 1.0


def test_faces_are_found_whichever_surface_is_asked() -> None:
    points = np.random.default_rng(4).normal(size=(6, 3))
    faces = np.array([[0, 1, 2], [1, 2, 3], [3, 4, 5]])
    assert unmoved_faces(points, faces, points, faces[1:]).tolist() == [False, True, True]
    assert unmoved_faces(points, faces[1:], points, faces).tolist() == [True, True]
    assert unmoved_faces(points, faces, points + 1, faces).tolist() == [False] * 3


def test_what_is_left_out_is_what_is_further_off_by_libigls_distance() -> None:
    rng = np.random.default_rng(5)
    vertices = rng.normal(size=(40, 3))
    faces = rng.permutation(40)[:39].reshape(-1, 3)
    points = np.concatenate([vertices[np.unique(faces)], rng.normal(size=(200, 3))])
    count, furthest_mm = left_out(points, vertices, faces, 0.3)
    away = np.sqrt(igl.point_mesh_squared_distance(points, vertices, faces.astype(np.int64))[0])
    assert count == (away > 0.3).sum() > 0
    assert furthest_mm == pytest.approx(away.max())
    assert left_out(vertices[np.unique(faces)], vertices, faces, 0.0) == (0, 0.0)
