"""The few places where a closed surface crosses itself or lies folded: cut out and filled anew."""

from __future__ import annotations

import numpy as np

from .acceptance import offending_faces
from .clean import make_manifold, pieces_of, trim_ears
from .holes import fill
from .loops import classify
from .topology import Flags, Floats, Ints, boundary_loops, compact, components, corner_fans, twins

OURS_ROUNDS = 4
"""Rounds in which nothing of the scan is cut."""
ROUNDS = 6
"""The first round cuts the bad faces alone, each one after it a ring wider; what six rings do not heal is no
local matter."""
SCRAP_SHARE = 0.01
"""A piece under this share of the largest that the cutting frees is scrap."""


def _grown(mask: Flags, faces: Ints, n: int, rings: int) -> Flags:
    for _ in range(rings):
        near = np.zeros(n, bool)
        near[faces[mask].ravel()] = True
        mask = np.asarray(near[faces].any(axis=1))
    return mask


def heal_crossings(
    vertices: Floats,
    faces: Ints,
    crossing: Flags | None = None,
    *,
    ours: Flags | None = None,
    open_stays: bool = False,
) -> tuple[Floats, Ints, int] | None:
    """The surface without crossings and the rounds that took, or None if they would not heal.

    Every rim is filled on the way, but for the openings if the surface is one that stays open. Of a closed
    surface, faces (m,) that are `ours`, not the scan's, are cut first, the scan only where they do not do.
    """
    if crossing is None:
        crossing = offending_faces(vertices, faces)
    spared = 0
    if ours is not None and crossing.any():
        vertices, faces, crossing, spared = _ours_cut(vertices, faces, crossing, ours)
    for rings in range(ROUNDS + 1):
        if not crossing.any():
            return vertices, faces, spared + rings
        kept = faces[~_grown(crossing, faces, len(vertices), rings)]
        if not len(kept):
            return None
        if rings:
            kept = trim_ears(kept, len(vertices))
        vertices, faces = _without_scraps(vertices, kept)
        if not len(faces):
            return None
        loops = boundary_loops(faces, len(vertices))
        filled = fill(vertices, faces, classify(vertices, faces, loops).narrow if open_stays else loops)
        if filled.unfilled:
            return None
        vertices, faces = filled.vertices, filled.faces
        fresh = _grown(filled.patch >= 0, faces, len(vertices), 1)
        crossing = offending_faces(vertices, faces, only=fresh)
    return None if crossing.any() else (vertices, faces, spared + ROUNDS + 1)


def _ours_cut(vertices: Floats, faces: Ints, crossing: Flags, ours: Flags) -> tuple[Floats, Ints, Flags, int]:
    """Faces of ours about the bad places cut out and filled anew: the round that leaves least that is bad."""
    best = vertices, faces, crossing, 0
    for rings in range(1, OURS_ROUNDS + 1):
        cut = _unpinched(faces, _grown(crossing, faces, len(vertices), rings) & ours, ours, len(vertices))
        kept, scan = faces[~cut], ~ours[~cut]
        count, label = components(kept, len(vertices))
        whole = (np.bincount(label, scan, count) > 0)[label]
        kept, scan = kept[whole], scan[whole]
        if not cut.any() or not len(kept):
            break
        filled = fill(vertices, kept, boundary_loops(kept, len(vertices)))
        if filled.unfilled:
            continue
        fresh = _grown(filled.patch >= 0, filled.faces, len(filled.vertices), 1)
        fresh[: len(kept)] |= crossing[~cut][whole]
        vertices, faces = filled.vertices, filled.faces
        ours = np.concatenate([~scan, np.ones(len(faces) - len(kept), bool)])
        crossing = offending_faces(vertices, faces, only=fresh)
        if crossing.sum() < best[2].sum():
            best = vertices, faces, crossing, rings
        if not crossing.any():
            break
    vertices, faces, crossing, rings = best
    return (*compact(vertices, faces)[:2], crossing, rings)


def _unpinched(faces: Ints, cut: Flags, ours: Flags, n: int) -> Flags:
    """The cut, taken further around vertices where what is left would hang together by a corner alone."""
    while True:
        kept = faces[~cut]
        fans = corner_fans(kept, twins(kept, n))[1]
        fan_of = np.full(n, -1, np.int64)
        fan_of[kept.ravel()] = fans.ravel()
        pinched = np.zeros(n, bool)
        pinched[kept.ravel()[fan_of[kept.ravel()] != fans.ravel()]] = True
        more = pinched[faces].any(axis=1) & ours & ~cut
        if not more.any():
            return cut
        cut = cut | more


def _without_scraps(vertices: Floats, faces: Ints) -> tuple[Floats, Ints]:
    vertices, faces, _ = make_manifold(*compact(vertices, faces)[:2])
    if not len(faces):
        return vertices, faces
    _, label, area = pieces_of(vertices, faces)
    kept, trimmed, _ = compact(vertices, faces[(area >= SCRAP_SHARE * area.max())[label]])
    return kept, trimmed
