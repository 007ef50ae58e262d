"""How far inside a closed body the corners of a grid lie, exact where it matters.

Along an upright column the distance to the surface changes by no more than the way. So one exact distance
tells how many corners may be passed over, and most of a body is never asked about.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

from .column_signs import Columns
from .distance import NEVER_ENOUGH, WIDE, DistanceTree, _triangle_distances, nearest_in

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

FAR = 3.0
"""Cells beyond which a value is not told: a surface never passes next to a corner that is a cell away."""

NEAREST = 0.04
"""A corner that lies within the level by less than this share of a cell counts as outside of it, so that no
vertex comes close to a corner of the grid; the level is then passed a little deeper, never less deep."""

DEEP = 4.0
SURE = 0.6
"""A corner that may be deeper than the level by more than DEEP cells is only asked whether it is at least
SURE of that deep: a smaller search, and it still passes over most of the way."""

KNOWN = 1.05
"""Cells from the level within which a corner's nearest place is told: ends of edges that pass the level."""

COLUMN_SURE = 1.001
"""The way along a column is rounded sideways; this much further, the search always finds what is nearest."""

ROWS = 8
"""Rows of columns that one thread takes at a time; fixed, so that the bytes do not depend on threads."""


MOST_AT_A_TIME = 24
MOST_CORNERS = 64_000_000
"""New slices, and corners in all slices, that are kept at a time: 20 bytes a corner with its way, which was
measured, so 1.3 GB at most; 8 bytes, 0.5 GB, without."""


