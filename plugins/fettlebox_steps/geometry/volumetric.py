"""Closing whatever a scan is, by asking of every point in space how much of the scan winds around it.

The surface where the winding number passes one half follows the scan's walls, where the number jumps, and
spans their openings like a soap film. It is read off a sparse grid: signs give the connection, exact cuts of
the scan with the grid's edges give the places. Vertices that stay on their own edge of the grid make a
surface that cannot cross itself, save in cells with two sheets, which are looked at one by one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import ArrayLike, NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from .crossings import crossing_faces
from .snapping import snap_to_scan
from .sparse_grid import STEP, Floats, Keys, LevelGrid, pack, unpack
from .wall_hits import WallHits, wall_hits
from .winding import WindingTree

__all__ = ["ClosedSurface", "cell_for", "close_by_winding", "keep_solid_bodies", "snap_to_scan", "thin_out"]

Ints = NDArray[np.int64]

CELL_PER_EDGE = 0.9
"""Cell over the scan's median edge: finer ones add triangles but no detail that the scan has."""

CELLS_PER_AREA = 2.2
"""Grid cells that a surface passes, over its area in squared cells (measured on scans)."""

CELL_BUDGET = 4_000_000
"""Cells that close_by_winding may take: about 400 bytes each while it works."""

NEAR_CORNER = 0.02
"""Vertices keep this share of a cell from the corners of the grid, so that no triangle degenerates."""

BISECTIONS = 6
"""Rounds of regula falsi for a vertex of the soap film: to about a hundredth of a cell."""

LATTICE_POINTS = 100_000
"""Points of the coarse lattice that looks for pieces of the surface which touch no wall."""


@dataclass(frozen=True, eq=False)
class ClosedSurface:
    """vertices (n,3), faces (m,3), free (n,): the vertex spans an opening, met no wall; cells: grid cells."""

    vertices: Floats
    faces: Ints
    free: NDArray[np.bool_]
    cells: int


def cell_for(vertices: ArrayLike, faces: ArrayLike) -> float:
    """The grid cell in mm for a scan: 0.9 of its median edge, or what the cell budget allows."""
    points = np.asarray(vertices, dtype=np.float64)
    corners = np.asarray(faces)
    sides = points[corners[:, [1, 2, 0]]] - points[corners]
    edge_mm = float(np.median(np.linalg.norm(sides, axis=2)))
    area_mm2 = float(np.linalg.norm(np.cross(sides[:, 0], sides[:, 1]), axis=1).sum()) / 2
    return max(CELL_PER_EDGE * edge_mm, float(np.sqrt(CELLS_PER_AREA * area_mm2 / CELL_BUDGET)))


def close_by_winding(
    vertices: ArrayLike, faces: ArrayLike, cell_mm: float, *, iso: float = 0.5
) -> ClosedSurface:
    """The closed surface at winding number `iso` of a triangle soup, on a grid of `cell_mm`.

    It is 2-manifold, oriented outward, and free of crossings. It has no faces when the soup winds around
    nothing by that much. Raises ValueError for an empty soup and for a cell that is not above zero.
    """
    if not cell_mm > 0:
        raise ValueError(f"a grid cell of {cell_mm} mm")
    points = np.ascontiguousarray(vertices, dtype=np.float64)
    corners = np.ascontiguousarray(faces, dtype=np.int64)
    tree = WindingTree.of(points, corners)
    used = points[corners].reshape(-1, 3)
    origin = used.min(axis=0) - 0.5 * cell_mm
    grid = LevelGrid(tree, origin, cell_mm, iso)
    hits = wall_hits((points - origin) / cell_mm, corners)
    grid.follow(np.concatenate([_wall_seeds(grid, hits), _far_seeds(grid, used.max(axis=0))]))
    starts, axes, surface = grid.surface()
    along, free = _places(grid, hits, starts, axes)
    base = unpack(grid.corners.keys[starts]).astype(np.float64)
    along = _uncrossed(base, axes, along, surface)
    base[np.arange(len(base)), axes] += along
    return ClosedSurface(origin + base * cell_mm, surface, free, grid.cells.count)


def _around(corners: Keys, axis: Ints) -> Keys:
    """The four cells (4n,) around grid edges that start at `corners` (n,) along `axis` (n,)."""
    u, v = STEP[(axis + 1) % 3], STEP[(axis + 2) % 3]
    return np.unique(np.concatenate([corners, corners - u, corners - v, corners - u - v]))


