"""Links of a surface against trimesh's, which finds them by sorting."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from fettlebox_steps.geometry.surface_links import links_of, near_in_memory


@pytest.mark.parametrize("opened", [False, True])
def test_neighbours_pairs_and_rim_are_those_of_trimesh(opened: bool) -> None:
    mesh = trimesh.creation.torus(30.0, 9.0, major_sections=40, minor_sections=16)
    faces = np.asarray(mesh.faces, dtype=np.int32)
    if opened:
        faces = faces[mesh.triangles_center[:, 0] < 20.0]
    mesh = trimesh.Trimesh(mesh.vertices, faces, process=False)
    links = links_of(faces, len(mesh.vertices))
    rows = [links.other[a:b].tolist() for a, b in zip(links.start[:-1], links.start[1:], strict=True)]
    assert rows == [sorted(near) for near in mesh.vertex_neighbors]
    pairs = np.sort(np.stack([links.left, links.right], axis=1), axis=1)
    assert sorted(map(tuple, pairs.tolist())) == sorted(map(tuple, mesh.face_adjacency.tolist()))
    alone = mesh.edges_sorted[trimesh.grouping.group_rows(mesh.edges_sorted, require_count=1)]
    assert np.flatnonzero(links.rim).tolist() == np.unique(alone).tolist()
    assert links.rim.any() == opened


def test_an_edge_of_three_faces_is_no_rim_and_its_faces_are_neighbours() -> None:
    faces = np.array([[0, 1, 2], [1, 0, 3], [0, 1, 4]], dtype=np.int32)
    links = links_of(faces, 6)
    assert links.rim.tolist() == [True] * 5 + [False]
    assert len(links.left) == 2 and set(links.left) | set(links.right) == {0, 1, 2}
    assert links.other[links.start[0] : links.start[1]].tolist() == [1, 2, 3, 4]
    assert links.start[6] == links.start[5]


def test_the_order_makes_the_same_surface_with_neighbours_close_in_memory() -> None:
    ball = trimesh.creation.icosphere(5, 40.0)
    shuffled = np.random.default_rng(3).permutation(len(ball.vertices))
    place = np.argsort(shuffled)
    points, faces = np.asarray(ball.vertices)[shuffled], place[ball.faces].astype(np.int32)
    order, vertices, renamed = near_in_memory(points, faces)
    assert sorted(order.tolist()) == list(range(len(points)))
    assert (vertices == points[order]).all()
    corners = [np.sort(p[f].reshape(-1, 9), axis=0) for p, f in ((points, faces), (vertices, renamed))]
    assert (corners[0] == corners[1]).all()
    edges = [np.abs(np.diff(f[:, :2], axis=1)) for f in (faces, renamed)]
    assert np.median(edges[1]) < 0.05 * np.median(edges[0])
    # One place, or none at all, has no size to divide by.
    assert near_in_memory(np.zeros((3, 3)), np.array([[0, 1, 2]], np.int32))[0].tolist() == [0, 1, 2]
