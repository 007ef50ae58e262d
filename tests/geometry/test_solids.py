"""Which bodies stay, and how few triangles they need."""

from __future__ import annotations

import numpy as np
import trimesh
from fettlebox_steps.geometry.crossings import crossing_faces
from fettlebox_steps.geometry.distance import closest_distance
from fettlebox_steps.geometry.solids import bodies, keep_solid_bodies, thin_out


def _together(*meshes: trimesh.Trimesh) -> tuple[np.ndarray, np.ndarray]:
    both = trimesh.util.concatenate(meshes)
    return np.array(both.vertices), np.array(both.faces)


def test_voids_and_crumbs_go_and_bodies_stay() -> None:
    body, second, crumb = (trimesh.creation.icosphere(2, radius=r) for r in (10, 4, 1))
    void = trimesh.creation.icosphere(2, radius=5)
    void.invert()
    second.apply_translation([30, 0, 0])
    crumb.apply_translation([0, 30, 0])
    vertices, faces = _together(crumb, body, void, second)
    kept_vertices, kept_faces, dropped = keep_solid_bodies(vertices, faces)
    assert dropped == 2
    mesh = trimesh.Trimesh(kept_vertices, kept_faces, process=False)
    assert mesh.is_watertight
    assert bodies(kept_faces).max() + 1 == mesh.body_count == 2
    assert abs(mesh.volume - body.volume - second.volume) < 1e-6
    assert len(kept_vertices) == len(np.unique(kept_faces))
    assert keep_solid_bodies(vertices, faces, min_share=0.2)[2] == 3
    assert keep_solid_bodies(vertices, faces[:0])[2] == 0


def test_fewer_triangles_within_the_tolerance() -> None:
    """M. Garland, P. Heckbert, 1997: the error stays under the bound, measured by an independent distance."""
    ball = trimesh.creation.icosphere(6, radius=30.0)
    vertices, faces = np.array(ball.vertices), np.array(ball.faces)
    thin_vertices, thin_faces = thin_out(vertices, faces, 0.05)
    mesh = trimesh.Trimesh(thin_vertices, thin_faces, process=False)
    assert len(thin_faces) < 0.6 * len(faces)
    assert mesh.is_watertight
    assert mesh.euler_number == 2
    assert not crossing_faces(thin_vertices, thin_faces).any()
    assert closest_distance(vertices, thin_vertices, thin_faces).max() <= 0.1


def test_an_open_surface_is_left_as_it_is() -> None:
    ball = trimesh.creation.icosphere(2)
    vertices, faces = thin_out(ball.vertices, ball.faces[:-1], 0.1)
    assert np.array_equal(faces, ball.faces[:-1])
    assert np.array_equal(vertices, ball.vertices)
