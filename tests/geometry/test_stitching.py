from __future__ import annotations

from collections.abc import Callable

import igl
import numpy as np
import pytest
import trimesh
from fettlebox.mesh import Part
from fettlebox.mesh.soundness import inspect
from fettlebox_steps.geometry.stitching import CLOSE_ENOUGH, REACH, stitch
from numpy.typing import NDArray


def distance(points: NDArray[np.float64], vertices: NDArray[np.float64], faces: NDArray[np.int64]):
    squared, _, _ = igl.point_mesh_squared_distance(points, vertices, faces)
    return np.sqrt(squared)


def test_points_near_the_surface_become_vertices_of_it(sphere: Callable) -> None:
    ball = sphere(50.0, 4)
    rng = np.random.default_rng(5)
    way = rng.normal(size=(1500, 3))
    points = way / np.linalg.norm(way, axis=1)[:, None] * rng.normal(50, 0.4, (1500, 1))
    cell_mm = 3.0
    free = np.zeros(len(ball.vertices), bool)
    before = ball.vertices.tobytes(), ball.faces.tobytes(), points.tobytes()
    vertices, faces = stitch(ball.vertices, ball.faces, free, points, cell_mm)
    assert (ball.vertices.tobytes(), ball.faces.tobytes(), points.tobytes()) == before
    assert inspect(Part(vertices, faces)).reasons == ()
    assert (vertices[: len(ball.vertices)] == ball.vertices).all()
    added = {tuple(p) for p in vertices[len(ball.vertices) :].tolist()}
    assert added <= {tuple(p) for p in points.tolist()}
    was, now = distance(points, ball.vertices, ball.faces), distance(points, vertices, faces)
    assert np.percentile(now, 80) <= CLOSE_ENOUGH * cell_mm
    assert now.mean() < 0.2 * was.mean()
    mesh = trimesh.Trimesh(vertices, faces, process=False)
    assert mesh.euler_number == 2 and mesh.is_winding_consistent


def test_far_points_and_free_places_are_left_alone(sphere: Callable) -> None:
    ball = sphere(50.0, 3)
    far = np.array([[0, 0, 50 + 2 * REACH * 3.0], [0, 0, 0.0]])
    free = np.zeros(len(ball.vertices), bool)
    assert stitch(ball.vertices, ball.faces, free, far, 3.0)[1] is ball.faces
    near = ball.vertices[ball.faces].mean(axis=1) * 1.01
    assert stitch(ball.vertices, ball.faces, ~free, near, 3.0)[1] is ball.faces
    assert len(stitch(ball.vertices, ball.faces, free, near, 3.0)[1]) > 2 * len(ball.faces)


@pytest.mark.parametrize("seed", [0, 1, 2])
def test_points_that_would_make_it_cross_are_taken_back(sphere: Callable, seed: int) -> None:
    thin = sphere(50.0, 4)
    vertices = thin.vertices * [1, 1, 0.012]  # a lentil of 1.2 mm: points from one side reach the other
    rng = np.random.default_rng(seed)
    points = rng.uniform(-35, 35, (3000, 3)) * [1, 1, 0.05]
    done, faces = stitch(vertices, thin.faces, np.zeros(len(vertices), bool), points, 4.0)
    assert inspect(Part(done, faces)).crossing_faces == 0
    assert trimesh.Trimesh(done, faces, process=False).is_watertight
