"""How much of a body a surface shows: straight lines through it, and which side of it each meets first.

Lines at random meet surface in proportion to its area (M. Crofton, 1868; L. Santaló, "Integral Geometry
and Geometric Probability", 1976). A line that enters through a seen place meets the front of the surface
first; one that enters through a gap meets the back of the far side. The chords of a sphere join any two of
its places with equal chance, so a share f that is seen makes 1 / (2 - f) of all meetings frontal; other
bodies follow closely.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .topology import Floats, Ints

LINES = 60_000
"""Lines cast. Those that meet a compact body are about half of them; shares are then known to 0.3 %."""

SIDES = ("left", "right", "front", "back", "bottom", "top")
"""Of a part that stands with Z up and looks to -Y; its left is at the viewer's left, -X."""


@dataclass(frozen=True)
class Coverage:
    """covered: share 0 to 1 of the closed surface that is there. from_side: share of meetings from each
    side that were frontal, 1 where nothing was met.
    """

    covered: float
    from_side: dict[str, float]

    @property
    def worst_side(self) -> str:
        return min(SIDES, key=lambda side: self.from_side[side])


def coverage(vertices: Floats, faces: Ints, lines: int = LINES) -> Coverage:
    """Of faces (m,3) that look outward. A surface without area covers nothing."""
    from embreex.mesh_construction import TriangleMesh
    from embreex.rtcore_scene import EmbreeScene

    if not len(faces):
        return Coverage(0.0, dict.fromkeys(SIDES, 0.0))
    corners = vertices[faces]
    low, high = corners.min(axis=(0, 1)), corners.max(axis=(0, 1))
    radius = float(np.linalg.norm(high - low)) / 2
    if radius <= 0:
        return Coverage(0.0, dict.fromkeys(SIDES, 0.0))
    # In units of its radius about the origin: single precision then serves any unit and any place.
    scene = EmbreeScene(robust=True)
    TriangleMesh(scene, ((corners - (low + high) / 2) / radius).astype(np.float32))
    start, way = even_lines(lines)
    met = scene.run(start.astype(np.float32), way.astype(np.float32), output=True)
    hit = np.asarray(met["primID"]) >= 0
    facing = np.einsum("ij,ij->i", np.asarray(met["Ng"], dtype=np.float64)[hit], way[hit])
    frontal = facing < 0
    if not len(frontal):
        return Coverage(0.0, dict.fromkeys(SIDES, 0.0))
    share = float(frontal.mean())
    covered = max(2.0 - 1.0 / share, 0.0) if share > 0 else 0.0
    return Coverage(covered, _by_side(way[hit], frontal))


def even_lines(count: int) -> tuple[Floats, Floats]:
    """Starts and directions (k,3) of directed lines spread evenly over all that meet the unit ball.

    A low-discrepancy sequence in four dimensions (M. Roberts, "The unreasonable effectiveness of
    quasirandom sequences", 2018): additive steps by powers of the root of x⁵ = x + 1.
    """
    root = 1.1673039782614187
    u = np.mod(0.5 + np.arange(1, count + 1)[:, None] * root ** -np.arange(1.0, 5.0), 1.0)
    z, turn = 2 * u[:, 0] - 1, 2 * np.pi * u[:, 1]
    flat = np.sqrt(1 - z * z)
    way = np.stack([flat * np.cos(turn), flat * np.sin(turn), z], axis=1)
    side = np.cross(way, np.eye(3)[np.abs(way).argmin(axis=1)])
    side /= np.linalg.norm(side, axis=1, keepdims=True)
    reach, around = np.sqrt(u[:, 2]), 2 * np.pi * u[:, 3]
    off = side * np.cos(around)[:, None] + np.cross(way, side) * np.sin(around)[:, None]
    return off * reach[:, None] - 2 * way, way


def _by_side(way: Floats, frontal: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> dict[str, float]:
    """A line belongs to the side that it comes from."""
    axis = np.abs(way).argmax(axis=1)
    coming_from = 2 * axis + (way[np.arange(len(way)), axis] < 0)
    met = np.bincount(coming_from, minlength=6)
    front = np.bincount(coming_from, frontal, 6)
    return {name: float(front[k] / met[k]) if met[k] else 1.0 for k, name in enumerate(SIDES)}
