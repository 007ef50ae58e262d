"""Made-up heads and figures whose upper side is known, for what judges which way is up."""

from __future__ import annotations

from typing import Any

import numpy as np
import trimesh
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Mesh = tuple[Floats, NDArray[Any]]
Lobe = tuple[tuple[float, float, float], tuple[float, float, float]]

# Lobes (centre, half axes, mm) whose envelope, seen from the origin, is the shape. Z up, looking to -Y.
HEAD: list[Lobe] = [
    ((0, 0, 0), (78, 98, 95)),  # skull
    ((0, -28, -50), (52, 62, 68)),  # jaw
    ((0, -95, -20), (14, 22, 22)),  # nose
    ((0, 18, -100), (58, 60, 120)),  # neck
    ((76, 5, -12), (14, 12, 28)),
    ((-76, 5, -12), (14, 12, 28)),
]
SHOULDERS: list[Lobe] = [((0, 25, -235), (215, 95, 85))]
FIGURE: list[Lobe] = [
    ((0, 0, 0), (14, 11, 22)),
    ((0, -3, 30), (9, 10, 11)),
    ((13, -4, -4), (6, 7, 16)),
    ((-13, -6, 2), (6, 9, 14)),
    ((0, 0, -26), (17, 14, 20)),
]


def star(
    lobes: list[Lobe], floor: float, slope: float = 0.0, fine: int = 4
) -> tuple[Mesh, NDArray[np.bool_]]:
    """The envelope above the plane z = floor + slope·y, closed by it; and which faces lie on that plane."""
    ball = trimesh.creation.icosphere(fine)
    ways = np.asarray(ball.vertices, dtype=np.float64)
    reach = np.zeros(len(ways))
    for centre, axes in lobes:
        c, s = np.array(centre), np.array(axes)
        a, b, k = ((ways / s) ** 2).sum(1), (ways * c / s**2).sum(1), ((c / s) ** 2).sum() - 1.0
        inside = b * b - a * k
        reach = np.maximum(reach, np.where(inside > 0, (b + np.sqrt(np.maximum(inside, 0))) / a, 0.0))
    sinks = ways[:, 2] - slope * ways[:, 1]
    to_floor = np.where(sinks < 0, floor / np.where(sinks < 0, sinks, -1.0), np.inf)
    faces = np.asarray(ball.faces)
    on_floor = (to_floor < reach)[faces].all(axis=1)
    return (ways * np.minimum(reach, to_floor)[:, None], faces), on_floor


def open_neck(slope: float = 0.0) -> Mesh:
    (vertices, faces), on_floor = star(HEAD, -165.0, slope)
    return vertices, faces[~on_floor]


def flat_neck() -> Mesh:
    return star(HEAD, -165.0)[0]


def open_bust() -> Mesh:
    (vertices, faces), on_floor = star(HEAD + SHOULDERS, -260.0)
    return vertices, faces[~on_floor]


def figure() -> Mesh:
    return star(FIGURE, -38.0)[0]


def front_only() -> Mesh:
    """The half that faces -Y, open behind and below."""
    vertices, faces = open_neck()
    return vertices, faces[vertices[faces].mean(axis=1)[:, 1] < 0.0]


def most_of_it() -> Mesh:
    """Open at the back and below by one rim that runs round the corner: its direction means nothing."""
    vertices, faces = open_neck()
    return vertices, faces[vertices[faces].mean(axis=1)[:, 1] < 55.0]


def open_both_ends() -> Mesh:
    """The crown was not scanned either, and that gap is the larger one."""
    vertices, faces = open_neck()
    return vertices, faces[vertices[faces].mean(axis=1)[:, 2] < 62.0]


def beaker() -> Mesh:
    (vertices, faces), _ = star([((0, 0, 0), (35, 35, 60))], -40.0)
    return vertices, faces[vertices[faces].mean(axis=1)[:, 2] < 35.0]


def egg() -> Mesh:
    ball = trimesh.creation.icosphere(4)
    return np.asarray(ball.vertices) * [78.0, 98.0, 115.0], np.asarray(ball.faces)


def cube() -> Mesh:
    box = trimesh.creation.box((50, 50, 50)).subdivide()
    return np.asarray(box.vertices), np.asarray(box.faces)


def turned_up(axis: tuple[float, float, float], spin_deg: float = 0.0) -> Floats:
    """Rotation that takes +Z to the given direction, after a spin about Z."""
    align: Floats = trimesh.geometry.align_vectors([0, 0, 1], axis)[:3, :3]
    return align @ trimesh.transformations.rotation_matrix(np.radians(spin_deg), [0, 0, 1])[:3, :3]
