"""The inner wall with a vertex in every cell: never less deep than asked, closed, and sharp at edges."""

from __future__ import annotations

import igl
import numpy as np
import pytest
import trimesh
from fettlebox_steps.geometry import wall_distance
from fettlebox_steps.geometry.cavity import InnerWall
from fettlebox_steps.geometry.cube_table import cube_table
from fettlebox_steps.geometry.distance import DistanceTree
from fettlebox_steps.geometry.dual_cells import patch_table, settle
from fettlebox_steps.geometry.dual_wall import _halved, dual_wall
from fettlebox_steps.geometry.wall_proof import proven
from scipy.spatial.transform import Rotation


def _spiky() -> trimesh.Trimesh:
    """A ball with sharp dents, around which the inner wall bends most."""
    ball = trimesh.creation.icosphere(4, radius=20.0)
    way = np.asarray(ball.vertices) / 20.0
    dent = np.clip(np.sin(9 * way[:, 0]) * np.sin(8 * way[:, 1] + 1) - 0.6, 0, 1)
    return trimesh.Trimesh(way * (20 - 12 * dent)[:, None], ball.faces, process=False)


def _drawn(mesh: trimesh.Trimesh, cell_mm: float) -> InnerWall:
    vertices, faces = np.array(mesh.vertices), np.array(mesh.faces, np.int64)
    made = dual_wall(vertices, faces, DistanceTree.of(vertices, faces), 2.0, cell_mm)
    assert made is not None
    return made


@pytest.mark.parametrize("cells", [2.0, 3.0, 4.0])
def test_no_point_is_less_deep_than_the_wall_on_any_grid(cells: float) -> None:
    mesh = _spiky()
    made = _drawn(mesh, 2.0 / cells)
    inner = trimesh.Trimesh(made.vertices, made.faces, process=False)
    assert inner.is_watertight
    assert inner.volume > 0
    points = np.concatenate([made.vertices, trimesh.sample.sample_surface(inner, 20_000, seed=1)[0]])
    squared, _, _ = igl.point_mesh_squared_distance(  # libigl's distances: not the tree that drew it
        np.ascontiguousarray(points), np.array(mesh.vertices), np.array(mesh.faces, np.int64)
    )
    assert np.sqrt(np.asarray(squared)).min() >= 2.0 - 1e-9


def test_edges_of_a_box_stay_sharp() -> None:
    """The inner parallel body of a box is a box (Steiner); marching cubes would cut its edges by 0.2 mm."""
    mesh = trimesh.creation.box((40.0, 30.0, 20.0))
    turn = Rotation.from_rotvec([0.16, 0.32, 0.48]).as_matrix()
    mesh.vertices = np.asarray(mesh.vertices) @ turn.T
    made = _drawn(mesh, 0.5)
    sides = made.vertices @ turn
    ends = np.abs(sides).max(axis=0)
    assert (ends <= [18.0, 13.0, 8.0]).all()
    assert (ends >= [17.9, 12.9, 7.9]).all()
    corners = np.array([[x, y, z] for x in (-18, 18) for y in (-13, 13) for z in (-8, 8)])
    away = np.linalg.norm(sides[None] - corners[:, None], axis=2).min(axis=1)
    assert away.max() < 0.5 * 3**0.5 / 2  # no further than the middle of the corner's cell can be


def test_the_surface_does_not_depend_on_how_many_slices_are_worked_out_at_a_time(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    mesh = _spiky()
    whole = _drawn(mesh, 0.7)
    for at_a_time in (1, 2, 3):
        monkeypatch.setattr(wall_distance, "MOST_AT_A_TIME", at_a_time)
        again = _drawn(mesh, 0.7)
        assert again.faces.tobytes() == whole.faces.tobytes()
        # a place on an edge of two triangles is rounded as the one of them says that was found first
        assert np.abs(again.vertices - whole.vertices).max() < 1e-9


def test_noise_is_settled_until_no_face_is_shared_by_two_runs() -> None:
    rng = np.random.default_rng(7)
    values = np.full((12, 12, 12), -1.0)
    values[1:-1, 1:-1, 1:-1] = rng.uniform(-1, 1, (10, 10, 10))
    before = values > 0
    loops, _, shared = patch_table()
    settle(values, shared, loops)
    inside = values > 0
    assert not (inside & ~before).any()
    assert inside.any()
    for axis in range(3):
        at = np.moveaxis(inside, axis, 0)
        a, b, c, d = at[:, :-1, :-1], at[:, 1:, :-1], at[:, 1:, 1:], at[:, :-1, 1:]
        assert not ((a == c) & (b == d) & (a != b)).any()


def test_patches_are_those_of_the_table_of_cubes() -> None:
    loops, loop_of, _ = patch_table()
    table = cube_table()
    for case in range(256):
        drawn = table.edges[case, : table.triangles[case]]
        # Euler: the triangles of a patch with n corners are n - 2
        assert table.triangles[case] == len(np.unique(drawn)) - 2 * loops[case]
        assert all(len(set(loop_of[case, triangle])) == 1 for triangle in drawn)
        assert set(loop_of[case]) - {-1} == set(range(loops[case]))


def test_a_triangle_between_deep_corners_that_comes_too_near_is_found() -> None:
    outer = trimesh.creation.icosphere(5, radius=1.0)  # a ball in the middle, as the thing to stay away from
    tree = DistanceTree.of(outer.vertices, outer.faces)
    corners = 4.0 * np.array([[1.0, 0, 0], [-0.5, 0.75**0.5, 0], [-0.5, -(0.75**0.5), 0]])
    triangle = np.array([[0, 1, 2]])
    for away, kept in ((2.9, False), (3.1, True)):
        at = corners + np.array([0.0, 0.0, away])
        assert proven(at, triangle, tree.at(at), tree, 2.0) is kept


def test_what_is_not_a_number_is_no_proof() -> None:
    outer = trimesh.creation.icosphere(2, radius=20.0)
    tree = DistanceTree.of(outer.vertices, outer.faces)
    at, triangle = np.array([[0.0, 0, 0], [1, 0, 0], [0, 1, 0]]), np.array([[0, 1, 2]])
    assert proven(at, triangle, np.full(3, np.nan), tree, 2.0)  # depths that are not known are measured
    for corner in range(3):
        nowhere = at.copy()
        nowhere[corner, 1] = np.nan
        assert not proven(nowhere, triangle, tree.at(at), tree, 2.0)
        assert not proven(nowhere, triangle, np.full(3, np.nan), tree, 2.0)
    near = at + np.array([19.5, 0, 0])
    assert not proven(near, triangle, np.full(3, np.nan), tree, 2.0)


def test_a_quad_whose_places_are_not_numbers_still_becomes_its_two_triangles() -> None:
    points = np.array([[0.0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]])
    quads = np.tile(np.arange(4), (500, 1))
    faces = _halved(points, np.full((4, 3), np.nan), quads, 2.0)
    assert (faces[0::2] == [0, 1, 2]).all()
    assert (faces[1::2] == [0, 2, 3]).all()
