"""What of a scan taken from one side its viewer does not see: faces that look away, and what others hide.

A scanner sees no such thing, but noise turns faces round where a surface is seen on edge, and where one part
stands before another, triangles at the border of both lie over one another by a part of their size. Without
them the sheet has no spot that hides another, and all of its gaps can be closed as on a map.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from scipy.spatial import cKDTree

from .topology import Flags, Floats, Ints, twins

ROUNDS = 40
"""Each round cuts a ring of faces further under what hides them; what goes on is no border."""

MOST_SHARE = 0.1
"""Of the area. A surface that hides more of itself was not taken from one side."""

DRAWN_OUT, CLEAR = 0.3, 0.1
"""Of an edge: how far a hidden vertex may lie under what hides it to be drawn out beside that, and how far
beside it comes to lie."""

NEAREST = 12
"""Edges of the rim, by their middles, among which the nearest to a vertex is looked for."""

MOST_CELLS = 40
"""Cells to a face, on average; where few are much larger than most, the cells are made larger."""

SMALLEST = 1e-6
"""Of the whole width, so that cells can be counted."""

TOUCHING = 1e-9
"""Of an edge: what lies over another by less than this share touches it."""


def out_of_view(flat: Floats, faces: Ints, gone: Flags) -> Flags | None:
    """(m,) faces to cut, so that none of the others looks away or lies over another; None if that is much.

    Those that are `gone` (m,) are among them. flat (n,3): across, along, and how far away from the viewer;
    faces (m,3), clockwise as the viewer has these axes, as a surface that faces him is. Of two that lie over
    one another, the further is cut.
    """
    a, b, c = (flat[faces[:, k], :2] for k in range(3))
    plan = (b - a)[:, 1] * (c - a)[:, 0] - (b - a)[:, 0] * (c - a)[:, 1]
    cut: Flags = np.asarray(gone | (plan <= 0))
    most = MOST_SHARE * np.abs(plan).sum()
    twin = twins(faces, len(flat))
    cells = plan_cells(flat, faces)
    at_rim = np.zeros(len(flat), bool)
    at_rim[faces.ravel()[twin < 0]] = True
    at_rim[np.roll(faces, -1, axis=1).ravel()[twin < 0]] = True
    border = at_rim[faces].any(axis=1)
    for _ in range(ROUNDS):
        if cut.all() or np.abs(plan[cut]).sum() > most:
            return None
        beside = np.where(twin >= 0, twin // 3, 0)
        rim = (~np.repeat(cut, 3)) & ((twin < 0) | cut[beside])
        if not _cut_over(flat, faces, border, np.flatnonzero(rim), *cells, cut):
            return cut
    return None


def places_for_bared(flat: Floats, faces: Ints, cut: Flags) -> tuple[Ints, Floats]:
    """The vertices (k,) that cutting faces (m,) leaves without any, and where (k,3) a web can go through them
    or close by.

    One that no face hides is where it was; what is hidden by little is drawn out beside what hides it; what
    is hidden by more is left out.
    """
    bared = np.zeros(len(flat), bool)
    bared[faces[cut]] = True
    bared[faces[~cut]] = False
    lone = np.flatnonzero(bared)
    left = faces[~cut]
    alone = twins(left, len(flat)) < 0
    rim = np.stack([left.ravel(), np.roll(left, -1, axis=1).ravel()], axis=1)[alone]
    length = np.linalg.norm(flat[rim[:, 1], :2] - flat[rim[:, 0], :2], axis=1)
    middle = flat[rim, :2].mean(axis=1)
    k = min(NEAREST, len(rim))
    near = np.asarray(cKDTree(middle).query(flat[lone, :2], k=k)[1]).reshape(len(lone), k)
    places = _drawn_out(flat, left, flat[lone], rim, near, float(np.median(length)), *plan_cells(flat, left))
    found = ~np.isnan(places[:, 0])
    return lone[found], places[found]


def lie_over(flat: Floats, faces: Ints, points: Floats) -> Flags:
    """(k,) whether points (k,2) lie over or under a face, as the viewer sees them."""
    return np.asarray(_all_covered(flat, faces, points, *plan_cells(flat, faces)))


@njit(cache=True)
def _all_covered(flat, faces, points, starts, listed, origin, cell, counts):
    found = np.zeros(len(points), np.bool_)
    for n in range(len(points)):
        x, y = points[n, 0], points[n, 1]
        found[n] = _covered(flat, faces, x, y, starts, listed, origin, cell, counts)
    return found


@njit(cache=True)
def _covered(flat, faces, x, y, starts, listed, origin, cell, counts):
    i, j = int(np.floor((x - origin[0]) / cell)), int(np.floor((y - origin[1]) / cell))
    if not (0 <= i < counts[0] and 0 <= j < counts[1]):
        return False
    at = i * counts[1] + j
    for f in listed[starts[at] : starts[at + 1]]:
        first, last = _over(flat, faces[f], x, y, x, y)
        if last >= first:
            return True
    return False


@njit(cache=True)
def _drawn_out(flat, faces, lone, rim, near, edge, starts, listed, origin, cell, counts):
    """Places (k,3) for lone points (k,3), not numbers where there is none; near (k,j), edges of the rim."""
    found = lone.copy()
    for n in range(len(lone)):
        x, y = lone[n, 0], lone[n, 1]
        covered = _covered(flat, faces, x, y, starts, listed, origin, cell, counts)
        least, px, py = np.inf, 0.0, 0.0
        for e in near[n]:
            a, b = flat[rim[e, 0]], flat[rim[e, 1]]
            ex, ey = b[0] - a[0], b[1] - a[1]
            t = ((x - a[0]) * ex + (y - a[1]) * ey) / max(ex * ex + ey * ey, 1e-300)
            t = min(1.0, max(0.0, t))
            away = np.hypot(a[0] + t * ex - x, a[1] + t * ey - y)
            if away < least:
                least, px, py = away, a[0] + t * ex - x, a[1] + t * ey - y
        if (covered and least > DRAWN_OUT * edge) or least == 0.0:
            found[n] = np.nan
        elif covered or least < CLEAR * edge:
            more = 1.0 + CLEAR * edge / least if covered else 1.0 - CLEAR * edge / least
            found[n, 0] = x + px * more
            found[n, 1] = y + py * more
    return found


def plan_cells(flat: Floats, faces: Ints) -> tuple[Ints, Ints, Floats, float, Ints]:
    """Faces by the cells of a plane grid that they reach into: starts, faces, origin, cell, counts."""
    corners = flat[faces, :2]
    low, high = corners.min(axis=1), corners.max(axis=1)
    origin, end = low.min(axis=0), high.max(axis=0)
    cell = max(2 * float(np.median((high - low).max(axis=1))), float((end - origin).max()) * SMALLEST)
    while True:
        first = ((low - origin) / cell).astype(np.int64)
        last = ((high - origin) / cell).astype(np.int64)
        most = MOST_CELLS * len(faces)
        if np.prod(last.max(axis=0) + 1.0) <= most and np.prod(last - first + 1.0, axis=1).sum() <= most:
            break
        cell *= 2
    counts = last.max(axis=0) + 1
    starts, listed = _listed(first, last, counts)
    return starts, listed, origin, cell, counts


@njit(cache=True)
def _listed(first, last, counts):
    starts = np.zeros(counts[0] * counts[1] + 1, np.int64)
    for f in range(len(first)):
        for i in range(first[f, 0], last[f, 0] + 1):
            for j in range(first[f, 1], last[f, 1] + 1):
                starts[i * counts[1] + j + 1] += 1
    starts = np.cumsum(starts)
    place = starts[:-1].copy()
    listed = np.empty(starts[-1], np.int64)
    for f in range(len(first)):
        for i in range(first[f, 0], last[f, 0] + 1):
            for j in range(first[f, 1], last[f, 1] + 1):
                cell = i * counts[1] + j
                listed[place[cell]] = f
                place[cell] += 1
    return starts, listed


@njit(cache=True)
def _cut_over(flat, faces, border, rim, starts, listed, origin, cell, counts, cut):
    """Cut (m,), in place, of faces that lie over one another where an edge of the rim (half edges) shows it,
    the further; how many. So that no vertex is left without a face, the nearer, if it is at the border.
    """
    left = np.zeros(len(flat), np.int64)
    for f in range(len(faces)):
        if not cut[f]:
            for k in range(3):
                left[faces[f, k]] += 1
    count = 0
    for half in rim:
        own, side = half // 3, half % 3
        u, w = faces[own, side], faces[own, (side + 1) % 3]
        ux, uy, wx, wy = flat[u, 0], flat[u, 1], flat[w, 0], flat[w, 1]
        i0 = int((min(ux, wx) - origin[0]) / cell)
        i1 = int((max(ux, wx) - origin[0]) / cell)
        j0 = int((min(uy, wy) - origin[1]) / cell)
        j1 = int((max(uy, wy) - origin[1]) / cell)
        for i in range(i0, i1 + 1):
            for j in range(j0, j1 + 1):
                at = i * counts[1] + j
                for f in listed[starts[at] : starts[at + 1]]:
                    if f == own or cut[f] or cut[own]:
                        continue
                    first, last = _over(flat, faces[f], ux, uy, wx, wy)
                    if last - first <= TOUCHING:
                        continue
                    t = 0.5 * (first + last)
                    z = flat[u, 2] + t * (flat[w, 2] - flat[u, 2])
                    further, nearer = own, f
                    if _height(flat, faces[f], ux + t * (wx - ux), uy + t * (wy - uy)) > z:
                        further, nearer = f, own
                    if border[nearer] and _bares(faces[further], left) and not _bares(faces[nearer], left):
                        further = nearer
                    cut[further] = True
                    count += 1
                    for k in range(3):
                        left[faces[further, k]] -= 1
    return count


@njit(cache=True)
def _bares(face, left):
    """Whether a vertex has no other face that is left."""
    return left[face[0]] == 1 or left[face[1]] == 1 or left[face[2]] == 1


@njit(cache=True)
def _over(flat, face, ux, uy, wx, wy):
    """From where to where (0 to 1) a line from u to w runs over a clockwise face."""
    first, last = 0.0, 1.0
    for k in range(3):
        p, q = face[k], face[(k + 1) % 3]
        ex, ey = flat[q, 0] - flat[p, 0], flat[q, 1] - flat[p, 1]
        at_u = ey * (ux - flat[p, 0]) - ex * (uy - flat[p, 1])
        at_w = ey * (wx - flat[p, 0]) - ex * (wy - flat[p, 1])
        if at_u <= 0 and at_w <= 0:
            return 1.0, 0.0
        if at_u < 0:
            first = max(first, at_u / (at_u - at_w))
        elif at_w < 0:
            last = min(last, at_u / (at_u - at_w))
    return first, last


@njit(cache=True)
def _height(flat, face, x, y):
    """How far away a face is over a place."""
    a, b, c = flat[face[0]], flat[face[1]], flat[face[2]]
    whole = (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])
    along = ((x - a[0]) * (c[1] - a[1]) - (y - a[1]) * (c[0] - a[0])) / whole
    aside = ((b[0] - a[0]) * (y - a[1]) - (b[1] - a[1]) * (x - a[0])) / whole
    return a[2] + along * (b[2] - a[2]) + aside * (c[2] - a[2])
