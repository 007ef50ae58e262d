"""The depth buffer meets what rays meet: held against Embree, and against shapes whose depth is known."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import trimesh
from embreex.mesh_construction import TriangleMesh
from embreex.rtcore_scene import EmbreeScene
from fettlebox.mesh import Part, read_scan
from fettlebox.pictures import FRONT_VIEW, THREE_QUARTER, THREE_VIEWS, Stage
from fettlebox.pictures.raster import rasterise, shares
from numpy.typing import NDArray

ROWS, COLUMNS = 90, 110
Mesh = tuple[NDArray[np.float64], NDArray[np.int32]]


def by_embree(points: NDArray[np.float64], faces: NDArray[np.int32]) -> tuple[Any, Any]:
    """Face and depth at every ray, by an independent caster of rays. https://www.embree.org"""
    scene = EmbreeScene(robust=True)
    TriangleMesh(scene, points.astype(np.float32), faces)
    across, down = np.meshgrid(np.arange(COLUMNS), np.arange(ROWS))
    start = np.stack([across, down, np.full_like(across, points[:, 2].min() - 1.0)], axis=-1)
    start = start.reshape(-1, 3).astype(np.float32)
    met = scene.run(start, np.tile(np.float32([0, 0, 1]), (len(start), 1)), output=True)
    return met["primID"].reshape(ROWS, COLUMNS), (met["tfar"] + start[:, 2]).reshape(ROWS, COLUMNS)


@pytest.fixture
def real_scan(face_scan: Path) -> Mesh:
    part = read_scan(face_scan).part
    low, high = part.bounds
    return (part.vertices - low) * 85.0 / (high - low).max() + 2.3, np.array(part.faces)


@pytest.fixture
def soup() -> Mesh:
    chance = np.random.default_rng(3)
    points = chance.uniform([-20, -20, 0], [COLUMNS + 20, ROWS + 20, 50], (900, 3))
    return points, np.arange(900, dtype=np.int32).reshape(-1, 3)


@pytest.mark.parametrize("shape", ["real_scan", "soup"])
def test_each_ray_meets_the_triangle_that_embree_meets_as_deep(
    shape: str, request: pytest.FixtureRequest
) -> None:
    points, faces = request.getfixturevalue(shape)
    face, depth = rasterise(points, faces, ROWS, COLUMNS, False)
    second, third = shares(points, faces, face)
    theirs, deep = by_embree(points, faces)
    hit = (face >= 0) & (theirs >= 0)
    assert hit.sum() > 2000
    assert ((face >= 0) != (theirs >= 0)).sum() <= 2, "only a ray along a rim may be judged otherwise"
    same = face == theirs
    assert same[hit].mean() > 0.999
    np.testing.assert_allclose(depth[hit & same], deep[hit & same], atol=1e-3)
    corners = points[faces[face[hit]]]
    v, w = second[hit][:, None], third[hit][:, None]
    where = corners[:, 0] * (1 - v - w) + corners[:, 1] * v + corners[:, 2] * w
    rows, columns = np.nonzero(hit)
    np.testing.assert_allclose(where[:, :2], np.stack([columns, rows], axis=1), atol=1e-4)


def test_a_ball_hides_its_far_side_and_has_no_crack() -> None:
    ball = trimesh.creation.icosphere(4, 40.0)
    points = np.asarray(ball.vertices) + np.array([55.0, 45.0, 50.0])
    face, depth = rasterise(points, np.asarray(ball.faces, np.int32), ROWS, COLUMNS, False)
    down, across = np.mgrid[:ROWS, :COLUMNS]
    square = 40.0**2 - (across - 55.0) ** 2 - (down - 45.0) ** 2
    inside = square > 8.0**2
    assert (face[inside] >= 0).all() and (face[square < 0] < 0).all() and np.isinf(depth[square < 0]).all()
    # An icosphere of 5,120 triangles lies at most 0.1 mm below its sphere, along its radius.
    off = (depth[inside] - (50.0 - np.sqrt(square[inside]))) * np.sqrt(square[inside]) / 40.0
    assert off.min() > -1e-4 and off.max() < 0.1


def test_of_a_solid_the_same_is_seen_without_its_backs() -> None:
    # A closed surface parts inside from outside (Jordan and Brouwer): no ray from outside meets a back first.
    ring = trimesh.creation.torus(major_radius=25.0, minor_radius=11.0)
    ball = trimesh.creation.icosphere(3, 9.0)
    ball.apply_translation((30.0, 20.0, 30.0))
    both = trimesh.util.concatenate([ring, ball])
    stages = [
        Stage(Part(np.asarray(both.vertices), np.asarray(both.faces, np.int32)), solid=solid)
        for solid in (False, True)
    ]
    off_grid = np.array([0.0131, 0.0072])  # no ray along an edge of the outline: it is a back's as well
    for view in THREE_VIEWS:
        full, spared = (stage.look(view.axes(), off_grid, 0.4, (300, 280)) for stage in stages)
        assert (full.face == spared.face).all() and (full.depth == spared.depth).all()
        assert 0.1 < (full.face >= 0).mean() < 0.9


def test_of_two_triangles_in_one_place_the_first_counts_and_one_on_edge_none() -> None:
    points = np.array([[0, 0, 1], [9, 0, 1], [0, 9, 1], [0, 4, 0], [9, 4, 0.0]])
    faces = np.array([[3, 4, 3], [3, 4, 4], [0, 2, 1], [0, 1, 2]], np.int32)
    face, _ = rasterise(points, faces, 12, 12, False)
    assert set(face.ravel()) == {-1, 2} and face[0, 0] == 2


def test_what_is_behind_something_is_not_seen() -> None:
    wall = trimesh.creation.box((20, 1, 20))
    ball = trimesh.creation.icosphere(3, 5.0)
    ball.apply_translation((0, 20, 0))
    both = trimesh.util.concatenate([wall, ball])
    stage = Stage(Part(np.asarray(both.vertices), np.asarray(both.faces, np.int32)))
    front = np.array([0.0, 15.0, 0.0])
    assert not stage.sees(front, FRONT_VIEW.axes())
    assert stage.sees(front, FRONT_VIEW.axes((0.0, 1.0, 0.0))) is False, "its own far side hides it too"
    assert stage.sees(np.array([0.0, -0.5, 0.0]), FRONT_VIEW.axes())
    assert stage.sees(np.array([10.0, 0.0, 0.0]), THREE_QUARTER.axes())
