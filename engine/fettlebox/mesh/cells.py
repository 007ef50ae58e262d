"""Which of many points is nearest, found in a grid of cells: for questions that are close to their answer."""

from __future__ import annotations

import math
from typing import Any

import numba
import numpy as np

from .nearest import Longs
from .part import Floats

MOST_ACROSS = 128
"""Cells along the longest side: 2 million in all, 8 MB."""

PER_CELL = 4.0
"""Points that a cell holds if they are spread over a plane."""


def nearest_of(points: Floats, wanted: Floats, spacing: float) -> Longs:
    """Number (k,) of the point (n,3) nearest to each one that is `wanted` (k,3), exactly; of points equally
    near any. It is quick where `points` are about `spacing` apart and what is wanted is not much farther off.
    """
    low = points.min(axis=0)
    size = points.max(axis=0) - low
    cell = max(spacing * PER_CELL**0.5, float(size.max()) / MOST_ACROSS, np.finfo(np.float64).tiny)
    # As the kernel divides, so that no point falls out of the last cell.
    shape = np.floor(size / cell).astype(np.int64) + 1
    found: Longs = _search(points, wanted, low, cell, shape)
    open_ = np.flatnonzero(found < 0)
    if len(open_):
        from scipy.spatial import cKDTree

        found[open_] = cKDTree(points).query(wanted[open_])[1]
    return found


@numba.njit(cache=True, nogil=True)
def _search(points: Floats, wanted: Floats, low: Floats, cell: float, shape: Longs) -> Any:
    """−1 where the nearest point may lie outside the cells around."""
    nx, ny, nz = shape[0], shape[1], shape[2]
    begin = np.zeros(nx * ny * nz + 1, np.int32)
    place = np.empty(len(points), np.int64)
    for i in range(len(points)):
        x, y, z = points[i, 0] - low[0], points[i, 1] - low[1], points[i, 2] - low[2]
        place[i] = (int(x / cell) * ny + int(y / cell)) * nz + int(z / cell)
        begin[place[i] + 1] += 1
    for c in range(len(begin) - 1):
        begin[c + 1] += begin[c]
    held = np.empty(len(points), np.int32)
    free = begin.copy()
    for i in range(len(points)):
        held[free[place[i]]] = i
        free[place[i]] += 1
    found = np.full(len(wanted), -1, np.int64)
    for w in range(len(wanted)):
        x, y, z = wanted[w, 0], wanted[w, 1], wanted[w, 2]
        cx = math.floor((x - low[0]) / cell)
        cy = math.floor((y - low[1]) / cell)
        cz = math.floor((z - low[2]) / cell)
        first, last = min(max(cz - 1, 0), nz), min(max(cz + 2, 0), nz)
        best = cell * cell  # what is farther off may be in a cell that is not looked into
        for i in range(max(cx - 1, 0), min(cx + 2, nx)):
            for j in range(max(cy - 1, 0), min(cy + 2, ny)):
                row = (i * ny + j) * nz
                for h in range(begin[row + first], begin[row + last]):
                    p = held[h]
                    d = (points[p, 0] - x) ** 2 + (points[p, 1] - y) ** 2 + (points[p, 2] - z) ** 2
                    if d < best or (d == best and p < found[w]):
                        best, found[w] = d, p
    return found
