"""Sheets thickened: volumes after Steiner, topology after Euler."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from fettlebox_steps.geometry.crossings import crossing_faces
from fettlebox_steps.geometry.thickening import thicken
from numpy.typing import NDArray


def _rectangle(
    width_mm: float, depth_mm: float, steps: int = 6
) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    side = np.linspace(0, 1, steps + 1)
    x, y = np.meshgrid(side * width_mm, side * depth_mm, indexing="ij")
    turn = trimesh.transformations.rotation_matrix(0.5, [1, 1, 0])[:3, :3]
    corner = (np.arange(steps)[:, None] * (steps + 1) + np.arange(steps)).ravel()
    near, far = corner + steps + 1, corner + 1
    faces = np.r_[np.c_[corner, near, far], np.c_[far, near, near + 1]]
    return np.c_[x.ravel(), y.ravel(), np.zeros(x.size)] @ turn.T, faces


def test_a_rectangle_has_steiners_volume_and_the_stated_thickness() -> None:
    """Steiner's formula for a flat convex set: V(r) = 2 A r + π P r² / 2 + 4/3 π r³."""
    width, depth, thickness = 30.0, 20.0, 2.0
    vertices, faces = _rectangle(width, depth)
    errors = []
    for cell_mm in (0.6, 0.3):
        surface = thicken(vertices, faces, cell_mm, thickness)
        mesh = trimesh.Trimesh(surface.vertices, surface.faces, process=False)
        assert mesh.is_watertight
        assert mesh.euler_number == 2
        assert not crossing_faces(surface.vertices, surface.faces).any()
        assert surface.free.all()
        r, perimeter = thickness / 2, 2 * (width + depth)
        truth = 2 * width * depth * r + np.pi * perimeter * r**2 / 2 + 4 / 3 * np.pi * r**3
        errors.append(abs(mesh.volume / truth - 1))
    assert errors[0] < 0.01
    assert errors[1] < 0.4 * errors[0]
    along = np.array([vertices[1] - vertices[0], vertices[7] - vertices[0]])
    normal = np.cross(*along) / np.linalg.norm(np.cross(*along))
    share = (surface.vertices - vertices[0]) @ np.linalg.pinv(along)
    over_the_sheet = ((share > 0.1) & (share < 5.9)).all(axis=1)
    heights = (surface.vertices[over_the_sheet] - vertices[0]) @ normal
    assert np.abs(np.abs(heights) - thickness / 2).max() < 0.02


def test_a_sheet_on_a_ball_becomes_one_solid_with_it() -> None:
    ball = trimesh.creation.icosphere(4, radius=10.0)
    vertices, faces = _rectangle(16, 10)
    vertices = vertices - vertices.mean(axis=0) + [13.0, 0, 0]
    together = np.r_[ball.vertices, vertices]
    surface = thicken(together, faces + len(ball.vertices), 0.5, 1.5, ball.faces)
    mesh = trimesh.Trimesh(surface.vertices, surface.faces, process=False)
    assert mesh.is_watertight
    assert mesh.body_count == 1
    assert mesh.euler_number == 2
    alone = 4 / 3 * np.pi * 1000
    assert alone < mesh.volume < alone + 16 * 10 * 1.5 * 1.3


def test_too_coarse_a_grid_is_refused() -> None:
    vertices, faces = _rectangle(5, 5)
    with pytest.raises(ValueError, match="less than 3 cells"):
        thicken(vertices, faces, 1.0, 2.0)
    with pytest.raises(ValueError, match="without faces"):
        thicken(vertices, faces[:0], 0.5, 2.0)
