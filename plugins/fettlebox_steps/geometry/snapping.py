"""Pulling a grid surface on to the vertices of the scan it came from, so that sharp detail survives."""

from __future__ import annotations

from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.spatial import cKDTree

from .crossings import crossing_faces

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

PULL = 0.45
"""How far a vertex may be pulled, in cells: less than half, so that neighbours do not change places."""

TURN = 0.2
"""Cosine between a face's normals before and after, below which its corners go back: about 78 degrees."""

ROUNDS = 60
"""Rounds of undoing. Each takes back at least the fans around what is still wrong; after the fourth their
neighbours too, so that it ends with the surface as it was before it can run out of rounds."""


class GridSurface(Protocol):
    """What snapping needs to know of a surface: vertices (n,3), faces (m,3), free (n,) mask."""

    @property
    def vertices(self) -> Floats: ...
    @property
    def faces(self) -> Ints: ...
    @property
    def free(self) -> NDArray[np.bool_]: ...


def snap_to_scan(
    surface: GridSurface, scan_vertices: ArrayLike, scan_faces: ArrayLike, cell_mm: float
) -> Floats:
    """Vertices (n,3) of the surface, moved on to scan vertices where that crosses and folds nothing.

    Every scan vertex claims the nearest vertex of the surface that met a wall, within 0.45 of a cell; the
    nearest claim wins. Faces stay the same. What crosses or turns too far goes back, fan by fan.
    """
    before, faces = np.asarray(surface.vertices), np.asarray(surface.faces)
    held = np.flatnonzero(~surface.free)
    if not len(held):
        return before.copy()
    scan = np.asarray(scan_vertices, dtype=np.float64)[np.unique(np.asarray(scan_faces))]
    found = cKDTree(before[held]).query(scan, distance_upper_bound=PULL * cell_mm, workers=-1)
    distance, nearest = np.asarray(found[0]), np.asarray(found[1])
    claim = np.flatnonzero(np.isfinite(distance))
    claim = claim[np.lexsort((claim, distance[claim], nearest[claim]))]
    first = np.ones(len(claim), dtype=np.bool_)
    first[1:] = nearest[claim[1:]] != nearest[claim[:-1]]
    winners = claim[first]
    snapped = before.copy()
    snapped[held[nearest[winners]]] = scan[winners]
    return undo_damage(before, snapped, faces, cell_mm)


def undo_damage(before: Floats, after: Floats, faces: Ints, cell_mm: float) -> Floats:
    """`after`, with every vertex back at `before` whose faces cross another or turn away from their side."""
    result = after.copy()
    normals, sizes = _normals(before, faces)
    tiny = sizes <= 1e-3 * cell_mm**2

    def turned(some: NDArray[np.bool_] | slice) -> NDArray[np.bool_]:
        now, now_sizes = _normals(result, faces[some])
        agreement = np.einsum("ij,ij->i", normals[some], now)
        return np.asarray((agreement < TURN * sizes[some] * now_sizes) & ~tiny[some])

    bad = np.asarray(crossing_faces(result, faces) | turned(slice(None)))
    for attempt in range(ROUNDS):
        if not bad.any():
            return result
        moved_back = np.zeros(len(before), dtype=np.bool_)
        moved_back[faces[bad]] = True
        if attempt > 3:
            moved_back[faces[moved_back[faces].any(axis=1)]] = True
        result[moved_back] = before[moved_back]
        near = np.asarray(moved_back[faces].any(axis=1))
        bad = crossing_faces(result, faces, only=near)
        bad[near] |= turned(near) & (result[faces[near]] != before[faces[near]]).any(axis=(1, 2))
    return before.copy()


def _normals(vertices: Floats, faces: Ints) -> tuple[Floats, Floats]:
    """Normals (m,3), as long as twice the area, and that length."""
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    normals = np.cross(b - a, c - a)
    return normals, np.linalg.norm(normals, axis=1)
