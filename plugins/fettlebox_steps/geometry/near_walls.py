"""Values of a winding number at the grid corners beside walls, most of them by counting walls.

Across a wall the winding number jumps by one, and everywhere else it is harmonic: far from the soup's rims it
hardly changes over a few cells. So in a block of the grid that no rim is near, one value tells all corners
that hang together; the rest is asked for.
"""

from __future__ import annotations

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

from .clean import first_of_equal
from .sparse_grid import STEP, Field, Floats, LevelGrid, distinct, pack
from .topology import ALONE, Ints, twins
from .wall_hits import WallHits

Flags = NDArray[np.bool_]

BLOCK = 4
"""Corners along each side of a block, as many as two bits of a coordinate tell apart."""

CLEAR_BLOCKS = 2
"""Blocks without a rim around one whose corners are counted: 8 cells. A rim adds 1 / 2πd to the gradient at a
distance d, so over a block's 7 cells the number changes by 0.14."""

PLAIN = 0.25
"""A value this near a whole number, and the change above, stay clear of the half between."""

LESS_CLEAR, PLAINER = 1, 0.1
"""With a rim in the blocks around those around it, 4 cells away, the number changes by 0.21 from corner to
corner of a block (5.2 cells); twice that beside two rims. Many such rims are seams that hardly gape: there
the value is as good as whole."""

DOUBLED = 1e-9
"""Two walls this close on one edge, in cells, may be one that grazes the side of two triangles."""

HALVINGS = 12
"""As often as a wall of the soup may have been made finer."""

SIDE = 21
FIELD = (1 << SIDE) - 1


def know_near_walls(grid: LevelGrid, hits: WallHits, vertices: Floats, faces: Ints) -> None:
    """Give the grid the values of the corners at the ends of all its edges that walls (n,3) mm, (m,3) cut."""
    if not len(hits.axis):
        return
    low = hits.low
    fresh = np.r_[True, (low[1:] != low[:-1]) | (hits.axis[1:] != hits.axis[:-1])]
    first = np.flatnonzero(fresh)
    twice = np.r_[False, ~fresh[1:] & (np.diff(hits.along) < DOUBLED)]
    doubtful = np.logical_or.reduceat(twice, first)
    start, axis = _coded(low[first]), hits.axis[first].astype(np.int64)
    order = np.argsort(start, kind="stable")
    edges = (
        start[order],
        axis[order],
        np.add.reduceat(hits.rise, first, dtype=np.int64)[order],
        doubtful[order],
    )
    codes = distinct(np.concatenate([start, _coded(low[first] + STEP[axis])]))
    near_rim, at_rim = _by_rims(codes >> 6, _blocks_of_rims(grid, vertices, faces))
    root, jumps, sure = _counted(codes, *edges)
    keys = _keys(codes)
    told = sure & ~at_rim
    values = np.empty(len(codes))
    asked = ~told | (root == np.arange(len(codes)))
    values[asked] = _asked(grid.field, grid.points(keys[asked]))
    whole = values[root] + jumps
    off = np.abs(values[root] - np.round(values[root]))
    plain = (off < np.where(near_rim, PLAINER, PLAIN)) & (whole > -BLOCK / 8)
    again = ~asked & ~plain
    values[again] = _asked(grid.field, grid.points(keys[again]))
    values[~asked & plain] = whole[~asked & plain]
    grid.know(keys, values, ~near_rim)


def _asked(field: Field, points: Floats) -> Floats:
    return field.values(points) if len(points) else np.empty(0)


@njit(parallel=True, cache=True)
def _coded(keys):
    """Keys as block, then place in the block: 19 bits for each coordinate of the one, 2 for the other."""
    codes = np.empty(len(keys), np.int64)
    for i in prange(len(keys)):
        x, y, z = keys[i] >> 2 * SIDE, (keys[i] >> SIDE) & FIELD, keys[i] & FIELD
        block = ((x >> 2) << 38) | ((y >> 2) << 19) | (z >> 2)
        codes[i] = (block << 6) | ((x & 3) << 4) | ((y & 3) << 2) | (z & 3)
    return codes


@njit(parallel=True, cache=True)
def _keys(codes):
    keys = np.empty(len(codes), np.int64)
    mask = (1 << 19) - 1
    for i in prange(len(codes)):
        code = codes[i]
        block = code >> 6
        x = ((block >> 38) << 2) | ((code >> 4) & 3)
        y = (((block >> 19) & mask) << 2) | ((code >> 2) & 3)
        z = ((block & mask) << 2) | (code & 3)
        keys[i] = (x << 2 * SIDE) | (y << SIDE) | z
    return keys


