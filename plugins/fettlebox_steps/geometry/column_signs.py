"""Where upright columns of a grid enter and leave a closed surface.

Triangles are scan-converted on whole numbers with a rule for columns that pass exactly through an edge
(J. Pineda, "A parallel algorithm for polygon rasterization", SIGGRAPH 1988), so that a column passes a closed
surface as often into it as out of it, however the surface lies to the grid.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

BITS = 16
"""Corners are rounded to a 65536th of a cell sideways: products of three-thousand-cell grids fit 64 bits."""


@dataclass(frozen=True, eq=False)
class Columns:
    """Crossings of column q = i * ny + j are number start[q] to start[q + 1].

    start (nx*ny + 1,); height (c,) in cells above the origin, ascending in each column;
    into (c,) +1 where the way up enters the body, -1 where it leaves.
    """

    start: Ints
    height: Floats
    into: NDArray[np.int8]


def columns(vertices: Floats, faces: Ints, origin: Floats, cell_mm: float, nx: int, ny: int) -> Columns:
    """Crossings of nx × ny columns; column (i, j) stands at origin + (i, j) cells. Closed surfaces only."""
    scale = float(1 << BITS) / cell_mm
    x = np.rint((vertices[:, 0] - origin[0]) * scale).astype(np.int64)
    y = np.rint((vertices[:, 1] - origin[1]) * scale).astype(np.int64)
    z = (vertices[:, 2] - origin[2]) / cell_mm
    count = np.zeros(nx * ny, dtype=np.int64)
    _convert(x, y, z, faces, nx, ny, np.zeros(1, np.int64), np.zeros(0), np.zeros(0, np.int8), count)
    start = np.concatenate([[0], np.cumsum(count)]).astype(np.int64)
    height, into = np.empty(start[-1]), np.empty(start[-1], dtype=np.int8)
    count[:] = 0
    _convert(x, y, z, faces, nx, ny, start, height, into, count)
    _sort(start, height, into)
    return Columns(start, height, into)


@njit(cache=True)
def _owns(dx, dy):
    """Whether a column exactly on an edge with this direction belongs to the triangle on its left."""
    return dy < 0 or (dy == 0 and dx < 0)


@njit(cache=True)
def _convert(x, y, z, faces, nx, ny, start, height, into, count):
    """Counts crossings; writes them too when there is room for them."""
    write = len(height) > 0
    last = (1 << BITS) - 1
    for f in range(len(faces)):
        a, b, c = faces[f, 0], faces[f, 1], faces[f, 2]
        doubled = (x[b] - x[a]) * (y[c] - y[a]) - (y[b] - y[a]) * (x[c] - x[a])
        if doubled == 0:
            continue
        way = -1
        if doubled < 0:
            b, c = c, b
            way = 1
        ax, ay, bx, by, cx, cy = x[a], y[a], x[b], y[b], x[c], y[c]
        i0, i1 = max(0, (min(ax, bx, cx) + last) >> BITS), min(nx - 1, max(ax, bx, cx) >> BITS)
        j0, j1 = max(0, (min(ay, by, cy) + last) >> BITS), min(ny - 1, max(ay, by, cy) >> BITS)
        for i in range(i0, i1 + 1):
            px = i << BITS
            for j in range(j0, j1 + 1):
                py = j << BITS
                u = (cx - bx) * (py - by) - (cy - by) * (px - bx)
                v = (ax - cx) * (py - cy) - (ay - cy) * (px - cx)
                w = (bx - ax) * (py - ay) - (by - ay) * (px - ax)
                if u < 0 or v < 0 or w < 0:
                    continue
                if u == 0 and not _owns(cx - bx, cy - by):
                    continue
                if v == 0 and not _owns(ax - cx, ay - cy):
                    continue
                if w == 0 and not _owns(bx - ax, by - ay):
                    continue
                q = i * ny + j
                if write:
                    at = start[q] + count[q]
                    height[at] = (u * z[a] + v * z[b] + w * z[c]) / (u + v + w)
                    into[at] = way
                count[q] += 1


@njit(parallel=True, cache=True)
def _sort(start, height, into):
    """Each column by one thread alone. Columns have few crossings: insertion is the fastest way."""
    for q in prange(len(start) - 1):
        for i in range(start[q] + 1, start[q + 1]):
            z, way = height[i], into[i]
            j = i - 1
            while j >= start[q] and height[j] > z:
                height[j + 1], into[j + 1] = height[j], into[j]
                j -= 1
            height[j + 1], into[j + 1] = z, way
