"""The few places where a closed surface crosses itself or lies folded: cut out and filled anew."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit

from .acceptance import UPON, offending_faces
from .clean import make_manifold, pieces_of, without_ears
from .crossings import crossing_faces
from .holes import fill
from .loops import classify
from .topology import (
    Flags,
    Floats,
    Ints,
    boundary_loops,
    compact,
    components,
    corner_fans,
    diagonal,
    twins,
)

OURS_ROUNDS = 4
"""Rounds in which nothing of the scan is cut."""
ROUNDS = 6
"""The first round cuts the bad faces alone, each one after it a ring wider; what six rings do not heal is no
local matter."""
SCRAP_SHARE = 0.01
"""A piece under this share of the largest that the cutting frees is scrap."""
WINDOW_RINGS = 14
"""Rings of faces around the bad ones that are looked at apart from the rest: nine that cuts may
reach, and their margin."""
WINDOW_SHARE = 0.3
"""Of all faces. A wider window would save little."""
MARGIN_RINGS = 5
"""Rings along the window's edge that no cut may touch: what frays is trimmed up to three faces further, and
rims within are not to meet the edge."""


def _grown(mask: Flags, faces: Ints, n: int, rings: int) -> Flags:
    return np.asarray(_rings(mask, faces, n, rings)) if rings else mask


@njit(cache=True)
def _rings(mask, faces, n, rings):
    near = np.zeros(n, np.bool_)
    grown = mask.copy()
    for _ in range(rings):
        for f in range(len(faces)):
            if grown[f]:
                near[faces[f, 0]] = near[faces[f, 1]] = near[faces[f, 2]] = True
        for f in range(len(faces)):
            grown[f] = near[faces[f, 0]] or near[faces[f, 1]] or near[faces[f, 2]]
    return grown


class _TooNarrowError(Exception):
    """What is to be done reaches beyond the window."""


@dataclass(frozen=True)
class _Around:
    """What lies around the surface that is worked on: faces (k,3) over vertices (n,3), and the area of the
    largest piece of all. A surface worked on as a whole has none.
    """

    vertices: Floats
    faces: Ints
    largest_mm2: float
    size_mm: float

    def offending(self, vertices: Floats, faces: Ints, only: Flags) -> Flags:
        found = offending_faces(vertices, faces, only, self.size_mm)
        if len(self.faces):
            points = np.concatenate([vertices, self.vertices])
            both = np.concatenate([faces, self.faces + len(vertices)])
            asked = np.concatenate([only, np.zeros(len(self.faces), bool)])
            if crossing_faces(points, both, asked, upon_mm=UPON * self.size_mm)[len(faces) :].any():
                raise _TooNarrowError
        return found


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
    if not crossing.any():
        return vertices, faces, 0
    if not open_stays:
        try:
            return _healed_within(vertices, faces, crossing, ours)
        except _TooNarrowError:
            pass
    nothing = _Around(vertices[:0], faces[:0], 0.0, diagonal(vertices))
    healed = _healed(vertices, faces, crossing, ours, np.zeros(len(faces), bool), nothing, open_stays)
    return None if healed is None else (healed[0], healed[1], healed[3])


def _healed_within(
    vertices: Floats, faces: Ints, crossing: Flags, ours: Flags | None
) -> tuple[Floats, Ints, int] | None:
    """The same, worked out in a window around the bad places and set back in."""
    n = len(vertices)
    twin = twins(faces, n)
    window = _grown(crossing, faces, n, WINDOW_RINGS)
    while True:
        pinched = _pinches(faces[window], n)
        if not pinched.any():
            break
        window = np.asarray(window | pinched[faces].any(axis=1))
    if (twin < 0).any() or window.sum() > WINDOW_SHARE * len(faces):
        raise _TooNarrowError
    around = np.zeros(n, bool)
    around[faces[~window]] = True
    mine = faces[window]
    edge = np.asarray(around[mine].any(axis=1))
    own, local, _ = compact(vertices, mine)
    _, _, area = pieces_of(vertices, faces)
    outside = _Around(vertices, faces[~window], float(area.max()), diagonal(vertices))
    healed = _healed(
        own, local, crossing[window], None if ours is None else ours[window], edge, outside, False
    )
    if healed is None:
        return None
    points, corners, still_edge, rounds = healed
    if still_edge.sum() != edge.sum():
        raise _TooNarrowError
    name = n + np.arange(len(points))
    name[corners[still_edge]] = mine[edge]
    whole = compact(np.concatenate([vertices, points]), np.concatenate([faces[~window], name[corners]]))
    return whole[0], whole[1], rounds


def _healed(
    vertices: Floats,
    faces: Ints,
    crossing: Flags,
    ours: Flags | None,
    edge: Flags,
    around: _Around,
    open_stays: bool,
) -> tuple[Floats, Ints, Flags, int] | None:
    """The surface healed, its faces (m,) at the edge to what lies around it, and the rounds."""
    spared = 0
    if ours is not None:
        vertices, faces, crossing, edge, spared = _ours_cut(vertices, faces, crossing, ours, edge, around)
    for rings in range(ROUNDS + 1):
        if not crossing.any():
            return vertices, faces, edge, spared + rings
        stays = ~_cut_clear(_grown(crossing, faces, len(vertices), rings), faces, len(vertices), edge)
        kept, edge = faces[stays], edge[stays]
        if not len(kept):
            return None
        if rings:
            left = without_ears(kept, len(vertices), spared=edge)
            kept, edge = kept[left], edge[left]
        vertices, faces, edge = _without_scraps(vertices, kept, edge, around)
        if not len(faces):
            return None
        loops = _own_loops(faces, len(vertices), edge)
        filled = fill(vertices, faces, classify(vertices, faces, loops).narrow if open_stays else loops)
        if filled.unfilled:
            return None
        vertices, faces = filled.vertices, filled.faces
        edge = np.concatenate([edge, np.zeros(len(faces) - len(edge), bool)])
        fresh = _grown(filled.patch >= 0, faces, len(vertices), 1)
        crossing = around.offending(vertices, faces, fresh)
    return None if crossing.any() else (vertices, faces, edge, spared + ROUNDS + 1)


def _ours_cut(
    vertices: Floats, faces: Ints, crossing: Flags, ours: Flags, edge: Flags, around: _Around
) -> tuple[Floats, Ints, Flags, Flags, int]:
    """Faces of ours about the bad places cut out and filled anew: the round that leaves least that is bad."""
    best = vertices, faces, crossing, edge, 0
    for rings in range(1, OURS_ROUNDS + 1):
        near = _grown(crossing, faces, len(vertices), rings) & ours
        cut = _cut_clear(_unpinched(faces, near, ours, len(vertices)), faces, len(vertices), edge)
        kept, scan, kept_edge = faces[~cut], ~ours[~cut], edge[~cut]
        count, label = components(kept, len(vertices))
        whole = (np.bincount(label, scan | kept_edge, count) > 0)[label]
        kept, scan, kept_edge = kept[whole], scan[whole], kept_edge[whole]
        if not cut.any() or not len(kept):
            break
        filled = fill(vertices, kept, _own_loops(kept, len(vertices), kept_edge))
        if filled.unfilled:
            continue
        fresh = _grown(filled.patch >= 0, filled.faces, len(filled.vertices), 1)
        fresh[: len(kept)] |= crossing[~cut][whole]
        vertices, faces = filled.vertices, filled.faces
        added = len(faces) - len(kept)
        ours = np.concatenate([~scan, np.ones(added, bool)])
        edge = np.concatenate([kept_edge, np.zeros(added, bool)])
        crossing = around.offending(vertices, faces, fresh)
        if crossing.sum() < best[2].sum():
            best = vertices, faces, crossing, edge, rings
        if not crossing.any():
            break
    vertices, faces, crossing, edge, rings = best
    return (*compact(vertices, faces)[:2], crossing, edge, rings)


def _cut_clear(cut: Flags, faces: Ints, n: int, edge: Flags) -> Flags:
    """The cut, if it keeps clear of the window's edge."""
    if edge.any() and (_grown(edge, faces, n, MARGIN_RINGS) & cut).any():
        raise _TooNarrowError
    return cut


