"""Flat parts of a grid surface drawn with few triangles: what a scan's base and walls are made of.

The grid is taken in blocks. A block whose piece of the surface is one flat disc gets a cone instead, from a
vertex inside over the disc's rim: a cone from inside a convex block over a curve on its border that does not
cross itself does not cross itself either, and every block stays within itself. Of the rim, what lies in the
face between two such blocks becomes a straight line, and neighbours agree since both go by the same corners.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from .sparse_grid import STEP, Floats, GridFaces, Keys, distinct

Flags = NDArray[np.bool_]

BITS = 3
SIDE = 1 << BITS
"""Cells along each side of a block. A flat one of 64 cells has 190 triangles before, 6 after."""

WITHIN_BLOCK = (SIDE - 1) * int(STEP.sum())
"""Bits of a key that tell cells of a block apart: the blocks start at multiples of SIDE."""

FLAT = 0.1
"""Cells by which the vertices of a flat block may be off their plane. A vertex keeps 0.02 away from a corner,
and a wall's posts stand eight cells apart, so that it bends a little within a block."""

STEEPEST = 0.05
"""Cosine to the plane's normal of a cone's triangles: with less, two of them might lie on one another."""

CLEAR = 1.5
"""Cells around what must stay as fine as it is: a scan's vertex claims others within 0.6, and its fan."""


def blocks_around(places: Floats) -> Keys:
    """Keys, ascending, of the blocks within CLEAR of places (n,3) in cells."""
    keys = np.empty(8 * len(places) if len(places) else 0, np.int64)
    return distinct(keys[: _around(places, keys)])


@njit(cache=True)
def _around(places, keys):
    """Blocks within CLEAR of each place, without those that the place before had."""
    count = 0
    low, high = np.zeros(3, np.int64), np.full(3, -1, np.int64)
    a, b = np.empty(3, np.int64), np.empty(3, np.int64)
    for i in range(len(places)):
        same = True
        for k in range(3):
            a[k] = (int(np.floor(places[i, k] - CLEAR)) + (1 << 20)) >> BITS
            b[k] = (int(np.floor(places[i, k] + CLEAR)) + (1 << 20)) >> BITS
            same &= a[k] == low[k] and b[k] == high[k]
        if same:
            continue
        low[:], high[:] = a, b
        for x in range(a[0], b[0] + 1):
            for y in range(a[1], b[1] + 1):
                for z in range(a[2], b[2] + 1):
                    keys[count] = ((x << 42) + (y << 21) + z) << BITS
                    count += 1
    return count


def with_flat_blocks(vertices: Floats, surface: GridFaces, corners: Keys, stays: Flags, fine: Keys) -> Keys:
    """Faces (k,3) over the vertices (n,3), in cells, of a grid surface; some of these are used no more.

    corners (n,), keys of the corners where the vertices' edges start; stays (n,) vertices whose blocks are
    left alone, and fine, ascending, the keys of others that are.
    """
    faces, first, axes = surface.faces, surface.first, surface.axes
    key = surface.cells & ~WITHIN_BLOCK
    order = np.argsort(key, kind="stable")
    key = key[order]
    fresh = np.flatnonzero(np.r_[True, key[1:] != key[:-1]])
    start = np.r_[fresh, len(key)]
    at = np.minimum(np.searchsorted(fine, key[fresh]), max(len(fine) - 1, 0))
    flat = fine[at] != key[fresh] if len(fine) else np.ones(len(fresh), np.bool_)
    apex, normal, rim, rim_start = _discs(
        vertices, faces, first, order, start, key[fresh], corners, axes, stays, flat
    )
    kept = _on_block_edges(corners, axes)
    fresh_fine = ~flat
    while fresh_fine.any():
        _keep(faces, first, order, start, fresh_fine, kept)
        fresh_fine = flat & ~_good_cones(vertices, apex, normal, rim, rim_start, kept, flat)
        flat &= ~fresh_fine
    cones = _cones(apex, rim, rim_start, kept, flat)
    spared = np.empty(len(surface.cells), np.bool_)
    spared[order] = np.repeat(~flat, np.diff(start))
    return np.concatenate([faces[np.repeat(spared, np.diff(first))], cones])


