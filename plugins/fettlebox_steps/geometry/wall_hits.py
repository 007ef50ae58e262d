"""Where the triangles of a scan cut the edges of a regular grid: exactly, without a ray tracer."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

EDGE_ON = 1e-12
"""A grid line counts as inside a triangle when it passes its border by less than this share of the
triangle's size: neighbours may then both report it, but never neither."""


class WallHits(NamedTuple):
    """Cuts sorted by grid corner, axis, and place along the edge.

    cell (k,3) the corner the edge starts from; axis (k,); along (k,) 0 to 1;
    rise (k,) +1 where the winding number goes up along the axis (the triangle faces back), else -1.
    """

    cell: NDArray[np.int64]
    axis: NDArray[np.int64]
    along: NDArray[np.float64]
    rise: NDArray[np.int64]


def wall_hits(vertices: NDArray[np.float64], faces: NDArray[np.int64]) -> WallHits:
    """Cuts of faces (m,3) with the edges of the grid of whole numbers; vertices (n,3) are in cells."""
    size = 1024 + 4 * len(faces)
    while True:
        cell = np.empty((size, 3), dtype=np.int64)
        axis = np.empty(size, dtype=np.int64)
        along = np.empty(size)
        rise = np.empty(size, dtype=np.int64)
        count = _scan(vertices, faces, cell, axis, along, rise)
        if count <= size:
            break
        size = count
    order = np.lexsort((rise[:count], along[:count], axis[:count], *cell[:count].T[::-1]))
    return WallHits(cell[order], axis[order], along[order], rise[order])


@njit(cache=True)
def _scan(vertices, faces, cell, axis, along, rise):
    count = 0
    room = len(axis)
    for f in range(len(faces)):
        a, b, c = vertices[faces[f, 0]], vertices[faces[f, 1]], vertices[faces[f, 2]]
        for k in range(3):
            u, v = (k + 1) % 3, (k + 2) % 3
            area = (b[u] - a[u]) * (c[v] - a[v]) - (b[v] - a[v]) * (c[u] - a[u])
            slack = EDGE_ON * max(abs(b[u] - a[u]), abs(b[v] - a[v]), abs(c[u] - a[u]), abs(c[v] - a[v])) ** 2
            if abs(area) <= 10 * slack:
                continue  # seen edge-on: the grid lines of the other axes cut it
            low, high = min(a[k], b[k], c[k]), max(a[k], b[k], c[k])
            sign = 1.0 if area > 0 else -1.0
            for i in range(int(np.ceil(min(a[u], b[u], c[u]))), int(np.floor(max(a[u], b[u], c[u]))) + 1):
                for j in range(int(np.ceil(min(a[v], b[v], c[v]))), int(np.floor(max(a[v], b[v], c[v]))) + 1):
                    wa = sign * ((b[u] - i) * (c[v] - j) - (b[v] - j) * (c[u] - i))
                    wb = sign * ((c[u] - i) * (a[v] - j) - (c[v] - j) * (a[u] - i))
                    wc = sign * ((a[u] - i) * (b[v] - j) - (a[v] - j) * (b[u] - i))
                    if wa < -slack or wb < -slack or wc < -slack:
                        continue
                    place = (wa * a[k] + wb * b[k] + wc * c[k]) / (wa + wb + wc)
                    place = min(max(place, low), high)
                    if count < room:
                        whole = int(np.floor(place))
                        cell[count, k] = whole
                        cell[count, u] = i
                        cell[count, v] = j
                        axis[count] = k
                        along[count] = place - whole
                        rise[count] = -1 if area > 0 else 1
                    count += 1
    return count
