"""Closing whatever a scan is, by asking of every point in space how much of the scan winds around it.

The surface where the winding number passes one half follows the scan's walls, where the number jumps, and
spans their openings like a soap film. It is read off a sparse grid: signs give the connection, exact cuts of
the scan with the grid's edges give the places. Vertices that stay on their own edge of the grid make a
surface that cannot cross itself, save in cells with two sheets, which are looked at one by one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit, prange
from numpy.typing import ArrayLike, NDArray

from .crossings import search_order
from .flat_blocks import blocks_around, with_flat_blocks
from .grid_places import border_places, placed
from .near_walls import know_near_walls
from .needles import without_needles
from .snapping import snap_to_scan
from .solids import keep_solid_bodies, thin_out
from .sparse_grid import STEP, Floats, Keys, LevelGrid, pack
from .stitching import stitch
from .topology import compact, face_areas, used_vertices
from .wall_hits import WallHits, wall_hits
from .winding import QUICK, WindingTree

__all__ = [
    "ClosedSurface",
    "cell_for",
    "close_by_winding",
    "follow_scan",
    "keep_solid_bodies",
    "snap_to_scan",
    "thin_out",
]

Ints = NDArray[np.int64]

CELL_PER_EDGE = 0.9
"""Cell over the scan's median edge: finer ones add triangles but no detail that the scan has."""

CELLS_PER_AREA = 2.2
"""Grid cells that a surface passes, over its area in squared cells (measured on scans)."""

CELL_BUDGET = 4_000_000
"""Cells that close_by_winding may take: about 600 bytes each while it works."""

CELLS_AT_LEAST, CELLS_PER_FACE = 200_000, 40
"""A small mesh gets no more than this of the budget. A scan takes 1.2 cells a face; a heap of a few huge
triangles among many tiny ones would take all there are."""

WIDEST_GRID = 400_000
"""Cells from end to end, fewer than half of what the grid's keys can count."""

BACKWARD = -0.75
"""Below this a place counts as inside although the walls around it face the wrong way: a flap of the scan
that curls back past its own rim, or a body that is inside out. In front of an open sheet the number falls
to -0.5, so the level stays clear of that."""

DOUBT = 0.2
"""A quick winding number this near a level is worked out again: four times its error."""

LATTICE_POINTS = 100_000
"""Points of the coarse lattice that looks for pieces of the surface which touch no wall."""


@dataclass(frozen=True, eq=False)
class ClosedSurface:
    """vertices (n,3), faces (m,3), free (n,): the vertex spans an opening, met no wall; cells: grid cells."""

    vertices: Floats
    faces: Ints
    free: NDArray[np.bool_]
    cells: int


@dataclass(frozen=True, eq=False)
class WindingField:
    """Winding numbers as a field of a grid: inside above `iso`, or below BACKWARD."""

    tree: WindingTree
    iso: float

    def values(self, points: Floats) -> Floats:
        """Winding numbers (n,): quick ones where they leave no doubt on which side a point is."""
        winding = self.tree.at(points, QUICK)
        doubt = (np.abs(winding - self.iso) < DOUBT) | (np.abs(winding - BACKWARD) < DOUBT)
        if doubt.any():
            winding[doubt] = self.tree.at(points[doubt])
        return winding

    def heights(self, values: Floats) -> Floats:
        return np.asarray(np.maximum(values - self.iso, BACKWARD - values))

    def exact_heights(self, points: Floats) -> Floats:
        return self.heights(self.tree.at(points))


def cell_for(vertices: ArrayLike, faces: ArrayLike) -> float:
    """The grid cell in mm for a scan: 0.9 of its median edge, or what the cell budget allows."""
    points = np.asarray(vertices, dtype=np.float64)
    corners = np.asarray(faces)
    edge_mm = float(np.median(_side_lengths(points, corners)))
    area_mm2 = float(face_areas(points, corners).sum())
    budget = min(CELL_BUDGET, CELLS_AT_LEAST + CELLS_PER_FACE * len(corners))
    used = points[used_vertices(corners, len(points))]
    widest_mm = float(np.ptp(used, axis=0).max())
    finest_mm = max(float(np.sqrt(CELLS_PER_AREA * area_mm2 / budget)), widest_mm / WIDEST_GRID)
    return max(CELL_PER_EDGE * edge_mm, finest_mm)


def close_by_winding(
    vertices: ArrayLike,
    faces: ArrayLike,
    cell_mm: float,
    *,
    iso: float = 0.5,
    ours: NDArray[np.bool_] | None = None,
) -> ClosedSurface:
    """The closed surface at winding number `iso` of a triangle soup, on a grid of `cell_mm`.

    Away from the scan, flat parts of what is `ours` (m,), made up to close it, come in few triangles.

    It is 2-manifold, oriented outward, and free of crossings. It has no faces when the soup winds around
    nothing by that much. Raises ValueError for an empty soup and for a cell that is not above zero.
    """
    if not cell_mm > 0:
        raise ValueError(f"a grid cell of {cell_mm} mm")
    points = np.ascontiguousarray(vertices, dtype=np.float64)
    corners = np.ascontiguousarray(faces, dtype=np.int64)
    field = WindingField(WindingTree.of(points, corners), iso)
    used = points[used_vertices(corners, len(points))]
    origin = used.min(axis=0) - 0.5 * cell_mm
    grid = LevelGrid(field, origin, cell_mm)
    hits = wall_hits((points - origin) / cell_mm, corners)
    know_near_walls(grid, hits, points, corners)
    grid.follow(np.concatenate([_wall_seeds(grid, hits), _far_seeds(grid, used.max(axis=0))]))
    surface = grid.surface()
    vertex = _cut_vertices(grid, hits, surface.starts, surface.axes)
    places, free = _places(grid, hits, vertex, surface.starts, surface.axes, iso)
    drawn, triangles = placed(grid, surface, places), surface.faces
    if ours is not None and ours.any() and len(triangles):
        scan = np.zeros(len(drawn), dtype=np.bool_)
        scan[vertex[(vertex >= 0) & ~ours[hits.face]]] = True
        near = blocks_around((points[used_vertices(corners[~ours], len(points))] - origin) / cell_mm)
        edges = grid.corners.keys[surface.starts]
        triangles = with_flat_blocks((drawn - origin) / cell_mm, surface, edges, scan, near)
        drawn, renamed, kept = compact(drawn, triangles)
        triangles, free = renamed.astype(np.int64), free[kept]
    return ClosedSurface(drawn, triangles, free, grid.cells.count)