@njit(inline="always")
def _place(key, axis):
    return (key >> (42 - 21 * axis)) & 0x1FFFFF


@njit(inline="always")
def _inner(key, axis):
    """Place of a corner along an axis within its block."""
    return (key >> (42 - 21 * axis)) & (SIDE - 1)


@njit(cache=True)
def _on_block_edges(corners, axes):
    on = np.empty(len(corners), np.bool_)
    for v in range(len(corners)):
        u, w = (axes[v] + 1) % 3, (axes[v] + 2) % 3
        on[v] = _inner(corners[v], u) == 0 and _inner(corners[v], w) == 0
    return on


@njit(cache=True)
def _on_border(corners, axes, a, b):
    """Whether two vertices of one cell lie on one face of its block. No face has other edges than its rim
    there: the cube's table draws no diagonal in a face of the cube.
    """
    for k in range(3):
        along = axes[a] == k or axes[b] == k
        if not along and _inner(corners[a], k) == 0 and _place(corners[a], k) == _place(corners[b], k):
            return True
    return False


@njit(cache=True)
def _discs(vertices, faces, first, order, start, key, corners, axes, stays, flat):
    """For every block that is a flat disc its apex (b,), normal (b,3) and rim: rim[rim_start[b] : …] in the
    direction of its faces. `flat` (b,) loses the others.
    """
    count = len(start) - 1
    apex = np.full(count, -1, np.int64)
    normal = np.zeros((count, 3))
    rim_start = np.zeros(count + 1, np.int64)
    rim = np.empty(1024, np.int64)
    follow = np.full(len(vertices), -1, np.int32)
    parent = np.full(len(vertices), -1, np.int32)
    mine = np.empty(64, np.int64)
    filled = 0
    for b in range(count):
        rim_start[b] = filled
        if not flat[b]:
            continue
        flat[b] = False
        total = 0
        for i in range(start[b], start[b + 1]):
            total += first[order[i] + 1] - first[order[i]]
        if 3 * total > len(mine):
            mine = np.empty(6 * total, np.int64)
        if filled + 3 * total > len(rim):
            longer = np.empty(2 * (filled + 3 * total), np.int64)
            longer[:filled] = rim[:filled]
            rim = longer
        used, edges, pieces, begin, good = 0, 0, 0, -1, True
        for i in range(start[b], start[b + 1]):
            for f in range(first[order[i]], first[order[i] + 1]):
                for k in range(3):
                    v = faces[f, k]
                    if parent[v] < 0:
                        parent[v] = v
                        mine[used] = v
                        used += 1
                        pieces += 1
                        good &= not stays[v]
                for k in range(3):
                    v, w = faces[f, k], faces[f, (k + 1) % 3]
                    one, two = v, w
                    while parent[one] != one:
                        one = parent[one]
                    while parent[two] != two:
                        two = parent[two]
                    if one != two:
                        parent[max(one, two)] = min(one, two)
                        pieces -= 1
                    if _on_border(corners, axes, v, w):
                        good &= follow[v] < 0
                        follow[v] = w
                        edges += 1
                        begin = v
        if good and pieces == 1 and edges > 2 and 2 * used - edges - total == 2:
            flat[b] = _walked(follow, begin, edges, rim, filled) and _one_an_edge(
                rim, filled, edges, corners, axes, key[b]
            )
        if flat[b]:
            apex[b] = _apex(vertices, follow, mine, used, rim, filled, edges, normal[b])
            flat[b] = apex[b] >= 0
            if flat[b]:
                filled += edges
        for i in range(used):
            parent[mine[i]] = -1
            follow[mine[i]] = -1
    rim_start[count] = filled
    return apex, normal, rim[:filled].copy(), rim_start


