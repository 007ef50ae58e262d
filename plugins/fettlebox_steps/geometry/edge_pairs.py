"""Which half edges of a triangle mesh run along the same edge.

They are counted into buckets by the lower end of their edge, and the few of a bucket sorted by the other end:
the time is linear but for vertices with many neighbours. Threads share out the vertices, so that each bucket
is one thread's alone and comes out the same however many there are.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import get_num_threads, njit, prange
from numpy.typing import NDArray

Ints = NDArray[np.integer[Any]]

ALONE = -1
"""Twin of a half edge on a rim: no other face has this edge."""
CROWDED = -2
"""Twin of a half edge whose edge has more than two faces, or two that wind against each other."""

BITS = 32
HALF = (1 << BITS) - 1
"""What is left of a bucket's number for the half edge."""

FEW = 32
"""Numbers that are sorted fastest by insertion."""

WORTH_SHARING = 4_000
"""Faces from which on a second thread saves more than it costs to wake."""

MOST_PARTS = 4
"""Each part reads all half edges and keeps its own: with more, threads would only heat the machine."""


def twins(faces: Ints, n: int) -> Ints:
    """(3m,) the half edge that runs the other way along the same edge, or ALONE, or CROWDED."""
    return np.asarray(_paired(faces, *_by_edge(faces, n, _parts(faces))))


def edge_order(faces: Ints, n: int) -> tuple[Ints, Ints]:
    """Half edges sorted by edge.

    Returns (order, start): the half edges of edge e are `order[start[e]:start[e + 1]]`, ascending.
    """
    order, start = _listed(*_by_edge(faces, n, _parts(faces)))
    return order, start


def _parts(faces: Ints) -> int:
    return min(get_num_threads(), MOST_PARTS) if len(faces) >= WORTH_SHARING else 1


@njit(parallel=True, cache=True)
def _by_edge(faces, n, parts):
    """Half edges sorted by the lower, then the other end of their edge, then their number.

    Returns start (n + 1,) of the lower ends' buckets, (3m,) what is in them, the other end and the half edge
    in one number, and the first vertex of each part of the work (parts + 1,), which are about equal.
    """
    m = len(faces)
    start = np.zeros(n + 1, np.int64)
    for part in prange(parts):
        first, last = part * n // parts, (part + 1) * n // parts
        for f in range(m):
            for k in range(3):
                low = min(faces[f, k], faces[f, (k + 1) % 3])
                if first <= low < last:
                    start[low + 1] += 1
    for v in range(n):
        start[v + 1] += start[v]
    cuts = np.empty(parts + 1, np.int64)
    for part in range(parts):
        cuts[part] = np.searchsorted(start, part * 3 * m // parts)
    cuts[0] = 0
    cuts[parts] = n
    room = start[:-1].copy()
    sides = np.empty(3 * m, np.int64)
    for part in prange(parts):
        first, last = cuts[part], cuts[part + 1]
        for f in range(m):
            for k in range(3):
                a, b = np.int64(faces[f, k]), np.int64(faces[f, (k + 1) % 3])
                low = min(a, b)
                if first <= low < last:
                    sides[room[low]] = (max(a, b) << BITS) | (3 * f + k)
                    room[low] += 1
        for v in range(first, last):
            if start[v + 1] - start[v] > FEW:
                sides[start[v] : start[v + 1]].sort()
                continue
            for i in range(start[v] + 1, start[v + 1]):
                side = sides[i]
                at = i
                while at > start[v] and sides[at - 1] > side:
                    sides[at] = sides[at - 1]
                    at -= 1
                sides[at] = side
    return start, sides, cuts


@njit(parallel=True, cache=True)
def _paired(faces, start, sides, cuts):
    twin = np.empty(len(sides), np.int64)
    for part in prange(len(cuts) - 1):
        for v in range(cuts[part], cuts[part + 1]):
            first = start[v]
            while first < start[v + 1]:
                last = _end_of_edge(sides, first, start[v + 1])
                g, h = sides[first] & HALF, sides[last - 1] & HALF
                if last - first == 1:
                    twin[g] = ALONE
                elif last - first == 2 and faces[g // 3, g % 3] != faces[h // 3, h % 3]:
                    twin[g] = h
                    twin[h] = g
                else:
                    for i in range(first, last):
                        twin[sides[i] & HALF] = CROWDED
                first = last
    return twin


@njit(parallel=True, cache=True)
def _listed(start, sides, cuts):
    parts = len(cuts) - 1
    edges = np.zeros(parts + 1, np.int64)
    for part in prange(parts):
        count = 0
        for v in range(cuts[part], cuts[part + 1]):
            first = start[v]
            while first < start[v + 1]:
                first = _end_of_edge(sides, first, start[v + 1])
                count += 1
        edges[part + 1] = count
    edges = np.cumsum(edges)
    begin = np.empty(edges[parts] + 1, np.int64)
    begin[edges[parts]] = len(sides)
    for part in prange(parts):
        at = edges[part]
        for v in range(cuts[part], cuts[part + 1]):
            first = start[v]
            while first < start[v + 1]:
                begin[at] = first
                first = _end_of_edge(sides, first, start[v + 1])
                at += 1
    return sides & HALF, begin


@njit(inline="always")
def _end_of_edge(sides, first, end):
    """The place behind the last side of the edge that the one at `first` is a side of."""
    last = first + 1
    while last < end and sides[last] >> BITS == sides[first] >> BITS:
        last += 1
    return last
