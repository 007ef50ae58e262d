"""Points spread over a surface, and the surface's rim."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from fettlebox.mesh.surfaces import Surface, on_rim, spread


def test_samples_stand_for_equal_areas() -> None:
    mesh = trimesh.creation.box(extents=(10.0, 20.0, 40.0)).subdivide()
    faces = np.asarray(mesh.faces, np.int64)
    points, face, area = spread(np.asarray(mesh.vertices), faces, 5000)
    assert area == pytest.approx(2 * (10 * 20 + 20 * 40 + 40 * 10))
    expected = mesh.area_faces / area * 5000
    assert np.abs(np.bincount(face, minlength=len(faces)) - expected).max() <= 1.0
    assert points.mean(axis=0) == pytest.approx(mesh.centroid, abs=0.05)
    # Second moment of a triangle's area about its centroid: (a²+b²+c²)/36 (CRC, mensuration).
    one, _, _ = spread(np.array([[0.0, 0, 0], [3.0, 0, 0], [0, 4.0, 0]]), np.array([[0, 1, 2]]), 20000)
    assert ((one - one.mean(axis=0)) ** 2).sum(axis=1).mean() == pytest.approx((9 + 16 + 25) / 36, rel=1e-3)


def test_the_rim_of_a_square_is_its_outline() -> None:
    corners = np.array([[0.0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]])
    faces = np.array([[0, 1, 2], [0, 2, 3]], np.int32)
    points = np.array([[0.5, -3, 0], [2, 2, 0], [0.5, 0.5, 1], [0.25, 0.75, 1], [1.5, 0.5, 2]], float)
    expected = [True, True, False, False, True]
    square = Surface(corners, faces)
    _, hit, foot = square.nearest(points)
    assert on_rim(square, hit, foot).tolist() == expected
    # The same square as a file without shared corners: its diagonal is no rim.
    loose = corners[faces].reshape(-1, 3)
    square = Surface(loose, np.arange(6, dtype=np.int32).reshape(2, 3))
    _, hit, foot = square.nearest(points)
    assert on_rim(square, hit, foot).tolist() == expected
