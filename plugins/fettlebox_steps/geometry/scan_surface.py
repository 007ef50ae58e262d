"""How much of the scan's surface a cut takes away: of all of it, and of what is seen once the part stands."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

from .support_columns import OVERHANG_COSINE

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class ScanSurface:
    """Points (q,3) of the scan's surface, each for the same area, and the unit normals (q,3) there; `gone`
    (q,), if any, says which of them other cuts take, whatever this one does.

    What faces the bed, flatter than 45 degrees, is not seen of a part that stands: the flat underside of a
    figure, which any cut takes, is no loss to anybody.
    """

    points: Floats
    normals: Floats
    gone: Mask | None = None

    def is_seen(self, up: Floats) -> Mask:
        """(q,) whether each point is seen of a part that stands with the unit vector `up` (3,) upward."""
        return np.asarray(self.normals @ up >= -OVERHANG_COSINE)

    def taken(self, ups: Floats, height_mm: Floats) -> Floats:
        """(n,k) share of what is seen that cuts take away, at `height_mm` (n,k), evenly spaced and rising,
        along unit vectors (n,3); with what is gone already.
        """
        found = np.zeros(height_mm.shape)
        gone = np.zeros(len(self.points), np.bool_) if self.gone is None else self.gone
        if len(self.points):
            _taken(
                np.ascontiguousarray(self.points), np.ascontiguousarray(self.normals),
                gone, np.ascontiguousarray(ups), np.ascontiguousarray(height_mm), OVERHANG_COSINE, found,
            )  # fmt: skip
        return found

    def taken_before(self, ups: Floats) -> Floats:
        """(n,1) share of what is seen that is gone already, along unit vectors (n,3)."""
        if self.gone is None:
            return np.zeros((len(ups), 1))
        below_mm = -1.0 - float(np.linalg.norm(self.points, axis=1).max(initial=0.0))
        return self.taken(ups, np.full((len(ups), 1), below_mm))


@njit(parallel=True, cache=True)
def _taken(points, normals, gone, ups, heights, steepest, found):
    for d in prange(len(ups)):
        x, y, z = ups[d]
        n = heights.shape[1]
        first = heights[d, 0]
        step = heights[d, 1] - first if n > 1 else 1.0
        seen = 0
        count = np.zeros(n + 1, np.int64)
        for i in range(len(points)):
            if normals[i, 0] * x + normals[i, 1] * y + normals[i, 2] * z < -steepest:
                continue
            seen += 1
            if gone[i]:
                count[0] += 1
                continue
            along = (points[i, 0] * x + points[i, 1] * y + points[i, 2] * z - first) / step
            count[min(max(int(np.floor(along)) + 1, 0), n)] += 1
        below = 0
        for s in range(n):
            below += count[s]
            found[d, s] = below / max(seen, 1)
