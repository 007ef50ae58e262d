"""Blades that a drill leaves, held against the witness of soundness and against volumes in closed form."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from fettlebox.mesh import Part
from fettlebox.mesh.soundness import inspect
from fettlebox_steps.geometry import drilling
from fettlebox_steps.geometry.drain_places import Hole
from fettlebox_steps.geometry.drilling import drilled, sides
from numpy.typing import NDArray
from shapely.geometry import Polygon

Floats = NDArray[np.float64]
UP = np.array([0.0, 0.0, 1.0])


def ball_with_a_blade(radius_mm: float) -> tuple[Floats, NDArray[np.int64]]:
    """A ball in whose skin one corner was drawn over an edge, on to the corner across."""
    ball = trimesh.creation.icosphere(subdivisions=4, radius=radius_mm)
    vertices, faces = np.array(ball.vertices), np.array(ball.faces, np.int64)
    left, right = ball.face_adjacency[np.argmin(ball.triangles_center[ball.face_adjacency[:, 0]] @ UP)]
    edge = set(faces[left]) & set(faces[right])
    (over,), (drawn,) = set(faces[left]) - edge, set(faces[right]) - edge
    vertices[drawn] = vertices[over] * (1 + 0.002 / radius_mm)
    return vertices, faces


def through(start: Floats, length_mm: float) -> Hole:
    return Hole(start, UP, length_mm, start + length_mm * UP, float(start[2]))


def test_a_blade_is_taken_off() -> None:
    radius = 8.0
    vertices, faces = ball_with_a_blade(radius)
    assert inspect(Part(vertices, faces.astype(np.int32))).folded_edges == 1
    whole = trimesh.creation.icosphere(subdivisions=4, radius=radius)
    before = np.array(whole.vertices), np.array(whole.faces, np.int64)
    healed, kept = drilling._without_blades(vertices, faces, before)
    found = inspect(Part(healed, kept.astype(np.int32)))
    assert found.sound, found.reasons
    assert found.volume_mm3 == pytest.approx(whole.volume, abs=2 * drilling.BLADE_MM3)
    # The rest of the surface is as it was: all but a few of its corners are still there.
    assert len(set(map(tuple, vertices)) - set(map(tuple, healed))) < 20


@pytest.mark.parametrize("graze_deg", [0.1, 0.3])
def test_a_wall_of_few_triangles_is_not_cut_open(graze_deg: float) -> None:
    """One side of the drill runs into the wall of a slab at a small angle and leaves a wedge along it. A
    regular polygon of n sides has the area n/2 r^2 sin(2 pi / n), which is what is taken out, blade or not.
    """
    radius = 2.0
    half_turn = np.pi / sides(radius)
    apothem, slope = radius * np.cos(half_turn), np.tan(np.radians(graze_deg))
    profile = [[-8.0, -6.0], [apothem - 6.0 * slope, -6.0], [apothem + 6.0 * slope, 6.0], [-8.0, 6.0]]
    slab = trimesh.creation.extrude_polygon(Polygon(profile), 3.0)
    slab.apply_transform(trimesh.transformations.rotation_matrix(half_turn, UP))
    hole = through(-UP, 5.0)
    vertices, faces = drilled(np.array(slab.vertices), np.array(slab.faces, np.int64), [hole], radius)
    area = sides(radius) / 2 * radius**2 * np.sin(2 * half_turn)
    found = inspect(Part(vertices, faces.astype(np.int32)))
    assert found.folded_edges  # so the witness refuses it, and a person looks at it
    assert found.volume_mm3 == pytest.approx(slab.volume - 3.0 * area, rel=1e-4)
