"""Needles are turned away without moving the surface."""

from __future__ import annotations

import numpy as np
import trimesh
from fettlebox_steps.geometry.needles import without_needles


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
