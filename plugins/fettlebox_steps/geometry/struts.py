"""Bodies that do not touch joined by struts across the narrowest gaps, so that they print as one."""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from .topology import Floats, diagonal
from .uniting import Solid, bodies_of, unite

SIDES = 16
"""Sides of a strut: round enough for a few millimetres."""
SLENDER = 0.5
"""A strut is at least half as thick across as the gap that it spans is wide, in radii..."""
THICK_SHARE = 0.012
"""...and its radius is at least this share of the whole's diagonal, 4 mm on a head, so that it holds..."""
BODY_SHARE = 0.15
"""...but at most this share of the smaller body's diagonal, lest the strut be larger than what it carries."""
WIDEST_SHARE = 0.1
"""Gaps wider than this share of the whole's diagonal are not bridged: that would be inventing a shape."""


class TooFarApartError(ValueError):
    """Bodies lie further apart than a strut may span. `gap_mm` says how far."""

    def __init__(self, gap_mm: float) -> None:
        self.gap_mm = gap_mm
        super().__init__(f"{gap_mm:.1f} mm apart")


def strut(start: Floats, end: Floats, radius_mm: float) -> Solid:
    """A closed prism of SIDES sides around the segment, reaching a radius beyond either end."""
    way = end - start
    length = float(np.linalg.norm(way))
    axis = way / length
    across = np.cross(axis, np.eye(3)[np.abs(axis).argmin()])
    across /= np.linalg.norm(across)
    angle = 2 * np.pi * np.arange(SIDES) / SIDES
    ring = radius_mm * (np.cos(angle)[:, None] * across + np.sin(angle)[:, None] * np.cross(axis, across))
    ends = [start - axis * radius_mm, end + axis * radius_mm]
    points = np.concatenate([ends[0] + ring, ends[1] + ring, ends])
    i, j = np.arange(SIDES), (np.arange(SIDES) + 1) % SIDES
    low, high = np.full(SIDES, 2 * SIDES), np.full(SIDES, 2 * SIDES + 1)
    sides = [np.stack([i, j, j + SIDES], axis=1), np.stack([i, j + SIDES, i + SIDES], axis=1)]
    lids = [np.stack([low, j, i], axis=1), np.stack([high, i + SIDES, j + SIDES], axis=1)]
    return points, np.concatenate(sides + lids).astype(np.int64)


def join(solid: Solid, finest_mm: float) -> tuple[Solid, list[float]]:
    """The bodies of a sound solid made one, the nearest to the largest first, and the gaps spanned in mm.

    Raises TooFarApartError if a gap is wider than WIDEST_SHARE of the diagonal.
    """
    bodies = sorted(bodies_of(*solid), key=lambda body: -len(body[1]))
    whole_mm = diagonal(solid[0])
    joined, waiting = [bodies[0]], bodies[1:]
    reached = bodies[0][0]
    struts: list[Solid] = []
    gaps: list[float] = []
    while waiting:
        tree = cKDTree(reached)
        found = [tree.query(points) for points, _ in waiting]
        nearest = int(np.argmin([np.min(distance) for distance, _ in found]))
        distance, index = (np.asarray(each) for each in found[nearest])
        at = int(distance.argmin())
        points = waiting[nearest][0]
        gap_mm = float(distance[at])
        if gap_mm > WIDEST_SHARE * whole_mm:
            raise TooFarApartError(gap_mm)
        radius_mm = max(SLENDER * gap_mm, THICK_SHARE * whole_mm)
        radius_mm = max(min(radius_mm, BODY_SHARE * diagonal(points)), 2 * finest_mm)
        struts.append(strut(reached[index[at]], points[at], radius_mm))
        gaps.append(gap_mm)
        joined.append(waiting.pop(nearest))
        reached = np.concatenate([reached, points])
    return unite(joined + struts, finest_mm), gaps
