"""Which vertices and triangles of a surface touch, worked out once for all that is asked of it while its
vertices move; and its vertices in an order in which neighbours lie close in memory.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from .topology import edge_order

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]
Longs = NDArray[np.int64]
Mask = NDArray[np.bool_]

CELLS = 1024
"""Cells along each axis for the order of vertices: few vertices of a scan of millions share one."""


@dataclass(frozen=True)
class Links:
    """Of faces (m,3) over n vertices.

    start (n+1,), other (k,): the neighbours of each vertex, ascending, in CSR form; left, right (e,): the
    faces on either side of every edge that several share; rim (n,) the ends of edges of one face only.
    """

    faces: Ints
    start: Ints
    other: Ints
    left: Ints
    right: Ints
    rim: Mask


def links_of(faces: Ints, count: int) -> Links:
    """The links of faces (m,3) over `count` vertices."""
    half, edge = edge_order(faces, count)
    return Links(faces, *_links(faces, half, edge, count))


def near_in_memory(vertices: Floats, faces: Ints) -> tuple[Longs, Floats, Ints]:
    """The same surface with its vertices in Morton's order of the cells they lie in (G. Morton, "A computer
    oriented geodetic data base", 1966) and its faces in that of their first vertices: (n,) old index of each
    vertex, vertices (n,3), faces (m,3).

    Every pass of a filter looks up the neighbours of every vertex, and waits for memory when they lie
    anywhere, as in scans that were refined or stitched.
    """
    low = vertices.min(axis=0)
    size = float(np.ptp(vertices, axis=0).max())
    cell = np.minimum((vertices - low) * (CELLS / size if size > 0 else 0.0), CELLS - 1).astype(np.int64)
    order = np.argsort(_interleaved(cell), kind="stable")
    new = np.empty(len(order), np.int32)
    new[order] = np.arange(len(order), dtype=np.int32)
    renamed = new[faces]
    first = np.argsort(renamed.min(axis=1), kind="stable")
    return order, vertices[order], renamed[first]


@njit(cache=True)
def _interleaved(cell):
    """Bits of the three numbers (n,3), of ten bits each, in turn."""
    keys = np.zeros(len(cell), np.int32)
    for i in range(len(cell)):
        key = 0
        for axis in range(3):
            bits = cell[i, axis]
            bits = (bits | (bits << 16)) & 0x030000FF
            bits = (bits | (bits << 8)) & 0x0300F00F
            bits = (bits | (bits << 4)) & 0x030C30C3
            bits = (bits | (bits << 2)) & 0x09249249
            key |= bits << axis
        keys[i] = key
    return keys


@njit(cache=True)
def _links(faces, half, edge, n):
    """Half edges come sorted by their edge's lower end, then its higher: rows fill in ascending order when
    all lower neighbours are entered before all higher ones.
    """
    edges = len(edge) - 1
    low, high = np.empty(edges, np.int32), np.empty(edges, np.int32)
    start = np.zeros(n + 1, np.int32)
    rim = np.zeros(n, np.bool_)
    pairs = 0
    for e in range(edges):
        h = half[edge[e]]
        a, b = faces[h // 3, h % 3], faces[h // 3, (h % 3 + 1) % 3]
        low[e], high[e] = min(a, b), max(a, b)
        if a != b:
            start[a + 1] += 1
            start[b + 1] += 1
        pairs += edge[e + 1] - edge[e] - 1
        if edge[e + 1] - edge[e] == 1:
            rim[a] = True
            rim[b] = True
    for v in range(n):
        start[v + 1] += start[v]
    place = start[:-1].copy()
    other = np.empty(start[n], np.int32)
    for e in range(edges):
        if low[e] != high[e]:
            other[place[high[e]]] = low[e]
            place[high[e]] += 1
    for e in range(edges):
        if low[e] != high[e]:
            other[place[low[e]]] = high[e]
            place[low[e]] += 1
    left, right = np.empty(pairs, np.int32), np.empty(pairs, np.int32)
    at = 0
    for e in range(edges):
        for i in range(edge[e], edge[e + 1] - 1):
            left[at] = half[i] // 3
            right[at] = half[i + 1] // 3
            at += 1
    return start, other, left, right, rim
