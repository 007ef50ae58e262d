from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from fettlebox_steps.geometry.loops import classify
from fettlebox_steps.geometry.topology import boundary_loops


def without(shape, *caps: tuple[list[float], float]):
    """The shape without the faces beyond some planes (outward normal, height)."""
    middle = shape.vertices[shape.faces].mean(axis=1)
    keep = np.ones(len(middle), bool)
    for normal, height in caps:
        keep &= middle @ np.array(normal) < height
    return shape.faces[keep]


def test_the_neck_is_the_opening_and_its_area_is_that_of_the_cut(sphere: Callable) -> None:
    # circle of a plane at height d through a sphere: radius √(R² − d²)
    ball = sphere(50.0, 6)
    faces = without(ball, ([0, 0, -1], 30.0), ([0, 0.6, 0.8], 49.0), ([1, 0, 0], 49.5))
    rims = classify(ball.vertices, faces, boundary_loops(faces, len(ball.vertices)))
    assert (len(rims.openings), len(rims.holes), len(rims.aside)) == (1, 2, 0)
    assert rims.area_mm2 == pytest.approx(np.pi * (50**2 - 30**2), rel=0.02)
    assert rims.outward @ [0, 0, -1] > 0.9999


def test_a_long_slit_is_no_opening(sphere: Callable) -> None:
    ball = sphere(50.0, 6)
    middle = ball.vertices[ball.faces].mean(axis=1)
    slit = (np.abs(middle[:, 1]) < 0.8) & (middle[:, 0] > 0) & (np.abs(middle[:, 2]) < 38)
    faces = ball.faces[~slit & (middle[:, 2] > -48.5)]
    loops = boundary_loops(faces, len(ball.vertices))
    rims = classify(ball.vertices, faces, loops)
    assert sorted(len(loop) for loop in loops)[1] > 100
    assert rims.openings == []
    assert len(rims.holes) == 2


def test_two_feet_stand_on_one_base_and_an_arm_does_not(sphere: Callable) -> None:
    ball = sphere(50.0, 5)
    feet = ([0.55, 0, -0.835], 44.0), ([-0.55, 0, -0.835], 44.0)
    faces = without(ball, *feet, ([0, 1, 0], 45.5))
    rims = classify(ball.vertices, faces, boundary_loops(faces, len(ball.vertices)))
    assert (len(rims.openings), len(rims.aside), len(rims.holes)) == (2, 1, 1)
    assert ball.vertices[rims.aside[0]][:, 1].min() > 40
    assert rims.outward @ [0, 0, -1] > 0.999


def test_the_largest_piece_leads(sphere: Callable) -> None:
    ball = sphere(50.0, 4)
    body = without(ball, ([0, 0, -1], 45.0))
    sheet = ball.faces[(ball.vertices[ball.faces].mean(axis=1) @ [0.0, 1, 0]) > 20]
    vertices = np.concatenate([ball.vertices, ball.vertices * 1.2])
    faces = np.concatenate([body, sheet + len(ball.vertices)])
    rims = classify(vertices, faces, boundary_loops(faces, len(vertices)))
    assert rims.outward @ [0, 0, -1] > 0.999
    assert len(rims.holes) == 1
    assert not rims.aside


def test_a_closed_surface_has_no_rims(sphere: Callable) -> None:
    ball = sphere(50.0, 2)
    rims = classify(ball.vertices, ball.faces, [])
    assert (rims.openings, rims.holes, rims.area_mm2) == ([], [], 0.0)


def test_a_rim_around_nothing_is_a_hole_and_no_opening() -> None:
    # Three corners on one line: a triangle, and a rim, that enclose no area and have no way out.
    line = np.array([[0, 0, 0], [1, 0, 0], [2, 0, 0]], float)
    faces = np.array([[0, 1, 2]])
    with np.errstate(all="raise"):
        rims = classify(line, faces, boundary_loops(faces, len(line)))
    assert rims.openings == []
    assert len(rims.holes) == 1