@dataclass(frozen=True, eq=False)
class DepthGrid:
    """Corners (i, j, k) at origin + (i, j, k) * cell_mm, inside the body described by columns and tree."""

    tree: DistanceTree
    columns: Columns
    origin: Floats
    cell_mm: float
    size: tuple[int, int, int]

    def runs(self, level_mm: float, *, feet: bool = False) -> Iterator[tuple[int, Floats, Singles]]:
        """All slices, run by run: the number of a run's first slice, which is the last of the run before, and
        (count, ny, nz) depth below the surface minus `level_mm`, in cells.

        Exact within a cell of the level; elsewhere at least the sign is right. Never above the truth
        where it is within a cell. Third, if `feet` are asked for, (count, ny, nz, 3): the way in mm from
        a corner about a cell from the level to the place of the surface that is nearest to it; zero for all
        other corners. A corner outside by more than a cell may be told another place that is less deep than
        the level by so much: the search for it ends there.

        The arrays are written over for the next run; what is changed in the last slice stays changed.
        """
        nx, ny, nz = self.size
        at_a_time = min(max(MOST_CORNERS // (ny * nz) - 1, 1), MOST_AT_A_TIME, nx - 1)
        values = np.empty((at_a_time + 1, ny, nz))
        ways = np.zeros((at_a_time + 1, ny, nz, 3) if feet else (0, 0, 0, 3), dtype=np.float32)
        self._write(0, level_mm, values[:1], ways[:1])
        for first in range(1, nx, at_a_time):
            end = min(at_a_time, nx - first) + 1
            if first > 1:
                values[0], ways[:1] = values[-1], ways[-1:]
            ways[1:end] = 0.0
            self._write(first, level_mm, values[1:end], ways[1:end])
            yield first - 1, values[:end], ways[:end]

    def _write(self, first: int, level_mm: float, values: Floats, ways: Singles) -> None:
        """Slices from `first` on. The ways are zero before."""
        values[:] = -FAR
        _depths(
            self.tree.leaves,
            self.tree.boxes,
            self.tree.first,
            self.columns.start,
            self.columns.height,
            self.columns.into,
            self.origin,
            self.cell_mm,
            first,
            level_mm,
            values,
            ways,
        )


@njit(inline="always")
def search_room():
    """What one thread writes on while it searches for places."""
    return np.empty(256, dtype=np.int64), np.empty(256, dtype=np.int64), np.empty(256), np.empty(WIDE)


@njit(inline="always")
def nearest_from(leaves, boxes, first, x, y, z, last, room):
    """Squared distance to the nearest place, and its leaf; the search starts from a leaf thought near."""
    stack, depth, bound, squared = room
    _triangle_distances(leaves[last], x, y, z, squared)
    return nearest_in(
        leaves, boxes, first, x, y, z, squared.min(), last, NEVER_ENOUGH, stack, depth, bound, squared
    )


@njit(cache=True, error_model="numpy")
def foot_in(t, x, y, z, squared):
    """The place of a leaf's triangles that is nearest to a point (C. Ericson, 2005, section 5.1.5)."""
    _triangle_distances(t, x, y, z, squared)
    w = len(squared)
    e = np.argmin(squared)
    ax, ay, az = t[e], t[w + e], t[2 * w + e]
    ux, uy, uz = t[3 * w + e] - ax, t[4 * w + e] - ay, t[5 * w + e] - az
    vx, vy, vz = t[6 * w + e] - ax, t[7 * w + e] - ay, t[8 * w + e] - az
    px, py, pz = x - ax, y - ay, z - az
    uu, uv, vv = ux * ux + uy * uy + uz * uz, ux * vx + uy * vy + uz * vz, vx * vx + vy * vy + vz * vz
    pu, pv = px * ux + py * uy + pz * uz, px * vx + py * vy + pz * vz
    d = uu * vv - uv * uv
    s, r = (pu * vv - pv * uv) / max(d, 1e-300), (pv * uu - pu * uv) / max(d, 1e-300)
    if not (s > 0.0 and r > 0.0 and s + r < 1.0):
        s, r = min(max(pu / max(uu, 1e-300), 0.0), 1.0), 0.0
        least = (px - s * ux) ** 2 + (py - s * uy) ** 2 + (pz - s * uz) ** 2
        a = min(max(pv / max(vv, 1e-300), 0.0), 1.0)
        other = (px - a * vx) ** 2 + (py - a * vy) ** 2 + (pz - a * vz) ** 2
        if other < least:
            least, s, r = other, 0.0, a
        wx, wy, wz = vx - ux, vy - uy, vz - uz
        a = (px - ux) * wx + (py - uy) * wy + (pz - uz) * wz
        a = min(max(a / max(wx * wx + wy * wy + wz * wz, 1e-300), 0.0), 1.0)
        if (px - ux - a * wx) ** 2 + (py - uy - a * wy) ** 2 + (pz - uz - a * wz) ** 2 < least:
            s, r = 1.0 - a, a
    return ax + s * ux + r * vx, ay + s * uy + r * vy, az + s * uz + r * vz


@njit(parallel=True, cache=True)
def _depths(leaves, boxes, first, start, height, into, origin, cell, first_slice, level, values, ways):
    count, ny, nz = values.shape
    groups = (ny + ROWS - 1) // ROWS
    shallow = max(level - 1.0001 * cell, 0.0)
    enough = shallow * shallow
    for group in prange(count * groups):
        i = group // groups
        stack = np.empty(256, dtype=np.int64)
        depth = np.empty(256, dtype=np.int64)
        bound = np.empty(256)
        squared = np.empty(WIDE)
        last = -1
        x = origin[0] + (first_slice + i) * cell
        for j in range(group % groups * ROWS, min(ny, (group % groups + 1) * ROWS)):
            q = (first_slice + i) * ny + j
            y = origin[1] + j * cell
            within = 0
            for p in range(start[q], start[q + 1] - 1):
                within += into[p]
                if within < 1:
                    continue
                low, high = height[p], height[p + 1]
                k = max(0, int(np.ceil(low + shallow / cell)))
                end = min(nz - 1, int(np.floor(high - shallow / cell)))
                while k <= end:
                    z = origin[2] + k * cell
                    best = (COLUMN_SURE * min(k - low, high - k) * cell) ** 2
                    if last >= 0:
                        _triangle_distances(leaves[last], x, y, z, squared)
                        best = min(best, squared.min())
                    known = np.sqrt(best)
                    if known < shallow:
                        k += max(1, int((shallow - known) / cell))
                        continue
                    if known > level + DEEP * cell:
                        known = level + SURE * (known - level)
                        best = known * known
                    best, last = nearest_in(
                        leaves, boxes, first, x, y, z, best, last, enough, stack, depth, bound, squared
                    )
                    value = (np.sqrt(best) - level) / cell
                    if len(ways) and abs(value) <= KNOWN:
                        foot = foot_in(leaves[last], x, y, z, squared)
                        ways[i, j, k, 0], ways[i, j, k, 1], ways[i, j, k, 2] = (
                            foot[0] - x,
                            foot[1] - y,
                            foot[2] - z,
                        )
                    skip = max(1, int(abs(value)))
                    if 0.0 < value < NEAREST:
                        value = -NEAREST
                    values[i, j, k] = min(max(value, -FAR), FAR)
                    if value > 0.0:
                        for passed in range(k + 1, min(k + skip, end + 1)):
                            values[i, j, passed] = FAR
                    k += skip
