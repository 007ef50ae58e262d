"""The inside of a wall: the surface at a stated depth below a closed surface."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from .column_signs import columns
from .cube_table import cube_table
from .distance import DistanceTree
from .wall_distance import NEAREST, DepthGrid

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

CELLS_PER_WALL = 4.0
"""Cells of the grid across the wall. The larger they are, the thicker the wall comes out: by up to a tenth
of a cell where it is smooth, and more where the hollow ends narrower than a cell. On a head 120 mm tall, 99 %
of a wall of 2 mm is within 0.065 mm."""

ROUNDED_CELLS_PER_WALL = 6.25
"""The same where sharp edges of the hollow come out rounded, as `inner_wall` draws them: on a head 60 mm
tall, 99 % of a wall of 2 mm is then within 0.06 mm, where 4 cells would leave it at 0.11 mm."""

MOST_COLUMNS = 3000 * 3000
MOST_SLICE = 3000 * 3000
"""Columns, and corners in a slice, that are kept in memory at a time."""

SHIFT = np.array([0.37, 0.31, 0.26])
"""The grid starts this share of a cell off, so that parts made of round numbers do not lie along it."""


@dataclass(frozen=True, eq=False)
class InnerWall:
    """vertices (n,3) mm and faces (m,3), which look away from the hollow, into the wall; may be empty.

    level_mm    depth at which it was drawn; no point of it is less deep than level_mm - sag_mm
    """

    vertices: Floats
    faces: Ints
    cell_mm: float
    level_mm: float


def cell_for(low: Floats, high: Floats, wall_mm: float, cells_per_wall: float = CELLS_PER_WALL) -> float:
    """Cell in mm: so many to the wall, or the smallest that the memory allows."""
    extent = np.maximum(high - low - 2 * wall_mm, 0.0)
    cell = wall_mm / cells_per_wall
    sides = extent / cell + 5
    widest = max(sides[0] * sides[1] / MOST_COLUMNS, sides[1] * sides[2] / MOST_SLICE)
    return float(cell * max(1.0, np.sqrt(widest)))


def sag_mm(cell_mm: float, wall_mm: float) -> float:
    """How much less deep than its level, at most, a surface drawn through a grid can be at `wall_mm`.

    A point p of it is a mean of grid corners c with the weighted depth of the level. Let q be the place of
    the outer surface nearest to p, at distance d: |c - q| <= d + g·(c - p) + |c - p|²/2d with a unit vector
    g, and |c - p|² is at most 3/4 of a squared cell in the mean. So d >= level - 3 cell² / 8 d.
    """
    return 3.0 * cell_mm**2 / (8.0 * wall_mm)


def inner_wall(
    vertices: Floats, faces: Ints, tree: DistanceTree, wall_mm: float, spare_mm: float, cell_mm: float
) -> InnerWall:
    """The surface at least `wall_mm + spare_mm` below a closed, oriented surface (n,3), (m,3).

    `tree` is that of the same surface.
    """
    used = vertices[faces]
    low, high = used.min(axis=(0, 1)) + wall_mm, used.max(axis=(0, 1)) - wall_mm
    level_mm = wall_mm + spare_mm + sag_mm(cell_mm, wall_mm)
    if (low >= high).any():
        return InnerWall(np.empty((0, 3)), np.empty((0, 3), np.int64), cell_mm, level_mm)
    origin = low - cell_mm * (1 + SHIFT)
    nx, ny, nz = (int(n) for n in np.ceil((high - origin) / cell_mm) + 2)
    grid = DepthGrid(tree, columns(vertices, faces, origin, cell_mm, nx, ny), origin, cell_mm, (nx, ny, nz))
    points, corners = [], []
    table = cube_table()
    numbers = np.full((2, ny, nz), -1, dtype=np.int64)
    total = 0
    for first, values, _ in grid.runs(level_mm):
        room = _count(values, table.triangles)
        made = np.empty((3 * room, 3))
        drawn = np.empty((room, 3), dtype=np.int64)
        added = _draw(values, table.triangles, table.edges, first, numbers, total, made, drawn)
        points.append(made[:added].copy())
        corners.append(drawn)
        total += added
    return InnerWall(origin + cell_mm * np.concatenate(points), np.concatenate(corners), cell_mm, level_mm)


@njit(cache=True)
def _case(values, i, j, k):
    case = 0
    for c in range(8):
        if values[i + (c & 1), j + (c >> 1 & 1), k + (c >> 2 & 1)] > 0.0:
            case |= 1 << c
    return case


@njit(cache=True)
def _reach(values, i, j):
    """The cells of a row that have a corner inside: from, and up to but not with."""
    nz = values.shape[2]
    low, high = nz, 0
    for di in range(2):
        for dj in range(2):
            for k in range(low):
                if values[i + di, j + dj, k] > 0.0:
                    low = k
                    break
            for k in range(nz - 1, high - 1, -1):
                if values[i + di, j + dj, k] > 0.0:
                    high = k + 1
                    break
    return max(low - 1, 0), min(high, nz - 1)


@njit(cache=True)
def _count(values, triangles):
    total = 0
    for i in range(values.shape[0] - 1):
        for j in range(values.shape[1] - 1):
            low, high = _reach(values, i, j)
            for k in range(low, high):
                total += triangles[_case(values, i, j, k)]
    return total


@njit(cache=True)
def _draw(values, triangles, edges, first_slice, numbers, total, points, faces):
    """Faces through the cells between slices. numbers (2, ny, nz): of the vertices that lie in the last
    slice, on edges along y and z; taken over from and handed on to the neighbouring call.
    """
    count, ny, nz = values.shape
    here = numbers.copy()
    across = np.full((ny, nz), -1, dtype=np.int64)
    there = np.full((2, ny, nz), -1, dtype=np.int64)
    added = 0
    f = 0
    at = np.empty(3)
    for i in range(count - 1):
        across[:] = -1
        there[:] = -1
        for j in range(ny - 1):
            low, high = _reach(values, i, j)
            for k in range(low, high):
                case = _case(values, i, j, k)
                for t in range(triangles[case]):
                    for e in range(3):
                        edge = edges[case, t, e]
                        axis, rank = edge // 4, edge % 4
                        # the bits below the axis stay, those above move up by one
                        corner = (rank & ((1 << axis) - 1)) | ((rank >> axis) << (axis + 1))
                        di, cj, ck = corner & 1, j + (corner >> 1 & 1), k + (corner >> 2 & 1)
                        if axis == 0:
                            number = across[cj, ck]
                        elif di == 0:
                            number = here[axis - 1, cj, ck]
                        else:
                            number = there[axis - 1, cj, ck]
                        if number < 0:
                            number = total + added
                            a = values[i + di, cj, ck]
                            b = values[i + di + (axis == 0), cj + (axis == 1), ck + (axis == 2)]
                            at[0], at[1], at[2] = first_slice + i + di, cj, ck
                            at[axis] += min(max(a / (a - b), NEAREST / 2), 1.0 - NEAREST / 2)
                            points[added] = at
                            added += 1
                            if axis == 0:
                                across[cj, ck] = number
                            elif di == 0:
                                here[axis - 1, cj, ck] = number
                            else:
                                there[axis - 1, cj, ck] = number
                        faces[f, e] = number
                    f += 1
        here, there = there, here
    numbers[:] = here
    return added
