"""Crossings against exact whole-number arithmetic, pair by pair."""

from __future__ import annotations

from itertools import combinations

import numba
import numpy as np
import pytest
import shapely
import trimesh
from fettlebox_steps.geometry.crossings import crossing_faces, near_faces
from hypothesis import given, settings
from hypothesis import strategies as st

Point = tuple[int, int, int]


def _volume(a: Point, b: Point, c: Point, d: Point) -> int:
    u, v, w = ([p[k] - d[k] for k in range(3)] for p in (a, b, c))
    return (
        u[0] * (v[1] * w[2] - v[2] * w[1])
        + u[1] * (v[2] * w[0] - v[0] * w[2])
        + u[2] * (v[0] * w[1] - v[1] * w[0])
    )


def _sign(x: int) -> int:
    return (x > 0) - (x < 0)


def _pierces(p: Point, q: Point, t: list[Point]) -> bool:
    above, below = _sign(_volume(*t, p)), _sign(_volume(*t, q))
    if above * below >= 0:
        return False
    return abs(sum(_sign(_volume(p, q, t[k], t[k - 2])) for k in range(3))) == 3


def _exact(points: list[Point], faces: list[tuple[int, int, int]]) -> list[bool]:
    """Every pair of faces, in whole numbers of any size: nothing is rounded."""
    crossed = [False] * len(faces)
    for f, g in combinations(range(len(faces)), 2):
        if len(set(faces[f]) & set(faces[g])) > 1:
            continue
        for one, other in ((f, g), (g, f)):
            triangle = [points[v] for v in faces[other]]
            for k in range(3):
                if _pierces(points[faces[one][k]], points[faces[one][k - 2]], triangle):
                    crossed[f] = crossed[g] = True
    return crossed


coordinate = st.integers(-20, 20)
meshes = st.lists(st.tuples(coordinate, coordinate, coordinate), min_size=5, max_size=24).flatmap(
    lambda points: st.tuples(
        st.just(points),
        st.lists(
            st.permutations(range(len(points))).map(lambda order: tuple(order[:3])), min_size=1, max_size=40
        ),
    )
)


@given(meshes)
@settings(max_examples=100, deadline=None)
def test_agrees_with_exact_arithmetic_on_every_pair(
    mesh: tuple[list[Point], list[tuple[int, int, int]]],
) -> None:
    points, faces = mesh
    found = crossing_faces(np.array(points, float), np.array(faces))
    assert found.tolist() == _exact(points, faces)


@given(meshes, st.integers(0, 2**40))
@settings(max_examples=60, deadline=None)
def test_looking_at_some_faces_finds_their_partners_too(
    mesh: tuple[list[Point], list[tuple[int, int, int]]], bits: int
) -> None:
    points, faces = mesh
    only = np.array([bits >> k & 1 for k in range(len(faces))], bool)
    found = crossing_faces(np.array(points, float), np.array(faces), only)
    expected = np.zeros(len(faces), bool)
    for f, g in combinations(range(len(faces)), 2):
        if (only[f] or only[g]) and all(_exact(points, [faces[f], faces[g]])):
            expected[[f, g]] = True
    assert found.tolist() == expected.tolist()


@given(meshes, st.integers(0, 2**40))
@settings(max_examples=60, deadline=None)
def test_what_may_touch_some_faces_is_what_their_boxes_touch(
    mesh: tuple[list[Point], list[tuple[int, int, int]]], bits: int
) -> None:
    points, faces = np.array(mesh[0], float), np.array(mesh[1])
    only = np.array([bits >> k & 1 for k in range(len(faces))], bool)
    boxes = [shapely.box(*points[f, :2].min(axis=0), *points[f, :2].max(axis=0)) for f in faces]
    high, low = points[faces, 2].max(axis=1), points[faces, 2].min(axis=1)
    expected = [
        k
        for k, box in enumerate(boxes)
        if any(
            shapely.intersects(box, boxes[i]) and low[k] <= high[i] and low[i] <= high[k]
            for i in np.flatnonzero(only)
        )
    ]
    assert near_faces(points, faces, only).tolist() == expected


