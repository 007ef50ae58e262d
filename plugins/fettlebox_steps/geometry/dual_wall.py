"""The inside of a wall, with a vertex in every cell of a grid that it passes: sharp edges stay sharp.

T. Ju, F. Losasso, S. Schaefer, J. Warren, "Dual contouring of Hermite data", SIGGRAPH 2002: a vertex is put
where the planes meet that the cell's corners know of. That is, as far as it should be from the place of the
outer surface that is nearest to each of them.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

from .cavity import SHIFT, InnerWall
from .column_signs import columns
from .cube_table import EDGE_AXIS, EDGE_START
from .distance import DistanceTree
from .dual_cells import list_patches, patch_table, settle
from .wall_distance import DepthGrid, foot_in, nearest_from, search_room
from .wall_proof import CHUNKS, LIFTS, ball_sq, lift_to, needs, proven, solved

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

FLAT_SHARE, STEEP_SHARE = 0.5, 0.25
"""Squared radius of the ball around a triangle, in squared cells: half of one for a surface along the grid, a
quarter more where it lies at 45 degrees to it. What a triangle needs beyond is given to its corners later."""

ROOM = 0.03
"""A vertex stays this share of a cell away from the sides of its cell, so that no two come close."""

SLACK = 2e-3
"""Share of a cell that a vertex is put deeper than it must be when it is moved: saves moving it again."""

CLOSE = 0.02
"""Share of a cell by which a vertex may at first lie less deep than meant: what it needs is known later."""


def dual_wall(
    vertices: Floats, faces: Ints, tree: DistanceTree, wall_mm: float, cell_mm: float
) -> InnerWall | None:
    """The surface at least `wall_mm` below a closed, oriented surface (n,3), (m,3), proven for every point.

    `tree` is that of the same surface. None if the proof fails. The surface is closed, and next to always
    free of crossings, which has to be looked at.
    """
    used = vertices[faces.ravel()]
    low, high = used.min(axis=0) + wall_mm, used.max(axis=0) - wall_mm
    level_mm = float(np.sqrt(wall_mm**2 + FLAT_SHARE * cell_mm**2))
    if (low >= high).any():
        return InnerWall(np.empty((0, 3)), np.empty((0, 3), np.int64), cell_mm, level_mm)
    origin = low - cell_mm * (1 + SHIFT)
    nx, ny, nz = (int(n) for n in np.ceil((high - origin) / cell_mm) + 2)
    grid = DepthGrid(tree, columns(vertices, faces, origin, cell_mm, nx, ny), origin, cell_mm, (nx, ny, nz))
    loops, loop_of, shared = patch_table()
    base = np.full((2, ny, nz), -1, dtype=np.int64)
    cases = np.zeros((2, ny, nz), dtype=np.uint8)
    parts: list[tuple[NDArray[Any], ...]] = []
    total = 0
    for first, values, ways in grid.runs(level_mm, feet=True):
        room, sides = settle(values, shared, loops)
        cells = np.empty((room, 5), dtype=np.int32)
        around = np.empty((sides, 4), dtype=np.int64)
        list_patches(values, loops, loop_of, base, cases, total, cells, around)
        placed = np.empty((room, 3)), np.empty(room), np.empty((room, 3))
        _place(
            tree.leaves, tree.boxes, tree.first, values, ways, cells, loop_of, EDGE_START, EDGE_AXIS, origin,
            first,
            cell_mm, wall_mm, *placed,
        )  # fmt: skip
        parts.append((*placed, around))
        total += room
    points, depth, feet, quads = (np.concatenate(part) for part in zip(*parts, strict=True))
    corners = _halved(points, feet, quads, wall_mm)
    slack_mm = SLACK * cell_mm
    for _ in range(LIFTS):
        need = needs(points, corners, wall_mm)
        few = np.flatnonzero(depth < need)
        if not len(few):
            break
        lift_to(tree.leaves, tree.boxes, tree.first, few, need, slack_mm, points, depth, feet)
    made = InnerWall(points, corners, cell_mm, level_mm)
    return made if proven(points, corners, depth, tree, wall_mm) else None


@njit(parallel=True, cache=True, error_model="numpy")
def _place(
    leaves,
    boxes,
    first,
    values,
    ways,
    cells,
    loop_of,
    starts,
    axes,
    origin,
    slices,
    cell,
    wall,
    points,
    depths,
    feet,
):
    """Each vertex where the places nearest to its cell's corners are all as far away as they should be."""
    total = len(cells)
    chunks = min(total, CHUNKS)
    for chunk in prange(chunks):
        room = search_room()
        near = np.empty((8 + LIFTS, 3))
        last = 0
        for v in range(chunk * total // chunks, (chunk + 1) * total // chunks):
            i, j, k, case, patch = cells[v]
            ox, oy, oz = origin[0] + (slices + i) * cell, origin[1] + j * cell, origin[2] + k * cell
            x = y = z = 0.0
            passed = 0
            used = 0
            for e in range(12):
                if loop_of[case, e] != patch:
                    continue
                a = starts[e]
                b = a | 1 << axes[e]
                used |= 1 << a | 1 << b
                va = values[i + (a & 1), j + (a >> 1 & 1), k + (a >> 2 & 1)]
                vb = values[i + (b & 1), j + (b >> 1 & 1), k + (b >> 2 & 1)]
                t = va / (va - vb)
                x += (a & 1) + (t if axes[e] == 0 else 0.0)
                y += (a >> 1 & 1) + (t if axes[e] == 1 else 0.0)
                z += (a >> 2 & 1) + (t if axes[e] == 2 else 0.0)
                passed += 1
            x, y, z = ox + x / passed * cell, oy + y / passed * cell, oz + z / passed * cell
            m = 0
            for c in range(8):
                if not used >> c & 1:
                    continue
                ci, cj, ck = i + (c & 1), j + (c >> 1 & 1), k + (c >> 2 & 1)
                wx, wy, wz = ways[ci, cj, ck, 0], ways[ci, cj, ck, 1], ways[ci, cj, ck, 2]
                if wx == 0.0 and wy == 0.0 and wz == 0.0:
                    continue
                near[m, 0] = ox + (c & 1) * cell + wx
                near[m, 1] = oy + (c >> 1 & 1) * cell + wy
                near[m, 2] = oz + (c >> 2 & 1) * cell + wz
                m += 1
            level = _level(near, m, x, y, z, wall, cell)
            for _ in range(LIFTS):
                x, y, z = solved(near, m, x, y, z, level, SLACK * cell)
                x = min(max(x, ox + ROOM * cell), ox + (1 - ROOM) * cell)
                y = min(max(y, oy + ROOM * cell), oy + (1 - ROOM) * cell)
                z = min(max(z, oz + ROOM * cell), oz + (1 - ROOM) * cell)
                best, last = nearest_from(leaves, boxes, first, x, y, z, last, room)
                fx, fy, fz = foot_in(leaves[last], x, y, z, room[3])
                depths[v] = np.sqrt(best)
                points[v, 0], points[v, 1], points[v, 2] = x, y, z
                feet[v, 0], feet[v, 1], feet[v, 2] = fx, fy, fz
                if depths[v] >= level - CLOSE * cell:
                    break
                near[m, 0], near[m, 1], near[m, 2] = fx, fy, fz
                m += 1


@njit(cache=True, error_model="numpy")
def _level(near, m, x, y, z, wall, cell):
    """How deep the corners of the triangles of a plane should lie that faces the nearest places."""
    sx = sy = sz = 0.0
    for n in range(m):
        sx, sy, sz = sx + x - near[n, 0], sy + y - near[n, 1], sz + z - near[n, 2]
    sx, sy, sz = abs(sx), abs(sy), abs(sz)
    slant = max(min(sx, sy), min(max(sx, sy), sz)) / max(sx, sy, sz, 1e-300)
    return np.sqrt(wall * wall + (FLAT_SHARE + STEEP_SHARE * slant * slant) * cell * cell) + 2 * SLACK * cell


@njit(parallel=True, cache=True)
def _halved(points, feet, quads, wall):
    """Two triangles of each quad, along the diagonal whose middle is nearer to the depth it should have."""
    faces = np.empty((2 * len(quads), 3), dtype=np.int64)
    for q in prange(len(quads)):
        least = np.inf
        for turn in range(2):
            a, b, c, d = quads[q, turn], quads[q, turn + 1], quads[q, turn + 2], quads[q, (turn + 3) % 4]
            one, two = ball_sq(points, a, b, c), ball_sq(points, a, c, d)
            level = np.sqrt(wall * wall + max(one, two))
            nearest = np.inf
            for n in range(4):
                way = 0.0
                for k in range(3):
                    way += ((points[a, k] + points[c, k]) / 2 - feet[quads[q, n], k]) ** 2
                nearest = min(nearest, way)
            cost = abs(np.sqrt(nearest) - wall) + level - wall
            if _looks_in(points, feet, a, b, c) or _looks_in(points, feet, a, c, d):
                cost += wall
            if turn == 0 or cost < least:  # also where a cost is not a number: both faces are written
                least = cost
                faces[2 * q, 0], faces[2 * q, 1], faces[2 * q, 2] = a, b, c
                faces[2 * q + 1, 0], faces[2 * q + 1, 1], faces[2 * q + 1, 2] = a, c, d
    return faces


@njit(inline="always")
def _looks_in(points, feet, a, b, c):
    """Whether a triangle looks into the hollow, away from the places that its corners are nearest to."""
    ux, uy, uz = points[b, 0] - points[a, 0], points[b, 1] - points[a, 1], points[b, 2] - points[a, 2]
    vx, vy, vz = points[c, 0] - points[a, 0], points[c, 1] - points[a, 1], points[c, 2] - points[a, 2]
    nx, ny, nz = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
    wx = feet[a, 0] - points[a, 0] + feet[b, 0] - points[b, 0] + feet[c, 0] - points[c, 0]
    wy = feet[a, 1] - points[a, 1] + feet[b, 1] - points[b, 1] + feet[c, 1] - points[c, 1]
    wz = feet[a, 2] - points[a, 2] + feet[b, 2] - points[b, 2] + feet[c, 2] - points[c, 2]
    return nx * wx + ny * wy + nz * wz <= 0.0
