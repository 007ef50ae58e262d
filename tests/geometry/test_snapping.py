"""Snapping: sharp edges come back, and what it would fold or cross is taken back."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import trimesh
from fettlebox_steps.geometry.crossings import crossing_faces
from fettlebox_steps.geometry.distance import closest_distance
from fettlebox_steps.geometry.snapping import in_order, snap_to_scan, undo_damage
from fettlebox_steps.geometry.volumetric import close_by_winding
from numpy.typing import NDArray


class _Surface(NamedTuple):
    vertices: NDArray[np.float64]
    faces: NDArray[np.int64]
    free: NDArray[np.bool_]


def test_the_edges_of_a_box_come_back() -> None:
    box = trimesh.creation.box((10, 12, 14))
    turn = trimesh.transformations.rotation_matrix(0.4, [1, 2, 3])
    box.apply_transform(turn)
    for _ in range(4):
        box = box.subdivide()
    vertices, faces = np.array(box.vertices), np.array(box.faces)
    surface = close_by_winding(vertices, faces, 0.5)
    snapped = snap_to_scan(surface, vertices, faces, 0.5)
    on_edges = vertices[(np.abs(np.abs(vertices @ turn[:3, :3]) - [5, 6, 7]) < 1e-9).sum(axis=1) >= 2]
    before = closest_distance(on_edges, surface.vertices, surface.faces)
    after = closest_distance(on_edges, snapped, surface.faces)
    assert after.mean() < 0.75 * before.mean()
    mesh = trimesh.Trimesh(snapped, surface.faces, process=False)
    assert mesh.is_watertight
    assert not crossing_faces(snapped, surface.faces).any()
    assert abs(mesh.volume - 10 * 12 * 14) < abs(
        trimesh.Trimesh(surface.vertices, surface.faces).volume - 10 * 12 * 14
    )


def test_only_vertices_that_met_a_wall_move_and_only_to_the_scan() -> None:
    ball = trimesh.creation.icosphere(3, radius=10)
    vertices, faces = np.array(ball.vertices), np.array(ball.faces)
    free = vertices[:, 2] > 0
    scan = vertices * 1.01
    snapped = snap_to_scan(_Surface(vertices, faces, free), scan, faces, 1.0)
    assert np.array_equal(snapped[free], vertices[free])
    assert np.array_equal(snapped[~free], scan[~free])
    far = snap_to_scan(_Surface(vertices, faces, free), vertices * 1.1, faces, 1.0)
    assert np.array_equal(far, vertices)
    assert np.array_equal(snap_to_scan(_Surface(vertices, faces, free | True), scan, faces, 1.0), vertices)


def test_damage_is_undone_and_the_rest_stays() -> None:
    ball = trimesh.creation.icosphere(4, radius=10)
    before, faces = np.array(ball.vertices), np.array(ball.faces)
    after = before * 1.001
    after[0] = -before[0]  # through the far side of the ball
    result = undo_damage(before, after, faces, 1.0)
    assert not crossing_faces(result, faces).any()
    assert np.array_equal(result[0], before[0])
    assert (result == after).all(axis=1).mean() > 0.9


def test_claims_come_as_lexsort_has_them_however_many_are_as_long() -> None:
    rng = np.random.default_rng(9)
    for kinds in (1, 7, 10**6):
        length = rng.integers(0, kinds, 5_000) / 8
        claim = rng.permutation(5_000)
        np.testing.assert_array_equal(in_order(length, claim), np.lexsort((claim, length)))
