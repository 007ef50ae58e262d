"""What is nearest and what a ray meets, held against libigl, embree and scipy, which share no code."""

from __future__ import annotations

import igl
import numpy as np
import pytest
import trimesh
from fettlebox.mesh.cells import nearest_of
from fettlebox.mesh.nearest import Tree
from fettlebox.mesh.part import Floats, Ints
from fettlebox.mesh.surfaces import spread
from scipy.spatial import cKDTree


def _knot() -> tuple[Floats, Ints]:
    """A torus with uneven triangles, one of them given twice and one without area."""
    mesh = trimesh.creation.torus(major_radius=20.0, minor_radius=6.0)
    vertices = np.asarray(mesh.vertices) * [1.0, 2.5, 1.0] + [300.0, -70.0, 5.0]
    faces = np.asarray(mesh.faces, np.int32)
    odd = np.array([faces[7], [3, 3, 9]], np.int32)
    return vertices, np.concatenate([faces, odd])


def _around(vertices: Floats, count: int) -> Floats:
    """Points near a surface, far from it, and its own vertices."""
    rng = np.random.default_rng(5)
    low, high = vertices.min(axis=0), vertices.max(axis=0)
    near = vertices[rng.integers(len(vertices), size=count)] + rng.normal(0.0, 0.3, (count, 3))
    far = rng.uniform(low - 200.0, high + 200.0, (count, 3))
    return np.concatenate([near, far, vertices])


def test_distances_and_feet_are_those_of_libigl() -> None:
    vertices, faces = _knot()
    points = _around(vertices, 2000)
    squared, face, foot = Tree(vertices, faces).nearest(points)
    expected, _, _ = igl.point_mesh_squared_distance(points, vertices, faces.astype(np.int64))
    assert np.sqrt(squared) == pytest.approx(np.sqrt(expected), abs=1e-9)
    assert np.linalg.norm(points - foot, axis=1) == pytest.approx(np.sqrt(expected), abs=1e-9)
    # The foot lies on the face that is named.
    on_face, _, _ = igl.point_mesh_squared_distance(foot, vertices, faces[face].astype(np.int64))
    assert on_face.max() < 1e-18
    for k in range(0, len(foot), 211):
        alone, _, _ = igl.point_mesh_squared_distance(
            foot[k : k + 1], vertices, faces[face[k] : face[k] + 1].astype(np.int64)
        )
        assert alone[0] < 1e-18


def test_the_first_of_equally_near_faces_counts_in_whatever_order_points_come() -> None:
    vertices, faces = _knot()
    twice = np.concatenate([faces, faces])
    points = _around(vertices, 500)
    _, face, _ = Tree(vertices, twice).nearest(points)
    assert face.max() < len(faces)
    _, turned, _ = Tree(vertices, twice).nearest(points[::-1].copy())
    assert (turned[::-1] == face).all()


def test_a_ray_meets_what_it_meets_in_embree() -> None:
    from embreex.mesh_construction import TriangleMesh
    from embreex.rtcore_scene import EmbreeScene

    vertices, faces = _knot()
    rng = np.random.default_rng(8)
    starts = _around(vertices, 3000)[:6000]
    ways = np.concatenate([rng.normal(size=(5700, 3)), np.tile(np.eye(3), (100, 1))])
    scene = EmbreeScene(robust=True)
    shift = vertices.mean(axis=0)
    TriangleMesh(scene, (vertices - shift).astype(np.float32), faces)
    expected = scene.run((starts - shift).astype(np.float32), ways.astype(np.float32)) >= 0
    met = Tree(vertices, faces).blocked(starts, ways)
    assert 0.1 < expected.mean() < 0.9
    # Embree reckons in single precision: of rays that graze the outline it may take another view.
    assert (met != expected).mean() < 0.001


def test_a_ray_through_an_edge_or_a_corner_meets_a_closed_surface() -> None:
    # A closed surface is met by every ray from within it (Jordan and Brouwer's separation theorem).
    box = trimesh.creation.box(extents=(2.0, 2.0, 2.0)).subdivide().subdivide()
    vertices, faces = np.asarray(box.vertices), np.asarray(box.faces, np.int32)
    to = np.concatenate([vertices, vertices[faces].mean(axis=1), vertices[faces[:, :2]].mean(axis=1)])
    assert Tree(vertices, faces).blocked(np.zeros_like(to), to).all()
    assert not Tree(vertices, faces).blocked(to * 1.001, to).any()


def test_the_nearest_of_many_points_is_scipys() -> None:
    points = _spread_on_a_sphere(4000)
    wanted = np.concatenate([_spread_on_a_sphere(3000) * 1.01, [[900.0, 0, 0], [0, 0, 0.1]], points[:5]])
    spacing = float(np.sqrt(4.0 * np.pi * 30.0**2 / len(points)))
    found = nearest_of(points, wanted, spacing)
    expected, _ = cKDTree(points).query(wanted)
    assert np.linalg.norm(points[found] - wanted, axis=1) == pytest.approx(expected, abs=1e-12)


def test_one_point_is_nearest_to_everything() -> None:
    wanted = np.array([[0.0, 0, 0], [5.0, 5, 5]])
    assert nearest_of(np.ones((1, 3)), wanted, 0.0).tolist() == [0, 0]


def _spread_on_a_sphere(count: int) -> Floats:
    mesh = trimesh.creation.icosphere(subdivisions=3, radius=30.0)
    return spread(np.asarray(mesh.vertices), np.asarray(mesh.faces, np.int64), count)[0]