def follow_scan(
    surface: ClosedSurface, vertices: ArrayLike, faces: ArrayLike, cell_mm: float
) -> tuple[Floats, Ints]:
    """The surface drawn on to the vertices of the scan: its own moved to them, the rest of them taken in.

    Where these lie in a row, as on a scan that was made finer by halving its edges, a triangle would have no
    height; its longest edge is turned.
    """
    if not len(surface.faces):
        return surface.vertices, surface.faces
    order = search_order(surface.vertices, surface.faces)
    snapped = snap_to_scan(surface, vertices, faces, cell_mm, order)
    points = np.asarray(vertices, dtype=np.float64)
    points = points[used_vertices(np.asarray(faces), len(points))]
    drawn, corners = stitch(snapped, surface.faces, surface.free, points, cell_mm, order)
    return drawn, without_needles(drawn, corners.astype(np.int64))


def _wall_seeds(grid: LevelGrid, hits: WallHits) -> Keys:
    """A cell beside every grid edge that a wall cuts and that has one end inside."""
    low = hits.low[grid.inside(hits.low) != grid.inside(hits.low + STEP[hits.axis])]
    return np.asarray(low[np.r_[True, low[1:] != low[:-1]][: len(low)]])


def _far_seeds(grid: LevelGrid, corner: Floats) -> Keys:
    """Cells of pieces of the surface that touch no wall, found on a coarse lattice around the whole scan."""
    extent = np.ceil((corner - grid.origin) / grid.cell_mm).astype(np.int64)
    stride = 4
    while np.prod(extent // stride + 5) > LATTICE_POINTS:
        stride *= 2
    ranges = [(np.arange(n) - 2) * stride for n in extent // stride + 5]
    lattice = pack(np.stack(np.meshgrid(*ranges, indexing="ij"), axis=-1).reshape(-1, 3))
    return np.concatenate([grid.borders(lattice, axis, stride) for axis in range(3)])


def _cut_vertices(grid: LevelGrid, hits: WallHits, starts: Ints, axes: Ints) -> Ints:
    """The vertex (k,) whose grid edge each wall cuts, -1 where the surface does not pass."""
    vertex_of = np.full(3 * grid.corners.count, -1, dtype=np.int32)
    vertex_of[3 * starts + axes] = np.arange(len(starts))
    corner = grid.corners.find(hits.low)
    return np.asarray(np.where(corner < 0, -1, vertex_of[3 * corner + hits.axis]), np.int64)


def _places(
    grid: LevelGrid, hits: WallHits, vertex: Ints, starts: Ints, axes: Ints, iso: float
) -> tuple[Floats, NDArray[np.bool_]]:
    """Where on its grid edge (0 to 1) each vertex lies, and whether no wall is there."""
    low = grid.corner_values[starts]
    high = grid.corner_values[grid.corners.find(grid.corners.keys[starts] + STEP[axes])]
    cut = vertex >= 0
    upward = grid.field.heights(low) <= 0
    places = _first_walls(vertex[cut], hits.along[cut], hits.rise[cut], low, high, upward, iso, BACKWARD)
    free = np.isnan(places)
    places[free] = border_places(grid, starts[free], axes[free])
    return places, free


@njit(parallel=True, cache=True)
def _side_lengths(points, corners):
    """(3m,) lengths in mm of all sides."""
    lengths = np.empty(3 * len(corners))
    for f in prange(len(corners)):
        for k in range(3):
            a, b = points[corners[f, k]], points[corners[f, (k + 1) % 3]]
            lengths[3 * f + k] = np.sqrt((b[0] - a[0]) ** 2 + (b[1] - a[1]) ** 2 + (b[2] - a[2]) ** 2)
    return lengths


@njit(cache=True)
def _first_walls(vertex, along, rise, low, high, upward, iso, backward):
    """Coming from outside, the first wall behind which the winding number is an inside's; else not a number.

    Between walls the number drifts: what its change from end to end leaves after the jumps is spread evenly.
    """
    place = np.full(len(low), np.nan)
    first = 0
    while first < len(vertex):
        last = first
        while last + 1 < len(vertex) and vertex[last + 1] == vertex[first]:
            last += 1
        v = vertex[first]
        jumps = 0.0
        for i in range(first, last + 1):
            jumps += rise[i]
        drift = (high[v] - low[v] - jumps) * (1 if upward[v] else -1)
        level = low[v] if upward[v] else high[v]
        for n in range(last - first + 1):
            i = first + n if upward[v] else last - n
            level += rise[i] if upward[v] else -rise[i]
            behind = level + drift * (along[i] if upward[v] else 1 - along[i])
            if behind > iso or behind < backward:
                place[v] = along[i]
                break
        first = last + 1
    return place