def _wall_seeds(grid: LevelGrid, hits: WallHits) -> Keys:
    """Cells around the grid edges that a wall cuts and whose ends lie on two sides of the level."""
    low = pack(hits.cell)
    high = low + STEP[hits.axis]
    changes = (grid.values(low) > grid.iso) != (grid.values(high) > grid.iso)
    return _around(low[changes], hits.axis[changes])


def _far_seeds(grid: LevelGrid, corner: Floats) -> Keys:
    """Cells of pieces of the surface that touch no wall, found on a coarse lattice around the whole scan."""
    extent = np.ceil((corner - grid.origin) / grid.cell_mm).astype(np.int64)
    stride = 4
    while np.prod(extent // stride + 5) > LATTICE_POINTS:
        stride *= 2
    counts = extent // stride + 5
    lattice = np.stack(np.meshgrid(*[np.arange(n) - 2 for n in counts], indexing="ij"), axis=-1) * stride
    inside = (grid.values(pack(lattice.reshape(-1, 3))) > grid.iso).reshape(counts)
    seeds = []
    for axis in range(3):
        first = np.moveaxis(inside, axis, 0)
        at = np.moveaxis(lattice, axis, 0)[:-1][first[1:] != first[:-1]]
        low = pack(at)
        width = stride
        low_inside = grid.values(low) > grid.iso
        while width > 1:
            width //= 2
            middle = low + width * STEP[axis]
            low = np.where((grid.values(middle) > grid.iso) == low_inside, middle, low)
        seeds.append(_around(low, np.full(len(low), axis)))
    return np.concatenate(seeds)


def _places(grid: LevelGrid, hits: WallHits, starts: Ints, axes: Ints) -> tuple[Floats, NDArray[np.bool_]]:
    """Where on its grid edge (0 to 1) each vertex lies, and whether no wall is there."""
    low = grid.winding[starts]
    keys = grid.corners.keys[starts]
    high = grid.winding[grid.corners.find(keys + STEP[axes])]
    vertex_of = np.full(3 * grid.corners.count, -1, dtype=np.int64)
    vertex_of[3 * starts + axes] = np.arange(len(starts))
    corner = grid.corners.find(pack(hits.cell))
    vertex = np.where(corner < 0, -1, vertex_of[3 * corner + hits.axis])
    cut = vertex >= 0
    along = _first_walls(vertex[cut], hits.along[cut], hits.rise[cut], low, high, grid.iso)
    free = np.isnan(along)
    film = np.flatnonzero(free)
    if len(film):
        along[film] = _film(grid, keys[film], axes[film], low[film], high[film])
    return np.clip(along, NEAR_CORNER, 1 - NEAR_CORNER), free


@njit(cache=True)
def _first_walls(vertex, along, rise, low, high, iso):
    """Coming from outside, the first wall at which the winding number passes the level; else not a number.

    Between walls the number drifts: what its change from end to end leaves after the jumps is spread evenly.
    """
    place = np.full(len(low), np.nan)
    first = 0
    while first < len(vertex):
        last = first
        while last + 1 < len(vertex) and vertex[last + 1] == vertex[first]:
            last += 1
        v = vertex[first]
        upward = low[v] <= iso
        level = low[v] if upward else high[v]
        jumps = 0.0
        for i in range(first, last + 1):
            jumps += rise[i]
        drift = (high[v] - low[v] - jumps) * (1 if upward else -1)
        for n in range(last - first + 1):
            i = first + n if upward else last - n
            level += rise[i] if upward else -rise[i]
            travelled = along[i] if upward else 1 - along[i]
            jumped_up = rise[i] > 0 if upward else rise[i] < 0
            if jumped_up and level + drift * travelled > iso:
                place[v] = along[i]
                break
        first = last + 1
    return place


def _film(grid: LevelGrid, keys: Keys, axes: Ints, low: Floats, high: Floats) -> Floats:
    """Places (n,) on grid edges where the number passes the level (regula falsi, Illinois variant)."""
    base = grid.points(keys)
    way = np.eye(3)[axes] * grid.cell_mm
    a, b = np.zeros(len(keys)), np.ones(len(keys))
    fa, fb = low - grid.iso, high - grid.iso
    side = np.zeros(len(keys), dtype=np.int64)
    place = np.full(len(keys), 0.5)
    for _ in range(BISECTIONS):
        place = np.clip(a + (b - a) * fa / (fa - fb), a + 0.05 * (b - a), b - 0.05 * (b - a))
        value = grid.tree.at(base + way * place[:, None]) - grid.iso
        left = (value > 0) == (fa > 0)
        fb = np.where(left & (side == 1), fb / 2, fb)
        fa = np.where(~left & (side == -1), fa / 2, fa)
        a, fa = np.where(left, place, a), np.where(left, value, fa)
        b, fb = np.where(left, b, place), np.where(left, fb, value)
        side = np.where(left, 1, -1)
    return np.asarray(a + (b - a) * fa / (fa - fb))


def _uncrossed(base: Floats, axes: Ints, along: Floats, faces: Ints) -> Floats:
    """Places moved towards the middle of their edges until no faces cross: with all there, none do."""
    moved = along.copy()
    rows = np.arange(len(base))

    def crossing(only: NDArray[np.bool_] | None) -> NDArray[np.bool_]:
        at = base.copy()
        at[rows, axes] += moved
        return crossing_faces(at, faces, only)

    bad = crossing(None)
    for attempt in range(40):
        if not bad.any():
            break
        touched = np.unique(faces[bad])
        if attempt > 8:
            touched = np.unique(faces[np.isin(faces, touched).any(axis=1)])
        moved[touched] = 0.5 + (moved[touched] - 0.5) * 0.5
        near = np.zeros(len(base), dtype=np.bool_)
        near[touched] = True
        bad = crossing(near[faces].any(axis=1))
    return moved


def keep_solid_bodies(
    vertices: ArrayLike, faces: ArrayLike, min_share: float = 0.002
) -> tuple[Floats, Ints, int]:
    """Bodies whose signed volume is at least `min_share` of the largest's, and how many were dropped.

    Trapped voids have negative volume and are dropped: they cannot be printed, and nobody can see them.
    """
    points = np.asarray(vertices, dtype=np.float64)
    corners = np.asarray(faces, dtype=np.int64)
    if not len(corners):
        return points, corners, 0
    ends = np.concatenate([corners[:, :2], corners[:, 1:]])
    links = coo_matrix(
        (np.ones(len(ends), dtype=np.int8), (ends[:, 0], ends[:, 1])), shape=(len(points),) * 2
    )
    _, label = connected_components(links, directed=False)
    _, body = np.unique(label[corners[:, 0]], return_inverse=True)
    a, b, c = (points[corners[:, k]] - points[corners[0, 0]] for k in range(3))
    volumes = np.bincount(body, np.einsum("ij,ij->i", a, np.cross(b, c)) / 6)
    kept = (volumes > 0) & (volumes >= min_share * volumes.max())
    used, renamed = np.unique(corners[kept[body]], return_inverse=True)
    return points[used], renamed.reshape(-1, 3).astype(np.int64), int((~kept).sum())


def thin_out(vertices: ArrayLike, faces: ArrayLike, tolerance_mm: float) -> tuple[Floats, Ints]:
    """Fewer triangles, the surface moved by no more than `tolerance_mm`.

    The surface is returned as it is when the simplified one crosses itself or is no longer closed.
    """
    import manifold3d

    points = np.array(vertices, dtype=np.float64)
    corners = np.array(faces, dtype=np.int64)
    body = manifold3d.Manifold(manifold3d.Mesh64(points, corners.astype(np.uint64)))
    if body.status() != manifold3d.Error.NoError or body.is_empty():
        return points, corners
    mesh = body.simplify(tolerance_mm).to_mesh64()
    thin = np.array(mesh.vert_properties, dtype=np.float64)[:, :3].copy()
    fewer = np.array(mesh.tri_verts).astype(np.int64).reshape(-1, 3)
    if not len(fewer) or not _closed(fewer) or crossing_faces(thin, fewer).any():
        return points, corners
    return thin, fewer


def _closed(faces: Ints) -> bool:
    """Whether every directed edge occurs once and has its opposite."""
    start, end = faces.ravel(), faces[:, [1, 2, 0]].ravel()
    size = int(faces.max()) + 1
    there = np.sort(start * size + end)
    back = np.sort(end * size + start)
    return bool((there[1:] != there[:-1]).all() and (there == back).all())