def _own_loops(faces: Ints, n: int, edge: Flags) -> list[Ints]:
    """Rims but for those where the surface goes on around the window."""
    at_edge = np.zeros(n, bool)
    at_edge[faces[edge]] = True
    return [loop for loop in boundary_loops(faces, n) if not at_edge[loop[0]]]


def _pinches(faces: Ints, n: int) -> Flags:
    """(n,) vertices around which the faces do not all hang together."""
    fans = corner_fans(faces, twins(faces, n))[1]
    fan_of = np.full(n, -1, np.int64)
    fan_of[faces.ravel()] = fans.ravel()
    pinched = np.zeros(n, bool)
    pinched[faces.ravel()[fan_of[faces.ravel()] != fans.ravel()]] = True
    return pinched


def _unpinched(faces: Ints, cut: Flags, ours: Flags, n: int) -> Flags:
    """The cut, taken further around vertices where what is left would hang together by a corner alone."""
    while True:
        more = _pinches(faces[~cut], n)[faces].any(axis=1) & ours & ~cut
        if not more.any():
            return cut
        cut = cut | more


def _without_scraps(
    vertices: Floats, faces: Ints, edge: Flags, around: _Around
) -> tuple[Floats, Ints, Flags]:
    vertices, manifold, _ = make_manifold(*compact(vertices, faces)[:2])
    if len(manifold) < len(faces):
        if edge.any():
            raise _TooNarrowError
        edge = edge[: len(manifold)]
    if not len(manifold):
        return vertices, manifold, edge
    count, label, area = pieces_of(vertices, manifold)
    stays = area >= SCRAP_SHARE * max(float(area.max()), around.largest_mm2)
    stays |= np.bincount(label, edge, count) > 0
    kept, trimmed, _ = compact(vertices, manifold[stays[label]])
    return kept, trimmed, edge[stays[label]]