def _blocks_of_rims(grid: LevelGrid, vertices: Floats, faces: Ints) -> Ints:
    """Blocks, ascending, that a rim passes."""
    places = (vertices - grid.origin) / grid.cell_mm
    start, end = _rims(vertices, faces)
    a, way = places[start], places[end] - places[start]
    count = np.maximum(np.ceil(np.linalg.norm(way, axis=1) / (BLOCK / 2)).astype(np.int64), 1) + 1
    which = np.repeat(np.arange(len(a)), count)
    share = (np.arange(len(which)) - np.repeat(np.cumsum(count) - count, count)) / (count - 1)[which]
    cells = np.floor(a[which] + way[which] * share[:, None]).astype(np.int64)
    return distinct(_coded(pack(cells)) >> 6)


def _by_rims(blocks: Ints, rims: Ints) -> tuple[Flags, Flags]:
    """Which of blocks (n,) lie within CLEAR_BLOCKS of a rim, and which within LESS_CLEAR."""
    found = []
    for blocks_off in (CLEAR_BLOCKS, LESS_CLEAR):
        reach = np.arange(-blocks_off, blocks_off + 1)
        around = ((reach[:, None, None] << 38) + (reach[:, None] << 19) + reach).ravel()
        near = distinct((rims[:, None] + around).ravel())
        at = np.minimum(np.searchsorted(near, blocks), max(len(near) - 1, 0))
        found.append(near[at] == blocks if len(near) else np.zeros(len(blocks), np.bool_))
    return found[0], found[1]


def _rims(vertices: Floats, faces: Ints) -> tuple[Ints, Ints]:
    """Ends (k,) and (k,) of edges where the soup's surface ends. Equal positions are one; an edge against two
    that meet in its middle, as where walls are made finer in part, is none.
    """
    place = first_of_equal((vertices + 0.0).view(np.int64))
    corners = place[faces]
    half = np.flatnonzero(twins(corners, len(vertices)) <= ALONE)
    start, end = corners[half // 3, half % 3], corners[half // 3, (half + 1) % 3]
    for _ in range(HALVINGS):
        if not len(start):
            break
        middle = (vertices[start] + vertices[end]) / 2
        ends = np.unique(np.concatenate([start, end]))
        same = first_of_equal((np.concatenate([vertices[ends], middle]) + 0.0).view(np.int64))[len(ends) :]
        there = same < len(ends)
        if not there.any():
            break
        between = ends[same[there]]
        start, end = (
            np.concatenate([start[~there], start[there], between]),
            np.concatenate([end[~there], between, end[there]]),
        )
        start, end = _unpaired(start, end, len(vertices))
    return start, end


def _unpaired(start: Ints, end: Ints, n: int) -> tuple[Ints, Ints]:
    """Without directed edges that run both ways as often; of others, each once."""
    key, back = start * n + end, end * n + start
    kinds, forth = np.unique(key, return_counts=True)
    against = np.zeros(len(kinds), np.int64)
    others, count = np.unique(back, return_counts=True)
    at = np.minimum(np.searchsorted(others, kinds), len(others) - 1)
    found = others[at] == kinds
    against[found] = count[at[found]]
    left = kinds[forth > against]
    return left // n, left % n


@njit(cache=True)
def _counted(codes, start, axis, jump, doubtful):
    """For each corner the first of those it hangs together with in its block, the walls' jumps from there,
    and whether those agree whichever way one goes.
    """
    count = len(codes)
    root = np.arange(count)
    jumps = np.zeros(count, np.int64)
    sure = np.ones(count, np.bool_)
    at = np.empty(64, np.int64)
    rises = np.empty((64, 3), np.int64)
    one = np.empty(192, np.int64)
    two = np.empty(192, np.int64)
    rise = np.empty(192, np.int64)
    step = (16, 4, 1)
    first, edge = 0, 0
    while first < count:
        block = codes[first] >> 6
        last = first
        at[:] = -1
        rises[:] = 0
        while last < count and codes[last] >> 6 == block:
            at[codes[last] & 63] = last
            last += 1
        while edge < len(start) and start[edge] >> 6 < block:
            edge += 1
        agree = True
        while edge < len(start) and start[edge] >> 6 == block:
            rises[start[edge] & 63, axis[edge]] = jump[edge]
            agree &= not doubtful[edge]
            edge += 1
        links = 0
        for local in range(64):
            for k in range(3):
                if at[local] >= 0 and (local // step[k]) % 4 < 3 and at[local + step[k]] >= 0:
                    one[links], two[links] = at[local], at[local + step[k]]
                    rise[links] = rises[local, k]
                    links += 1
        changed = True
        while changed:
            changed = False
            for i in range(links):
                a, b = one[i], two[i]
                if root[a] < root[b]:
                    root[b], jumps[b] = root[a], jumps[a] + rise[i]
                    changed = True
                elif root[b] < root[a]:
                    root[a], jumps[a] = root[b], jumps[b] - rise[i]
                    changed = True
        for i in range(links):
            agree &= jumps[two[i]] - jumps[one[i]] == rise[i]
        sure[first:last] = agree
        first = last
    return root, jumps, sure