def test_a_flat_cap_crosses_nothing_wherever_it_lies() -> None:
    rng = np.random.default_rng(3)
    flat = np.c_[rng.random((60, 2)) * 80, np.zeros(60)]
    faces = np.array(list(combinations(range(60), 3)))[rng.integers(0, 34220, 1500)]
    turn = trimesh.transformations.random_rotation_matrix(rng.random(3))[:3, :3]
    for away_mm in (0.0, 1000.0):
        assert not crossing_faces(flat @ turn.T + away_mm, faces).any()


def test_faces_upon_one_another_are_found_as_shapely_finds_them() -> None:
    rng = np.random.default_rng(7)
    flat = np.c_[rng.integers(0, 9, (40, 2)), np.zeros(40)].astype(float)
    picked = np.array(list(combinations(range(40), 3)))[rng.integers(0, 9880, 60)]
    area = shapely.area(shapely.polygons(flat[picked][:, :, :2]))
    faces = picked[area > 0]
    shapes = shapely.polygons(flat[faces][:, :, :2])
    expected = np.zeros(len(faces), bool)
    for f, g in combinations(range(len(faces)), 2):
        if len(np.intersect1d(faces[f], faces[g])) < 2 and shapes[f].intersection(shapes[g]).area > 1e-9:
            expected[[f, g]] = True
    turn = trimesh.transformations.random_rotation_matrix(rng.random(3))[:3, :3]
    for points in (flat, flat @ turn.T + 10.0):
        assert crossing_faces(points, faces, upon_mm=1e-6).tolist() == expected.tolist()
        for f in range(len(faces) - 1):
            pair = faces[f : f + 2]
            both = np.intersect1d(*pair).size < 2 and shapes[f].intersection(shapes[f + 1]).area > 1e-9
            assert crossing_faces(points, pair, upon_mm=1e-6).tolist() == [both] * 2
    lifted = flat + np.array([0, 0, 1e-3])
    two = np.r_[flat, lifted] @ turn.T, np.r_[faces[:1], faces[:1] + 40]
    assert crossing_faces(*two, upon_mm=1e-2).all() and not crossing_faces(*two, upon_mm=1e-6).any()


def test_two_spheres_cross_where_they_meet_and_nowhere_else() -> None:
    ball = trimesh.creation.icosphere(4)
    vertices = np.r_[ball.vertices, ball.vertices + np.array([0.7, 0.1, 0.2])]
    faces = np.r_[ball.faces, ball.faces + len(ball.vertices)]
    assert not crossing_faces(ball.vertices, ball.faces).any()
    crossed = crossing_faces(vertices, faces)
    middle = vertices[faces].mean(axis=1)
    rims = np.c_[np.linalg.norm(middle, axis=1), np.linalg.norm(middle - [0.7, 0.1, 0.2], axis=1)]
    longest = float(ball.edges_unique_length.max())
    assert crossed.any()
    assert (np.abs(rims[crossed] - 1) < longest).all()


def test_same_answer_on_one_thread_and_inputs_untouched() -> None:
    rng = np.random.default_rng(5)
    vertices, faces = rng.random((300, 3)), rng.integers(0, 300, (900, 3))
    before = vertices.tobytes(), faces.tobytes()
    many = crossing_faces(vertices, faces)
    threads = numba.get_num_threads()
    numba.set_num_threads(1)
    try:
        one = crossing_faces(vertices, faces)
    finally:
        numba.set_num_threads(threads)
    assert many.tobytes() == one.tobytes()
    assert (vertices.tobytes(), faces.tobytes()) == before
    assert crossing_faces(vertices, faces[:0]).shape == (0,)


@pytest.mark.parametrize("half_gap", [1e-9, 1e-7, 4e-6])
def test_layers_that_meet_in_a_corner_lie_upon_each_other(half_gap: float) -> None:
    """Two triangles in one plane but for a hair, one upon the other, with a corner in common."""
    points = np.array(
        [[0, 0, 0], [10, 0, half_gap], [0, 10, half_gap], [10, 0, -half_gap], [0, 10, -half_gap]], np.float64
    )
    faces = np.array([[0, 1, 2], [0, 4, 3]], np.int64)
    assert crossing_faces(points, faces, upon_mm=1e-5).all()
