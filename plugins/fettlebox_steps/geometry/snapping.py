"""Pulling a grid surface on to the vertices of the scan it came from, so that sharp detail survives."""

from __future__ import annotations

from typing import Protocol

import numpy as np
from numba import get_num_threads, njit
from numpy.typing import ArrayLike, NDArray
from scipy.spatial import cKDTree

from .acceptance import FOLDED_COSINE
from .crossings import crossing_faces, search_order
from .topology import face_vectors, folded_pairs, touching, turned_away, twins, used_vertices

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

PULL = 0.6
"""How far a vertex may be pulled, in cells. Neighbours of one edge of the grid cannot change places within
half a cell; what the rest spoils is taken back. Measured: 0.45 leaves 39 % of a scan's vertices off the
surface, 0.6 leaves 21 %, 0.75 leaves 19 % and takes more back."""

CLAIMS = 4
"""Vertices of the surface that a scan vertex may claim, the nearest first. There are two for each of it."""

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
    surface: GridSurface,
    scan_vertices: ArrayLike,
    scan_faces: ArrayLike,
    cell_mm: float,
    order: Ints | None = None,
) -> Floats:
    """Vertices (n,3) of the surface, moved on to scan vertices where that crosses and folds nothing.

    Every scan vertex claims the nearest vertices of the surface that met a wall, within PULL of a cell; the
    shortest claim wins, as long as neither has another. Faces stay the same. What crosses or turns too far
    goes back, fan by fan. order (m,) from `search_order`, if the caller has it.
    """
    before, faces = np.asarray(surface.vertices), np.asarray(surface.faces)
    held = np.flatnonzero(~surface.free)
    if not len(held):
        return before.copy()
    scan = np.asarray(scan_vertices, dtype=np.float64)
    scan = scan[used_vertices(np.asarray(scan_faces), len(scan))]
    tree = cKDTree(before[held])
    found = tree.query(scan, k=CLAIMS, distance_upper_bound=PULL * cell_mm, workers=get_num_threads())
    distance, nearest = np.asarray(found[0]), np.asarray(found[1])
    row, column = np.nonzero(np.isfinite(distance))
    length, vertex = distance[row, column], nearest[row, column].astype(np.int64)
    shortest = in_order(length, row * len(held) + vertex)
    winner = _matched(row[shortest], vertex[shortest], len(held))
    won = winner >= 0
    snapped = before.copy()
    snapped[held[won]] = scan[winner[won]]
    return undo_damage(before, snapped, faces, cell_mm, order)


def in_order(length: Floats, claim: Ints) -> Ints:
    """Indices (k,) by length, then claim: as by `np.lexsort`, but sooner where few are equal."""
    order = np.argsort(length)
    _order_ties(order, length, claim)
    return order


@njit(cache=True)
def _order_ties(order, length, claim):
    first = 0
    while first < len(order):
        last = first + 1
        while last < len(order) and length[order[last]] == length[order[first]]:
            last += 1
        if last - first > 1:
            tied = order[first:last].copy()
            order[first:last] = tied[np.argsort(claim[tied])]
        first = last


@njit(cache=True)
def _matched(scan, vertex, count):
    """For each vertex of the surface the scan vertex that gets it, or -1; claims come shortest first."""
    winner = np.full(count, -1, np.int64)
    served = np.zeros(scan.max() + 1 if len(scan) else 0, np.bool_)
    for i in range(len(scan)):
        if winner[vertex[i]] < 0 and not served[scan[i]]:
            winner[vertex[i]] = scan[i]
            served[scan[i]] = True
    return winner


def undo_damage(
    before: Floats, after: Floats, faces: Ints, cell_mm: float, order: Ints | None = None
) -> Floats:
    """`after`, with every vertex back at `before` whose faces cross another or turn away from their side."""
    result = after.copy()
    normals = face_vectors(before, faces)
    tiny = np.einsum("ij,ij->i", normals, normals) <= (1e-3 * cell_mm**2) ** 2
    now = face_vectors(result, faces)
    order = search_order(before, faces) if order is None else order
    twin = twins(faces, len(before))
    bad = crossing_faces(result, faces, order=order) | folded_pairs(now, twin, FOLDED_COSINE)
    bad |= turned_away(normals, now, TURN) & ~tiny
    for attempt in range(ROUNDS):
        if not bad.any():
            return result
        moved_back = np.zeros(len(before), dtype=np.bool_)
        moved_back[faces[bad]] = True
        if attempt > 3:
            moved_back[faces[touching(faces, moved_back)]] = True
        result[moved_back] = before[moved_back]
        near = np.flatnonzero(touching(faces, moved_back))
        now[near] = face_vectors(result, faces[near])
        wrong = turned_away(normals[near], now[near], TURN) & ~tiny[near]
        wrong |= folded_pairs(now, twin, FOLDED_COSINE)[near]
        # Faces that are where they were before may be as they were.
        wrong &= touching(faces[near], (result != before).any(axis=1))
        looked_at = np.zeros(len(faces), dtype=np.bool_)
        looked_at[near] = True
        bad = crossing_faces(result, faces, only=looked_at, order=order)
        bad[near] |= wrong
    return before.copy()
