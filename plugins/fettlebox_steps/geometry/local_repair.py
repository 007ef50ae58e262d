"""The few places where a closed surface crosses itself or lies folded: cut out and filled anew."""

from __future__ import annotations

import numpy as np

from .acceptance import offending_faces
from .clean import make_manifold, pieces_of, trim_ears
from .holes import fill
from .loops import classify
from .topology import Flags, Floats, Ints, boundary_loops, compact

ROUNDS = 6
"""Each round cuts one ring wider; what six rings do not heal is no local matter."""
SCRAP_SHARE = 0.01
"""A piece under this share of the largest that the cutting frees is scrap."""


def _grown(mask: Flags, faces: Ints, n: int, rings: int) -> Flags:
    for _ in range(rings):
        near = np.zeros(n, bool)
        near[faces[mask].ravel()] = True
        mask = np.asarray(near[faces].any(axis=1))
    return mask


def heal_crossings(
    vertices: Floats, faces: Ints, crossing: Flags | None = None, *, open_stays: bool = False
) -> tuple[Floats, Ints, int] | None:
    """The surface without crossings and the rounds that took, or None if they would not heal.

    Every rim is filled on the way, but for the openings if the surface is one that stays open.
    """
    if crossing is None:
        crossing = offending_faces(vertices, faces)
    for rings in range(1, ROUNDS + 1):
        if not crossing.any():
            return vertices, faces, rings - 1
        kept = faces[~_grown(crossing, faces, len(vertices), rings)]
        if not len(kept):
            return None
        vertices, faces = _without_scraps(vertices, trim_ears(kept, len(vertices)))
        if not len(faces):
            return None
        loops = boundary_loops(faces, len(vertices))
        filled = fill(vertices, faces, classify(vertices, faces, loops).narrow if open_stays else loops)
        if filled.unfilled:
            return None
        vertices, faces = filled.vertices, filled.faces
        fresh = _grown(filled.patch >= 0, faces, len(vertices), 1)
        crossing = offending_faces(vertices, faces, only=fresh)
    return None if crossing.any() else (vertices, faces, ROUNDS)


def _without_scraps(vertices: Floats, faces: Ints) -> tuple[Floats, Ints]:
    vertices, faces, _ = make_manifold(*compact(vertices, faces)[:2])
    if not len(faces):
        return vertices, faces
    _, label, area = pieces_of(vertices, faces)
    kept, trimmed, _ = compact(vertices, faces[(area >= SCRAP_SHARE * area.max())[label]])
    return kept, trimmed
