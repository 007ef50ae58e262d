"""How triangles hang together: edges, fans, bodies. Shares no code with any step."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .part import Ints

Longs = NDArray[np.int64]


@dataclass(frozen=True)
class EdgeCheck:
    """What is wrong with the edges and vertices of a surface. All zero: a closed oriented 2-manifold.

    open_edges     edges with a face on one side only
    crowded_edges  edges that more than two faces share
    flipped_edges  edges whose two faces run along it in the same direction
    pinched        vertices at which more than one fan of faces meets (only counted when edges are right)
    """

    open_edges: int
    crowded_edges: int
    flipped_edges: int
    pinched: int

    @property
    def closed(self) -> bool:
        return self.open_edges == 0 and self.crowded_edges == 0

    @property
    def manifold(self) -> bool:
        return self.closed and self.flipped_edges == 0 and self.pinched == 0


def half_edges(faces: Ints) -> tuple[Longs, Longs]:
    """Start and end vertex (3m,) of every side of every face; side k belongs to face k // 3."""
    long = faces.astype(np.int64)
    return long.ravel(), long[:, [1, 2, 0]].ravel()


def used_vertices(faces: Ints, vertex_count: int) -> Longs:
    """Vertices (k,) that a face has, rising."""
    used = np.zeros(vertex_count, dtype=bool)
    used[faces] = True
    return np.flatnonzero(used)


def check_edges(faces: Ints, vertex_count: int) -> EdgeCheck:
    """Count what keeps the faces (m,3) from being a closed, oriented 2-manifold."""
    start, end = half_edges(faces)
    low, high = np.minimum(start, end), np.maximum(start, end)
    key = low * vertex_count + high
    order = np.argsort(key, kind="stable")
    runs = np.flatnonzero(np.diff(key[order], prepend=-1))
    sides = np.diff(runs, append=len(key))
    pairs = runs[sides == 2]
    first, second = order[pairs], order[pairs + 1]
    flipped = int((start[first] == start[second]).sum())
    wrong = EdgeCheck(int((sides == 1).sum()), int((sides > 2).sum()), flipped, 0)
    if not (wrong.closed and flipped == 0):
        return wrong
    opposite = np.empty(len(key), dtype=np.int64)
    opposite[first], opposite[second] = second, first
    return EdgeCheck(0, 0, 0, _pinched_vertices(start, opposite))


def is_closed(faces: Ints, vertex_count: int) -> bool:
    """Whether every edge has exactly two faces: the part of `check_edges` that costs little."""
    start, end = half_edges(faces)
    key = np.sort(np.minimum(start, end) * vertex_count + np.maximum(start, end))
    paired = len(key) % 2 == 0 and bool((key[0::2] == key[1::2]).all())
    return paired and bool((key[1:-1:2] != key[2::2]).all())


def _pinched_vertices(start: Longs, opposite: Longs) -> int:
    """Turning about a vertex from face to face visits every face there exactly if it is one fan."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    corner = np.arange(len(start))
    # The side before the one opposite to `corner` starts at the same vertex, in the next face around it.
    partner = opposite[corner // 3 * 3 + (corner + 2) % 3]
    links = coo_array((np.ones(len(corner), np.int8), (corner, partner)), shape=(len(corner),) * 2)
    fans, _ = connected_components(links, directed=False)
    return int(fans - np.count_nonzero(np.bincount(start)))


def bodies(faces: Ints, vertex_count: int) -> tuple[int, NDArray[np.int32]]:
    """Number of connected bodies, and the body (m,) of every face, numbered by first appearance."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    if not len(faces):
        return 0, np.zeros(0, dtype=np.int32)
    start, end = half_edges(faces)
    links = coo_array((np.ones(len(start), np.int8), (start, end)), shape=(vertex_count,) * 2)
    _, label = connected_components(links, directed=False)
    _, first, body = np.unique(label[faces[:, 0]], return_index=True, return_inverse=True)
    rank = np.empty(len(first), dtype=np.int32)
    rank[np.argsort(first)] = np.arange(len(first), dtype=np.int32)
    return len(first), rank[body.ravel()]


def boundary_loop_count(faces: Ints, vertex_count: int) -> int:
    """Number of connected rims: one for a disc, none for a closed surface."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    start, end = half_edges(faces)
    key = np.minimum(start, end) * vertex_count + np.maximum(start, end)
    _, where, count = np.unique(key, return_index=True, return_counts=True)
    rim = where[count == 1]
    if not len(rim):
        return 0
    ends = np.unique(np.stack([start[rim], end[rim]]), return_inverse=True)[1].reshape(2, -1)
    links = coo_array((np.ones(len(rim), np.int8), (ends[0], ends[1])), shape=(ends.max() + 1,) * 2)
    return int(connected_components(links, directed=False)[0])
