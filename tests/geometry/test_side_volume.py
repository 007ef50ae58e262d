"""Volumes of parts of solids. Spherical caps: CRC Standard Mathematical Tables; booleans: manifold3d."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from fettlebox_steps.geometry.side_volume import volume_behind

AXES = [(0.0, 0.0, 1.0), (0.0, 1.0, 0.0), (0.6, 0.0, -0.8), (2 / 3, 2 / 3, 1 / 3)]


def behind(mesh: trimesh.Trimesh, point: object, normal: object) -> float:
    return volume_behind(
        np.asarray(mesh.vertices, np.float64), np.asarray(mesh.faces, np.int32),
        np.asarray(point, np.float64), np.asarray(normal, np.float64),
    )  # fmt: skip


@pytest.mark.parametrize("normal", AXES)
@pytest.mark.parametrize("height", [-25.0, -7.0, 0.0, 12.0, 29.0])
def test_caps_of_a_ball(normal: tuple[float, float, float], height: float) -> None:
    """A cap of height h of a ball of radius r holds π·h²·(3r − h)/3."""
    ball = trimesh.creation.icosphere(5, 30.0).apply_translation([3.0, -4.0, 50.0])
    deep = 30.0 + height
    cap = np.pi * deep**2 * (90.0 - deep) / 3.0
    point = np.array([3.0, -4.0, 50.0]) + height * np.array(normal)
    assert behind(ball, point, normal) == pytest.approx(cap, rel=0.005, abs=0.002 * ball.volume)


@pytest.mark.parametrize("normal", AXES)
def test_the_two_sides_make_the_whole_and_a_plane_beside_takes_all_or_nothing(
    normal: tuple[float, float, float],
) -> None:
    torus = trimesh.creation.torus(20.0, 6.0)
    both = behind(torus, [1.0, 2.0, 3.0], normal) + behind(torus, [1.0, 2.0, 3.0], -np.array(normal))
    assert both == pytest.approx(torus.volume, rel=1e-12)
    assert behind(torus, 100.0 * np.array(normal), normal) == pytest.approx(torus.volume, rel=1e-12)
    assert behind(torus, -100.0 * np.array(normal), normal) == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("normal", AXES)
def test_as_a_boolean_has_it(normal: tuple[float, float, float]) -> None:
    torus = trimesh.creation.torus(20.0, 6.0)
    room = trimesh.creation.box((200.0, 200.0, 200.0)).apply_translation([0.0, 0.0, -100.0])
    room.apply_transform(trimesh.geometry.align_vectors([0.0, 0.0, 1.0], normal))
    room.apply_translation([1.0, 2.0, 3.0])
    cut = trimesh.boolean.intersection([torus, room], engine="manifold")
    assert behind(torus, [1.0, 2.0, 3.0], normal) == pytest.approx(cut.volume, rel=1e-6)


def test_a_plane_through_faces_and_corners() -> None:
    """A cube from -5 to 5: faces and corners that lie in the plane belong to either side."""
    cube = trimesh.creation.box((10.0, 10.0, 10.0)).subdivide()
    assert behind(cube, [0.0, 0.0, 5.0], (0.0, 0.0, 1.0)) == pytest.approx(1000.0)
    assert behind(cube, [0.0, 0.0, -5.0], (0.0, 0.0, 1.0)) == pytest.approx(0.0, abs=1e-9)
    assert behind(cube, [0.0, 0.0, 0.0], (0.0, 0.0, 1.0)) == pytest.approx(500.0)
    assert behind(cube, [5.0, 5.0, 0.0], (np.sqrt(0.5), np.sqrt(0.5), 0.0)) == pytest.approx(1000.0)
