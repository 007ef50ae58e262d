"""Which way faces should look, where the truth is known."""

from __future__ import annotations

import numpy as np
import trimesh
from fettlebox_steps.geometry.clean import welded
from fettlebox_steps.geometry.facing import turned_outward


def _outward_share(vertices: np.ndarray, faces: np.ndarray) -> float:
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    return float((np.einsum("ij,ij->i", np.cross(b - a, c - a), (a + b + c)) > 0).mean())


def test_faces_turned_at_random_look_outward_again() -> None:
    ball = trimesh.creation.icosphere(4, radius=20)
    faces = np.array(ball.faces)
    wrong = np.random.default_rng(0).random(len(faces)) < 0.45
    faces[wrong] = faces[wrong][:, ::-1]
    result, turned, pieces = turned_outward(np.array(ball.vertices), faces)
    assert _outward_share(ball.vertices, result) == 1
    assert turned == wrong.sum()
    assert pieces == 1


def test_an_inside_out_body_and_loose_triangles_are_turned() -> None:
    ball = trimesh.creation.icosphere(3, radius=20)
    result, turned, _ = turned_outward(np.array(ball.vertices), np.array(ball.faces)[:, ::-1])
    assert _outward_share(ball.vertices, result) == 1
    assert turned == len(ball.faces)
    corners = ball.triangles * 0.98 + 0.02 * ball.triangles_center[:, None]
    soup = np.arange(3 * len(corners)).reshape(-1, 3)
    soup[::2] = soup[::2, ::-1]
    result, turned, pieces = turned_outward(corners.reshape(-1, 3), soup)
    assert pieces == len(corners)
    assert _outward_share(corners.reshape(-1, 3), result) > 0.99


def test_a_flat_sheet_keeps_its_side() -> None:
    sheet = trimesh.creation.box((10, 10, 1)).vertices[[0, 2, 4, 6]] * [1, 1, 0]
    faces = np.array([[0, 2, 1], [1, 2, 3]])
    result, turned, _ = turned_outward(sheet, faces)
    assert turned == 0
    assert np.array_equal(result, faces)


def test_welding_joins_equal_places_and_drops_what_has_no_area() -> None:
    ball = trimesh.creation.icosphere(2)
    soup = ball.triangles.reshape(-1, 3)
    faces = np.r_[np.arange(len(soup)).reshape(-1, 3), [[0, 0, 1]], [[0, 3, 0]]]
    vertices, joined = welded(soup, faces)
    assert len(vertices) == len(ball.vertices)
    assert trimesh.Trimesh(vertices, joined, process=False).is_watertight