@njit(cache=True)
def _walked(follow, begin, edges, rim, filled):
    """Write the rim; whether it is one loop."""
    v = begin
    for i in range(edges):
        rim[filled + i] = v
        v = follow[v]
        if v < 0 or (v == begin and i + 1 < edges):
            return False
    return v == begin


@njit(cache=True)
def _one_an_edge(rim, filled, edges, corners, axes, key):
    """Whether no edge of the block has two vertices: lines between them would lie on one another."""
    seen = np.zeros(12, np.bool_)
    for i in range(filled, filled + edges):
        v = rim[i]
        axis = axes[v]
        u, w = (axis + 1) % 3, (axis + 2) % 3
        if _inner(corners[v], u) or _inner(corners[v], w):
            continue
        far_u = _place(corners[v], u) != _place(key, u)
        far_w = _place(corners[v], w) != _place(key, w)
        edge = 4 * axis + 2 * far_u + far_w
        if seen[edge]:
            return False
        seen[edge] = True
    return True


@njit(cache=True)
def _apex(vertices, follow, mine, used, rim, filled, edges, normal):
    """The inner vertex nearest to the rim's middle, -1 if there is none or a vertex is off the plane."""
    middle = np.zeros(3)
    for i in range(filled, filled + edges):
        middle += vertices[rim[i]]
    middle /= edges
    for i in range(filled, filled + edges):
        a = vertices[rim[i]] - middle
        b = vertices[rim[i + 1 if i + 1 < filled + edges else filled]] - middle
        normal += np.cross(a, b)
    length = np.sqrt((normal * normal).sum())
    if length == 0.0:
        return -1
    normal /= length
    best, nearest = -1, np.inf
    for i in range(used):
        away = vertices[mine[i]] - middle
        if abs((away * normal).sum()) > FLAT:
            return -1
        d = (away * away).sum()
        if follow[mine[i]] < 0 and d < nearest:
            best, nearest = mine[i], d
    return best


@njit(cache=True)
def _keep(faces, first, order, start, blocks, kept):
    """Mark the vertices of these blocks as kept."""
    for b in range(len(blocks)):
        if blocks[b]:
            for i in range(start[b], start[b + 1]):
                for f in range(first[order[i]], first[order[i] + 1]):
                    for k in range(3):
                        kept[faces[f, k]] = True


@njit(cache=True)
def _good_cones(vertices, apex, normal, rim, rim_start, kept, flat):
    """Whether each block's cone has three sides or more and none of them turns away from the plane."""
    good = flat.copy()
    for b in range(len(flat)):
        if not flat[b]:
            continue
        count, last = 0, -1
        for i in range(rim_start[b], rim_start[b + 1]):
            if kept[rim[i]]:
                count += 1
                last = rim[i]
        good[b] = count > 2
        for i in range(rim_start[b], rim_start[b + 1]):
            v = rim[i]
            if good[b] and kept[v]:
                side = np.cross(vertices[last] - vertices[apex[b]], vertices[v] - vertices[apex[b]])
                good[b] = (side * normal[b]).sum() > STEEPEST * np.sqrt((side * side).sum())
                last = v
    return good


@njit(cache=True)
def _cones(apex, rim, rim_start, kept, flat):
    faces = np.empty((len(rim), 3), np.int64)
    count = 0
    for b in range(len(flat)):
        if not flat[b]:
            continue
        last = -1
        for i in range(rim_start[b], rim_start[b + 1]):
            if kept[rim[i]]:
                last = rim[i]
        for i in range(rim_start[b], rim_start[b + 1]):
            if kept[rim[i]]:
                faces[count, 0], faces[count, 1], faces[count, 2] = apex[b], last, rim[i]
                last = rim[i]
                count += 1
    return faces[:count].copy()
