"""Which cells of a grid a surface passes, and how its vertices, one to a patch of a cell, hang together.

G. Nielson, "Dual marching cubes", IEEE Visualization 2004. Where two runs of inside corners share a face of a
cell, one corner is put outside beforehand, which leaves every edge of the surface with two faces.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from numba import njit
from numpy.typing import NDArray

from .cube_table import cube_table
from .wall_distance import NEAREST

Ints = NDArray[np.int64]


@cache
def patch_table() -> tuple[Ints, Ints, NDArray[np.bool_]]:
    """Loops (256,): patches in a cell; loop_of (256,12) patch of an edge, -1; shared (256,) as told above."""
    table = cube_table()
    loops, loop_of = np.zeros(256, np.int64), np.full((256, 12), -1, np.int64)
    shared = np.zeros(256, np.bool_)
    for case in range(256):
        for triangle in table.edges[case, : table.triangles[case]]:
            mine = {loop_of[case, e] for e in triangle} - {-1}
            kept = min(mine, default=loops[case])
            for one in mine:
                loop_of[case, loop_of[case] == one] = kept
            loop_of[case, triangle] = kept
            loops[case] += not mine
        used, names = np.unique(loop_of[case], return_inverse=True)
        loop_of[case] = names - (used[0] == -1)
        loops[case] = len(used) - (used[0] == -1)
        for axis in range(3):
            u, v = 1 << (axis + 1) % 3, 1 << (axis + 2) % 3
            for corner in (0, 1 << axis):
                a, b, c, d = (case >> (corner | at) & 1 for at in (0, u, u | v, v))
                shared[case] |= a == c and b == d and a != b
    return loops, loop_of, shared


@njit(cache=True)
def _corners_at(values, i, j, k):
    """The four corners of a cell that have the same height, as bits 1 where inside."""
    return (
        (values[i, j, k] > 0.0)
        | (values[i + 1, j, k] > 0.0) << 1
        | (values[i, j + 1, k] > 0.0) << 2
        | (values[i + 1, j + 1, k] > 0.0) << 3
    )


@njit(cache=True)
def _put_outside(values, i, j, k):
    """One inside corner, in the upper slice of a cell, of a face that two runs of inside corners share."""
    for axis in range(3):
        u, v = 1 << (axis + 1) % 3, 1 << (axis + 2) % 3
        for side in range(2):
            a = side << axis
            ring = (a, a | u, a | u | v, a | v)
            inside = 0
            for n in range(4):
                c = ring[n]
                inside |= (values[i + (c & 1), j + (c >> 1 & 1), k + (c >> 2 & 1)] > 0.0) << n
            if inside not in (5, 10):
                continue
            for n in range(4):
                c = ring[n]
                if c & 1 and inside >> n & 1:
                    values[i + 1, j + (c >> 1 & 1), k + (c >> 2 & 1)] = -NEAREST
                    return True
    return False


@njit(cache=True)
def settle(values, shared, loops):
    """Make no face shared by two runs, and count patches and passed edges. Only ever less is inside.

    A slice is settled with the one before, in which nothing is changed any more: so the surface is the same
    however many slices are worked out at a time.
    """
    count, ny, nz = values.shape
    patches = 0
    passed = 0
    for i in range(count - 1):
        changed = True
        while changed:
            changed = False
            for j in range(ny - 1):
                low = _corners_at(values, i, j, 0)
                for k in range(nz - 1):
                    high = _corners_at(values, i, j, k + 1)
                    if shared[low | high << 4] and _put_outside(values, i, j, k):
                        changed = True
                        high = _corners_at(values, i, j, k + 1)
                    low = high
        for j in range(ny - 1):
            low = _corners_at(values, i, j, 0)
            for k in range(nz - 1):
                high = _corners_at(values, i, j, k + 1)
                case = low | high << 4
                if 0 < case < 255:
                    patches += loops[case]
                    for corner in (1, 2, 4):
                        passed += (case ^ case >> corner) & 1
                low = high
    return patches, passed


@njit(cache=True)
def list_patches(values, loops, loop_of, base, cases, total, cells, quads):
    """The cells (p,5): slice, row, height, case and patch of each vertex; quads (q,4) looking to the outside.

    base, cases (2, ny, nz): first vertex and case of the cells before, taken over and handed on.
    """
    count, ny, nz = values.shape
    n = 0
    q = 0
    for i in range(count - 1):
        was, now = i % 2, 1 - i % 2
        cases[now] = 0
        for j in range(ny - 1):
            low = _corners_at(values, i, j, 0)
            for k in range(nz - 1):
                high = _corners_at(values, i, j, k + 1)
                case = low | high << 4
                low = high
                if not 0 < case < 255:
                    continue
                base[now, j, k] = total + n
                cases[now, j, k] = case
                for patch in range(loops[case]):
                    cells[n, 0], cells[n, 1], cells[n, 2], cells[n, 3], cells[n, 4] = i, j, k, case, patch
                    n += 1
                for axis in range(3):
                    if not (case ^ case >> (1 << axis)) & 1:
                        continue
                    for turn in range(4):
                        # around the edge: ring of the two other axes, the next one first
                        du, dv = (0, 1, 1, 0)[turn], (0, 0, 1, 1)[turn]
                        if axis == 0:
                            layer, cj, ck, rank = now, j - 1 + du, k - 1 + dv, (1 - du) | (1 - dv) << 1
                        elif axis == 1:
                            layer, cj, ck = (now if dv else was), j, k - 1 + du
                            rank = (1 - dv) | (1 - du) << 1
                        else:
                            layer, cj, ck = (now if du else was), j - 1 + dv, k
                            rank = (1 - du) | (1 - dv) << 1
                        place = turn if case & 1 else 3 - turn
                        quads[q, place] = base[layer, cj, ck] + loop_of[cases[layer, cj, ck], 4 * axis + rank]
                    q += 1
    if count % 2 == 0:  # the cells last listed are the first ones of the next call
        for j in range(ny):
            for k in range(nz):
                base[0, j, k], cases[0, j, k] = base[1, j, k], cases[1, j, k]
