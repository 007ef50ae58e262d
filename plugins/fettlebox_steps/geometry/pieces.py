"""What hangs together in a scan: the subject, crumbs beside it, or an assembly of bodies."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numba import get_num_threads, njit

from .clean import weld
from .topology import (
    Flags,
    Floats,
    Ints,
    components,
    diagonal,
    face_areas,
    face_vectors,
    twins,
    used_vertices,
)
from .triangle_order import middles_of

ASSEMBLY_SHARE = 0.75
"""One piece with at least this share of the area makes a scan of one subject; else it is an assembly."""
REPORTED_SHARE = 0.005
"""No piece with more than this share of the area goes without a word."""
CRUMB_SHARE = 1e-5
"""Of an assembly, only closed pieces under this share of the area are taken for dust."""
SPECK_DIAGONAL = 0.02
"""A piece whose diagonal is under this share of the whole is a speck, however crumpled its area."""


LAYER_REACH = 0.01
"""A second layer lies within this share of the diagonal of the first: 3 mm on a life-size head."""
LAYER_SHARE = 0.9
"""A piece is a second layer if this share of its faces lies along the first."""


@dataclass(frozen=True)
class Pieces:
    """Pieces of a surface, largest first.

    label (m,) piece of each face; share (k,) of the total area; diagonal_mm (k,); closed (k,) bool.
    """

    label: Ints
    share: Floats
    area_mm2: Floats
    diagonal_mm: Floats
    closed: Flags

    @property
    def count(self) -> int:
        return len(self.share)

    @property
    def assembly(self) -> bool:
        return bool(self.count > 1 and self.share[0] < ASSEMBLY_SHARE)


def survey(vertices: Floats, faces: Ints, *, by_position: bool = True) -> Pieces:
    """Pieces of a mesh. By position: a seam of doubled vertices does not part a piece."""
    welded = weld(vertices, faces) if by_position else faces
    count, label = components(welded, len(vertices))
    area = np.bincount(label, face_areas(vertices, faces), count).astype(np.float64)
    order = np.lexsort((np.arange(count), -area))
    rank = np.empty(count, np.int64)
    rank[order] = np.arange(count)
    label = rank[label]
    low, high = _extents(vertices, faces, label, count)
    open_faces = (twins(welded, len(vertices)) < 0).reshape(-1, 3).any(axis=1)
    closed = np.bincount(label, open_faces, count) == 0
    total = max(float(area.sum()), 1e-300)
    size = np.linalg.norm(high - low, axis=1) if count else np.zeros(0)
    return Pieces(label, area[order] / total, area[order], size, closed)


@njit(cache=True)
def _extents(vertices, faces, label, count):
    """(count,3) lowest and highest corner of each piece."""
    low, high = np.full((count, 3), np.inf), np.full((count, 3), -np.inf)
    for f in range(len(faces)):
        i = label[f]
        for k in range(3):
            for v in faces[f]:
                low[i, k] = min(low[i, k], vertices[v, k])
                high[i, k] = max(high[i, k], vertices[v, k])
    return low, high


def debris_among(vertices: Floats, faces: Ints, pieces: Pieces, under_share: float) -> Flags:
    """(k,) pieces that are debris: under a share of the area, or specks. Never the largest."""
    whole = diagonal(vertices[used_vertices(faces, len(vertices))])
    debris = (pieces.share < under_share) | (pieces.diagonal_mm < SPECK_DIAGONAL * whole)
    debris[:1] = False
    return debris


def crumbs_among(pieces: Pieces, each_counts: bool) -> Flags:
    """(k,) pieces that a closing need not carry along: nothing that anyone could miss.

    Of one subject, what is under REPORTED_SHARE. Where each body counts, as in an assembly, dust and
    torn-off scraps only: its small closed bodies are as much the subject as the large ones.
    """
    if each_counts:
        crumbs = (pieces.share < CRUMB_SHARE) | (~pieces.closed & (pieces.share < REPORTED_SHARE))
    else:
        crumbs = pieces.share < REPORTED_SHARE
    crumbs[:1] = False
    return np.asarray(crumbs, bool)


def second_layers(vertices: Floats, faces: Ints, pieces: Pieces) -> Flags:
    """(k,) open pieces that lie along the largest one, facing the same way: the same spot scanned twice.

    A scan's layers are off by its registration error. Which is right cannot be told, so the one that
    hangs together with the most is kept.
    """
    from scipy.spatial import cKDTree

    layer = np.zeros(pieces.count, bool)
    large = ~pieces.closed & (pieces.share >= REPORTED_SHARE)
    candidates = [i for i in range(1, pieces.count) if large[i]]
    if not candidates or pieces.assembly:
        return layer
    vectors = face_vectors(vertices, faces)
    centres = middles_of(vertices, faces)
    main = np.flatnonzero(pieces.label == 0)
    tree = cKDTree(centres[main])
    reach = LAYER_REACH * diagonal(vertices[used_vertices(faces, len(vertices))])
    for i in candidates:
        own = np.flatnonzero(pieces.label == i)
        distance, nearest = tree.query(centres[own], distance_upper_bound=reach, workers=get_num_threads())
        near = np.isfinite(distance)
        mate = main[np.asarray(nearest)[near]]
        along = np.einsum("ij,ij->i", vectors[own[near]], vectors[mate]) > 0
        layer[i] = along.sum() >= LAYER_SHARE * len(own)
    return layer


def account(pieces: Pieces, dropped: Flags) -> dict[str, Any]:
    """Facts on what was found, kept and dropped; they add up."""
    return {
        "pieces_found": pieces.count,
        "pieces_kept": int((~dropped).sum()),
        "pieces_dropped": int(dropped.sum()),
        "dropped_area_mm2": float(pieces.area_mm2[dropped].sum()),
        "dropped_area_share": float(pieces.share[dropped].sum()),
        "largest_dropped_share": float(pieces.share[dropped].max(initial=0.0)),
    }


def dropped_warnings(pieces: Pieces, dropped: Flags, what: str = "loose piece") -> tuple[str, ...]:
    """One sentence for each dropped piece that is large enough to be missed."""
    return tuple(
        f"a {what} with {pieces.share[i]:.1%} of the surface ({pieces.diagonal_mm[i]:.1f} mm across) "
        "was dropped; check that it is no part of the subject"
        for i in np.flatnonzero(dropped & (pieces.share > REPORTED_SHARE))
    )
