from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
import trimesh
from fettlebox_steps.geometry.crossings import crossing_faces
from fettlebox_steps.geometry.holes import LONGEST_RIM, divide, fill
from fettlebox_steps.geometry.topology import boundary_loops, compact


def open_at(shape, places: list[tuple[list[float], float]]):
    """The shape without the faces within some distance of some points; whole rims only."""
    middle = shape.vertices[shape.faces].mean(axis=1)
    keep = np.ones(len(middle), bool)
    for place, radius in places:
        keep &= np.linalg.norm(middle - np.array(place), axis=1) > radius
    return compact(shape.vertices, shape.faces[keep])[:2]


def test_holes_in_a_ball_are_closed_with_little_loss(sphere: Callable) -> None:
    ball = sphere(50.0, 5)
    places = [([50, 0, 0], 8.0), ([0, 50, 0], 5.0), ([0, 0, -50], 11.0)]
    vertices, faces = open_at(ball, places)
    loops = boundary_loops(faces, len(vertices))
    filled = fill(vertices, faces, loops)
    assert (len(loops), filled.unfilled) == (3, [])
    np.testing.assert_array_equal(filled.vertices[: len(vertices)], vertices)
    np.testing.assert_array_equal(filled.faces[: len(faces)], faces)
    assert np.unique(filled.patch).tolist() == [-1, 0, 1, 2]
    mesh = trimesh.Trimesh(filled.vertices, filled.faces, process=False)
    assert mesh.is_watertight and mesh.is_winding_consistent and mesh.euler_number == 2
    assert not crossing_faces(filled.vertices, filled.faces).any()
    # a taut patch lies between the cap's chord plane and the ball: at most the caps are lost,
    # CRC Standard Mathematical Tables: cap π·h²·(3r − h)/3 with h = s²/2r for a chord s
    caps = sum(np.pi * h**2 * (150 - h) / 3 for h in ((r + 1.5) ** 2 / 100 for _, r in places))
    assert ball.volume_mm3 - caps < mesh.volume < ball.volume_mm3


def test_a_hole_around_an_edge_is_filled_around_the_edge() -> None:
    # the taut patch across a corner of a box turns the corner rather than cut it off flat
    box = trimesh.creation.box([20, 20, 20]).subdivide().subdivide().subdivide().subdivide()
    middle = np.asarray(box.triangles_center)
    keep = np.linalg.norm(middle - [10, 10, 0], axis=1) > 3
    vertices, faces = np.asarray(box.vertices), np.asarray(box.faces, np.int64)[keep]
    filled = fill(vertices, faces, boundary_loops(faces, len(vertices)))
    mesh = trimesh.Trimesh(filled.vertices, filled.faces, process=False)
    assert mesh.is_watertight
    assert mesh.volume == pytest.approx(8000, rel=5e-3)


def test_a_long_rim_is_divided_and_still_closed(sphere: Callable) -> None:
    ball = sphere(50.0, 6)
    angle = np.arctan2(ball.vertices[:, 1], ball.vertices[:, 0])
    level = -5 + 3 * np.sin(9 * angle)
    low = (ball.vertices[:, 2] < level)[ball.faces].any(axis=1)
    vertices, faces, _ = compact(ball.vertices, ball.faces[~low])
    (loop,) = boundary_loops(faces, len(vertices))
    assert len(loop) > LONGEST_RIM
    parts = divide(vertices[loop], loop)
    assert max(map(len, parts)) <= LONGEST_RIM
    assert sum(len(p) - 2 for p in parts) == len(loop) - 2
    filled = fill(vertices, faces, [loop])
    mesh = trimesh.Trimesh(filled.vertices, filled.faces, process=False)
    assert mesh.is_watertight and mesh.euler_number == 2
    # between the caps that end where the rim is highest and lowest; CRC: cap π·h²·(3r − h)/3
    least, most = (np.pi * h**2 * (150 - h) / 3 for h in (50 + 2, 50 + 8 + 1.5))
    assert least < mesh.volume < most


def test_a_hole_that_only_existing_edges_could_close_is_left_alone() -> None:
    # a ring of four triangles pinched so that both diagonals of the square hole exist already
    corners = np.array([[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0], [0.5, 0.5, 3], [0.5, 0.5, -3.0]])
    faces = np.array([[0, 2, 4], [1, 3, 5]])
    filled = fill(corners, faces, [np.array([3, 2, 1, 0])])
    assert filled.unfilled == [0]
    assert len(filled.faces) == 2
