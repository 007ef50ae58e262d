"""Needles are turned away without moving the surface."""

from __future__ import annotations

import numpy as np
import trimesh
from fettlebox_steps.geometry.needles import heights, without_needles


def _box_with_needle() -> tuple[np.ndarray, np.ndarray]:
    """A box with a vertex on an edge: on one side it splits the face, on the other a needle fills the gap."""
    box = trimesh.creation.box((10.0, 10.0, 10.0))
    vertices, faces = np.array(box.vertices), np.array(box.faces, np.int64)
    a, b, c = faces[0]
    middle = len(vertices)
    vertices = np.vstack([vertices, (vertices[a] + vertices[b]) / 2])
    split = [[a, middle, c], [middle, b, c], [a, b, middle]]
    return vertices, np.vstack([faces[1:], split])


def test_a_needle_is_gone_and_the_box_is_the_same_box() -> None:
    vertices, faces = _box_with_needle()
    given = faces.copy()
    made = without_needles(vertices, faces)
    assert np.array_equal(faces, given)
    assert len(made) == len(faces)
    mesh = trimesh.Trimesh(vertices, made, process=False)
    assert mesh.is_watertight
    assert mesh.is_winding_consistent
    assert np.isclose(mesh.volume, 1000.0)
    assert np.isclose(mesh.area, 600.0)
    assert mesh.area_faces.min() > 1.0
    assert trimesh.Trimesh(vertices, faces, process=False).area_faces.min() == 0.0


def test_a_surface_without_needles_stays_as_it_is() -> None:
    ball = trimesh.creation.icosphere(2)
    faces = np.array(ball.faces, np.int64)
    assert np.array_equal(without_needles(np.array(ball.vertices), faces), faces)


def test_a_low_triangle_is_better_than_one_without_a_height() -> None:
    # A prism over d, b, e. On its ends a lies just inside the side d–b, c exactly on a–b: turning a–b makes
    # a triangle 7e-7 high, lower than is liked, but with a normal.
    a, b, c, d, e = range(5)
    flat = np.array([[0.0, 0.0], [10.0, 0.0], [0.02, 0.0], [-3.0, -1e-4], [5.0, 5.0]])
    end = np.array([[d, b, a], [a, b, c], [c, b, e], [a, c, e], [d, a, e]])
    sides = [[p, q, q + 5] for p, q in ((d, b), (b, e), (e, d))]
    sides += [[p, q + 5, p + 5] for p, q in ((d, b), (b, e), (e, d))]
    vertices = np.vstack([np.column_stack([flat, np.full(5, z)]) for z in (0.0, 1.0)])
    faces = np.vstack([end[:, ::-1], end + 5, sides])
    before = trimesh.Trimesh(vertices, faces, process=False)
    assert before.is_volume and before.area_faces.min() == 0.0
    after = trimesh.Trimesh(vertices, without_needles(vertices, faces), process=False)
    assert after.is_volume
    assert after.area_faces.min() > 0.9e-6
    assert np.isclose(after.volume, before.volume, rtol=1e-12)


def test_heights_are_over_the_longest_side() -> None:
    vertices = np.array([[0.0, 0, 0], [10, 0, 0], [4, 0, 3], [5, 0, 0]])
    assert heights(vertices, np.array([[0, 1, 2], [2, 0, 1], [0, 1, 3], [0, 0, 0]])).tolist() == [3, 3, 0, 0]
