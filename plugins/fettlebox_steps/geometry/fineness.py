"""The smallest stroke and the smallest gap of a flat shape, to hold against what a printer can lay down."""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

Floats = NDArray[np.float64]

PLACES = 240
"""Places along an outline from which a ray looks across."""

SEEN = 0.015
"""The smallest width is that which this share of an outline goes below; two round letters that nearly touch
are near each other along two hundredths of theirs (our judgement)."""

OPPOSITE = float(np.cos(np.radians(8.0)))
"""The two sides of a stroke or a gap are parallel to within 8 degrees. Where they run apart faster, as in a
W, they make a corner, which has no width and prints as a rounding."""

COUNTER_WITHIN = 0.01
"""The largest circle in the counter of a letter is found to this share of the counter's size."""


def stroke_and_gap(shape: Any) -> tuple[float, float]:
    """Widths in mm of the thinnest stroke and the narrowest gap of a shape (shapely); infinite without any.

    Every outline counts by itself, so that a dot or an accent is not lost among letters.
    """
    import shapely

    rings = [
        np.array(ring.coords)[:, :2]
        for part in shapely.get_parts(shapely.orient_polygons(shape))
        for ring in (part.exterior, *part.interiors)
    ]
    starts = np.concatenate([ring[:-1] for ring in rings])
    ends = np.concatenate([ring[1:] for ring in rings])
    strokes, gaps = [], []
    for ring in rings:
        at, inward = _places(ring)
        strokes.append(_seen(_across(at, inward, starts, ends, 1.0)))
        gaps.append(_seen(_across(at, -inward, starts, ends, -1.0)))
        if not shapely.is_ccw(shapely.LinearRing(ring)):  # a counter, which may have no parallel sides
            counter = shapely.Polygon(ring)
            within = COUNTER_WITHIN * float(np.sqrt(counter.area))
            gaps.append(2.0 * float(shapely.maximum_inscribed_circle(counter, within).length))
    return min(strokes), min(gaps)


def _places(ring: Floats) -> tuple[Floats, Floats]:
    """Evenly spread points (k,2) on a closed ring and the unit vectors to its left, where material is."""
    edge = np.diff(ring, axis=0)
    length = np.linalg.norm(edge, axis=1)
    along = np.r_[0.0, np.cumsum(length)]
    wanted = (np.arange(PLACES) + 0.5) / PLACES * along[-1]
    on = np.clip(np.searchsorted(along, wanted, side="right") - 1, 0, len(edge) - 1)
    way = edge[on] / length[on, None]
    at = ring[on] + way * (wanted - along[on])[:, None]
    return at, np.column_stack([-way[:, 1], way[:, 0]])


def _seen(widths: Floats) -> float:
    return float(np.sort(widths)[int(SEEN * len(widths))])


@njit(cache=True)
def _across(at, way, starts, ends, sign):
    """(k,) distance from each place along its ray to the next edge, infinite if that does not face it.

    `sign` 1: rays run in material and leave it; -1: they run outside and enter it.
    """
    found = np.full(len(at), np.inf)
    for i in range(len(at)):
        x, y, dx, dy = at[i, 0], at[i, 1], way[i, 0], way[i, 1]
        nearest, facing = np.inf, 0.0
        for j in range(len(starts)):
            ex, ey = ends[j, 0] - starts[j, 0], ends[j, 1] - starts[j, 1]
            turn = dx * ey - dy * ex
            if turn * sign <= 0.0:
                continue
            ox, oy = starts[j, 0] - x, starts[j, 1] - y
            far = (ox * ey - oy * ex) / turn
            share = (ox * dy - oy * dx) / turn
            if 1e-9 < far < nearest and 0.0 <= share <= 1.0:
                nearest = far
                facing = turn * sign / np.sqrt(ex * ex + ey * ey)
        if facing >= OPPOSITE:
            found[i] = nearest
    return found
