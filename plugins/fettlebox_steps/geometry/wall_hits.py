"""Where the triangles of a scan cut the edges of a regular grid: exactly, without a ray tracer."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from .sparse_grid import HALF, STEP, Keys, unpack

EDGE_ON = 1e-12
"""A grid line counts as inside a triangle when it passes its border by less than this share of the
triangle's size: neighbours may then both report it, but never neither."""


class WallHits(NamedTuple):
    """Cuts sorted by grid corner, axis, and place along the edge.

    low (k,) key of the corner the edge starts from; axis (k,); along (k,) 0 to 1;
    rise (k,) +1 where the winding number goes up along the axis (the triangle faces back), else -1;
    face (k,) the triangle.
    """

    low: Keys
    axis: NDArray[np.int8]
    along: NDArray[np.float64]
    rise: NDArray[np.int8]
    face: NDArray[np.int32]

    @property
    def cell(self) -> NDArray[np.int64]:
        """Coordinates (k,3) of the corner the edge starts from."""
        return unpack(self.low)


def wall_hits(vertices: NDArray[np.float64], faces: NDArray[np.int64]) -> WallHits:
    """Cuts of faces (m,3) with the edges of the grid of whole numbers; vertices (n,3) are in cells."""
    size = 1024 + 4 * len(faces)
    while True:
        low = np.empty(size, dtype=np.int64)
        axis = np.empty(size, dtype=np.int8)
        along = np.empty(size)
        rise = np.empty(size, dtype=np.int8)
        face = np.empty(size, dtype=np.int32)
        count = _scan(vertices, faces, low, axis, along, rise, face)
        if count <= size:
            break
        size = count
    order = np.argsort(low[:count])
    _order_at_corners(order, low, axis, along, face)
    return WallHits(low[order], axis[order], along[order], rise[order], face[order])


@njit(cache=True)
def _order_at_corners(order, low, axis, along, face):
    """Cuts at one corner, which are few, by axis, place, and triangle."""
    for i in range(1, len(order)):
        h = order[i]
        j = i - 1
        while j >= 0 and low[order[j]] == low[h]:
            g = order[j]
            if axis[g] < axis[h] or (axis[g] == axis[h] and along[g] < along[h]):
                break
            if axis[g] == axis[h] and along[g] == along[h] and face[g] < face[h]:
                break
            order[j + 1] = g
            j -= 1
        order[j + 1] = h


@njit(cache=True)
def _scan(vertices, faces, low_end, axis, along, rise, face):
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
                        low_end[count] = (
                            (whole + HALF) * STEP[k] + (i + HALF) * STEP[u] + (j + HALF) * STEP[v]
                        )
                        axis[count] = k
                        along[count] = place - whole
                        rise[count] = -1 if area > 0 else 1
                        face[count] = f
                    count += 1
    return count
