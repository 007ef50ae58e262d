"""Distances against a sphere, against two libraries, and on triangles without an area."""

from __future__ import annotations

import igl
import numba
import numpy as np
import pytest
import trimesh
import vtk
from fettlebox_steps.geometry.distance import closest_distance
from numpy.typing import NDArray
from vtk.util.numpy_support import numpy_to_vtk


def test_distance_to_a_sphere_is_the_difference_of_radii() -> None:
    """Exact up to the sagitta of the facets: r (1 - cos(half the angle of the longest edge))."""
    ball = trimesh.creation.icosphere(5, radius=10.0)
    points = np.random.default_rng(0).normal(size=(2000, 3)) * 9
    sagitta = 10 * (1 - np.cos(ball.edges_unique_length.max() / 10 / np.sqrt(3)))
    wrong = closest_distance(points, ball.vertices, ball.faces) - np.abs(np.linalg.norm(points, axis=1) - 10)
    assert np.abs(wrong).max() <= sagitta + 1e-9


@pytest.mark.parametrize("faces", [1, 8, 9, 400])
def test_two_libraries_agree(faces: int) -> None:
    rng = np.random.default_rng(faces)
    soup = rng.normal(size=(faces, 1, 3)) * 3 + rng.normal(size=(faces, 3, 3))
    vertices, corners = soup.reshape(-1, 3), np.arange(3 * faces).reshape(-1, 3)
    points = np.r_[rng.normal(size=(600, 3)) * 5, vertices[:5], soup.mean(axis=1)[:5]]
    found = closest_distance(points, vertices, corners)
    tree = igl.AABB()
    tree.init(vertices, corners)
    by_igl = np.sqrt(np.maximum(tree.squared_distance(vertices, corners, points)[0], 0))
    assert np.abs(found - by_igl.ravel()).max() < 1e-6
    assert np.abs(found - _by_vtk(points, vertices)).max() < 1e-5


def _by_vtk(points: NDArray[np.float64], vertices: NDArray[np.float64]) -> NDArray[np.float64]:
    soup = vtk.vtkPolyData()
    soup.SetPoints(vtk.vtkPoints())
    soup.GetPoints().SetDataTypeToDouble()
    soup.GetPoints().SetData(numpy_to_vtk(vertices, deep=True))
    soup.Allocate(len(vertices) // 3)
    for k in range(0, len(vertices), 3):
        soup.InsertNextCell(vtk.VTK_TRIANGLE, 3, (k, k + 1, k + 2))
    locator = vtk.vtkStaticCellLocator()
    locator.SetDataSet(soup)
    locator.BuildLocator()
    distances = []
    for point in points:
        cell, part, squared = vtk.mutable(0), vtk.mutable(0), vtk.mutable(0.0)
        locator.FindClosestPoint(point, [0.0] * 3, cell, part, squared)
        distances.append(float(squared) ** 0.5)
    return np.array(distances)


def test_triangles_without_area_still_have_a_place() -> None:
    needle = np.array([[0, 0, 0], [4, 0, 0], [2, 0, 0], [7, 7, 7]], float)
    points = [[2, 3, 0], [-3, 4, 0], [7, 7, 8]]
    assert np.allclose(closest_distance(points, needle, [[0, 1, 2]])[:2], [3, 5])
    assert np.allclose(closest_distance(points, needle, [[3, 3, 3]])[2], 1)


def test_same_bytes_on_one_thread_and_no_mesh_is_an_error() -> None:
    ball = trimesh.creation.icosphere(3)
    points = np.random.default_rng(1).normal(size=(5000, 3))
    many = closest_distance(points, ball.vertices, ball.faces)
    threads = numba.get_num_threads()
    numba.set_num_threads(1)
    try:
        one = closest_distance(points, ball.vertices, ball.faces)
    finally:
        numba.set_num_threads(threads)
    assert many.tobytes() == one.tobytes()
    with pytest.raises(ValueError, match="without faces"):
        closest_distance(points, ball.vertices, np.zeros((0, 3), int))
