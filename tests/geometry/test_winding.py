"""Winding numbers against the law of closed surfaces and against sums without any tree."""

from __future__ import annotations

import igl
import numba
import numpy as np
import pytest
import trimesh
from fettlebox_steps.geometry.winding import QUICK, WindingTree


def test_one_inside_and_nought_outside_a_closed_surface() -> None:
    """A. Jacobson et al., "Robust inside-outside segmentation using generalized winding numbers", 2013."""
    ring = trimesh.creation.torus(5.0, 2.0, major_sections=60, minor_sections=30)
    points = np.random.default_rng(1).uniform(-8, 8, (4000, 3))
    away = np.hypot(np.hypot(points[:, 0], points[:, 1]) - 5.0, points[:, 2])
    points, away = points[np.abs(away - 2) > 0.05], away[np.abs(away - 2) > 0.05]
    winding = WindingTree.of(ring.vertices, ring.faces).at(points)
    assert np.abs(winding - (away < 2)).max() < 2e-2
    assert np.abs(winding - (away < 2)).mean() < 1e-3


@pytest.mark.parametrize("faces", [1, 7, 8, 9, 500])
def test_any_soup_agrees_with_the_plain_sum_of_solid_angles(faces: int) -> None:
    """Against igl.winding_number, which adds up every triangle."""
    rng = np.random.default_rng(faces)
    soup = rng.normal(size=(faces, 1, 3)) * 3 + rng.normal(size=(faces, 3, 3)) * rng.uniform(0.05, 1)
    vertices, corners = soup.reshape(-1, 3), np.arange(3 * faces).reshape(-1, 3)
    points = rng.normal(size=(500, 3)) * 4
    exact = igl.winding_number(vertices, corners, points)
    tree = WindingTree.of(vertices, corners)
    assert np.abs(tree.at(points) - exact).max() < 1e-2
    assert np.abs(tree.at(points) - exact).mean() < 1e-3
    assert np.abs(tree.at(points, reach=1e6) - exact).max() < 1e-6


def test_a_quick_answer_on_a_scan_is_good_enough_to_tell_the_sides(face_scan: object) -> None:
    scan = trimesh.load(face_scan, process=False)
    rng = np.random.default_rng(2)
    normals = scan.face_normals[::400]
    points = scan.triangles_center[::400] + normals * rng.uniform(-2, 2, (len(normals), 1))
    exact = igl.winding_number(np.asarray(scan.vertices, float), np.asarray(scan.faces, np.int64), points)
    tree = WindingTree.of(scan.vertices, scan.faces)
    assert np.abs(tree.at(points) - exact).max() < 5e-3
    assert np.abs(tree.at(points, QUICK) - exact).max() < 0.05


def test_long_triangles_count_as_what_they_are() -> None:
    box = trimesh.creation.box((100, 1, 1))
    dense = trimesh.creation.icosphere(4, radius=0.2)
    vertices = np.r_[box.vertices, dense.vertices]
    faces = np.r_[box.faces, dense.faces + 8]
    winding = WindingTree.of(vertices, faces).at([[0, 0, 0], [40, 0, 0], [40, 0.6, 0], [0, 0.3, 0]])
    assert np.allclose(winding, [2, 1, 0, 1], atol=5e-3)


def test_same_bytes_on_one_thread() -> None:
    ball = trimesh.creation.icosphere(4)
    points = np.random.default_rng(4).normal(size=(3000, 3))
    many = WindingTree.of(ball.vertices, ball.faces).at(points)
    threads = numba.get_num_threads()
    numba.set_num_threads(1)
    try:
        one = WindingTree.of(ball.vertices, ball.faces).at(points)
    finally:
        numba.set_num_threads(threads)
    assert many.tobytes() == one.tobytes()


def test_no_triangles_is_an_error() -> None:
    with pytest.raises(ValueError, match="at least one triangle"):
        WindingTree.of(np.zeros((3, 3)), np.zeros((0, 3), int))
