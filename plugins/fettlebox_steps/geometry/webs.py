"""The gaps in the rim of a scan taken from one side spanned by webs, as seen from there.

Seen from where it was scanned, such a scan is a sheet in which no spot hides another: its rim is a plane
outline, however it dives in space. Between the rim's promontories, and between pieces side by side, plane
triangles are put up to a width; what is left of the outline has no clefts, and walls straight away from the
viewer have no teeth and leave no flap standing. The webs' heights are those of a membrane held by the rim.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass

import numpy as np
from numba import njit
from scipy.sparse import coo_matrix, csc_matrix, csr_matrix
from scipy.sparse.linalg import splu

from .base import Frame
from .flat_fill import fill_outlines
from .in_view import plan_cells
from .refine import refine
from .topology import ALONE, Flags, Floats, Ints, boundary_loops, diagonal, twins

MOUTH_SHARE = 0.08
"""Gaps no wider than this share of the scan's diagonal are spanned: 20 mm on a life-size face."""

WIDEST_MOUTHS = 1.5
"""Pieces that need a web wider than this many mouths to hang together are not one sheet."""

FAR = 50.0
"""The frame that is triangulated around the rims lies this many times their size away: seen from so far, what
it is joined to is their convex hull."""

LONGEST_EDGES = 1.5
"""A chord across a gap is divided where it is longer than this many median edges of the rim."""

STEEPEST = 1.0
"""A chord from one high place to another may run close by a low one. Where it would stand over that by more
than this slope, which is 45 degrees, it is taken down: between the two there would be a blade."""

CLEAR = 0.01
"""Of a side: a loose point nearer to it than this is left out of a web."""

NOTHING = np.zeros((0, 3))

GROWTH = 0.1
"""Edge length gained for distance from the rim."""


@dataclass(frozen=True)
class Webs:
    """Points (p,3) mm, faces (f,3), and the rim (r,) that is left, in the direction of the faces.

    Where there were n vertices, index n + i means point i.
    """

    points: Floats
    faces: Ints
    rim: Ints


def webbed(
    vertices: Floats, faces: Ints, loops: list[Ints], frame: Frame, loose: Floats = NOTHING
) -> Webs | None:
    """Webs between the rims of a sheet: one rim around each of its pieces, and those of holes to be spanned.

    vertices (n,3) mm, faces (m,3); loops, rims in the direction of their faces; `frame`, whose `out` is the
    way the viewer looks; loose (k,3), points for webs to go through where they lie in one. None if the rims,
    as the viewer sees them, cross, if pieces lie over one another or too far apart, or if a web comes out
    with no height that is a number.
    """
    names = np.concatenate(loops)
    flat = frame.flat(vertices[names])
    seen = flat[:, :2] * [1.0, -1.0]
    ends = np.cumsum([len(loop) for loop in loops])
    rings = [np.arange(end - len(loop), end) for loop, end in zip(loops, ends, strict=True)]
    if not _lie_apart(seen, rings):
        return None
    mouth_mm = MOUTH_SHARE * diagonal(vertices)
    triangles = _around(seen, rings)
    kept = _carved(seen, triangles, twins(triangles, len(seen) + 4), len(names), mouth_mm)
    web, within = _with_points(seen, triangles[kept], frame.flat(loose)[:, :2] * [1.0, -1.0])
    flat = np.concatenate([flat, frame.flat(loose[within])])
    seen = flat[:, :2] * [1.0, -1.0]
    alone = (twins(web, len(seen)) == ALONE).reshape(-1, 3)
    after = np.concatenate([*(np.roll(ring, -1) for ring in rings), np.full(len(within), -1)])
    chord = alone & (after[np.roll(web, -1, axis=1)] != web)
    length = np.linalg.norm(seen[np.roll(web, -1, axis=1)] - seen[web], axis=2)
    if length[chord].max(initial=0.0) > WIDEST_MOUTHS * mouth_mm:
        return None
    made = _made_fine(seen, flat[:, 2], web, chord, length, rings)
    if made is None:
        return None
    points, fine = made
    new = frame.space(np.c_[points[len(names) :, :2] * [1.0, -1.0], points[len(names) :, 2]])
    new[: len(within)] = loose[within]
    index = np.r_[names, np.arange(len(vertices), len(vertices) + len(new))]
    more = index[fine]
    rims = boundary_loops(np.concatenate([faces, more]), len(vertices) + len(new))
    was = np.zeros(len(vertices) + len(new), bool)
    was[names] = True
    left = [rim for rim in rims if was[rim].any()]
    return Webs(new, more, left[0]) if len(left) == 1 else None


def _lie_apart(seen: Floats, rings: list[Ints]) -> bool:
    """Whether the rims are plain outlines that keep clear of each other, with their surface to the left: of
    pieces side by side, or in holes of one another.
    """
    import shapely

    shapes = [shapely.Polygon(seen[ring]) for ring in rings]
    if not all(shape.is_valid for shape in shapes):
        return False
    lines = [shape.exterior for shape in shapes]
    one, other = shapely.STRtree(lines).query(lines, predicate="intersects")
    if not (one == other).all():
        return False
    outer = np.array([line.is_ccw for line in lines])
    one, other = shapely.STRtree(shapes).query(shapes, predicate="within")
    apart = one != other
    layers = np.zeros(len(rings))
    np.add.at(layers, one[apart], np.where(outer[other[apart]], 1.0, -1.0))
    return bool((layers == np.where(outer, 0.0, 1.0)).all())


def _around(seen: Floats, rings: list[Ints]) -> Ints:
    """Triangles (t,3), counter-clockwise, between the rims and a far frame, whose corners come last."""
    low, high = seen.min(axis=0), seen.max(axis=0)
    reach = FAR * float(np.linalg.norm(high - low))
    corners = np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * (high - low + 2 * reach) + low - reach
    n = len(seen)
    frame = np.arange(n, n + 4)
    start = np.concatenate([frame, *rings])
    end = np.concatenate([np.roll(frame, -1), *(np.roll(ring, -1) for ring in rings)])
    inner = start < n
    edges = np.column_stack([np.where(inner, end, start), np.where(inner, start, end)]).astype(np.int32)
    return fill_outlines(np.r_[seen, corners], edges)[:, ::-1].astype(np.int64)


def _with_points(seen: Floats, web: Ints, loose: Floats) -> tuple[Ints, Ints]:
    """Triangles (t + 2k,3) of which those with a loose point in them are parted at it, and the k points; they
    are named from len(seen) on. None so near to a side that a needle would come of it.
    """
    if not len(web) or not len(loose):
        return web, np.zeros(0, np.int64)
    parted, placed = _parted(seen, web, loose, CLEAR, *plan_cells(seen, web))
    return parted, placed


@njit(cache=True)
def _parted(seen, web, loose, clear, starts, listed, origin, cell, counts):
    """As `_with_points`; what a triangle is parted into hangs in a chain behind it."""
    parted = np.empty((len(web) + 2 * len(loose), 3), np.int64)
    parted[: len(web)] = web
    count, placed = len(web), np.empty(len(loose), np.int64)
    behind = np.full(len(parted), -1, np.int64)
    points = np.empty((len(seen) + len(loose), 2))
    points[: len(seen)] = seen
    n = 0
    for i in range(len(loose)):
        x, y = loose[i]
        column, row = int(np.floor((x - origin[0]) / cell)), int(np.floor((y - origin[1]) / cell))
        if not (0 <= column < counts[0] and 0 <= row < counts[1]):
            continue
        here = column * counts[1] + row
        found = -1
        for first in listed[starts[here] : starts[here + 1]]:
            t = first
            while t >= 0 and found < 0:
                if _holds(points, parted[t], x, y, clear):
                    found = t
                t = behind[t]
        if found >= 0:
            a, b, c = parted[found]
            at = len(seen) + n
            points[at, 0], points[at, 1] = x, y
            parted[found] = a, b, at
            parted[count] = b, c, at
            parted[count + 1] = c, a, at
            behind[count + 1] = behind[found]
            behind[count] = count + 1
            behind[found] = count
            count += 2
            placed[n] = i
            n += 1
    return parted[:count], placed[:n]


@njit(cache=True)
def _holds(points, triangle, x, y, clear):
    """Whether a place lies in a triangle, not too near to a side for its length."""
    for k in range(3):
        p, q = points[triangle[k]], points[triangle[(k + 1) % 3]]
        ex, ey = q[0] - p[0], q[1] - p[1]
        if ex * (y - p[1]) - ey * (x - p[0]) <= clear * (ex * ex + ey * ey):
            return False
    return True


@njit(cache=True)
def _lower(points, rims, steepest):
    """Take points (n,3) behind the first `rims` down, away from the viewer, in place, so that none stands
    over one of the rims steeper than that.
    """
    for i in range(rims, len(points)):
        for j in range(rims):
            x, y = points[i, 0] - points[j, 0], points[i, 1] - points[j, 1]
            low = points[j, 2] - steepest * np.sqrt(x * x + y * y)
            points[i, 2] = max(points[i, 2], low)


@njit(cache=True)
def _carved(seen, triangles, twin, frame, mouth):
    """(t,) triangles that are left when, from outside, those are taken that show an edge longer than `mouth`.

    The longest edge first; none whose third corner shows already, which would then show twice. M. Duckham,
    L. Kulik, M. Worboys, A. Galton, "Efficient generation of simple polygons for characterizing the shape of
    a set of points in the plane", 2008.
    """
    count = len(triangles)
    kept = np.ones(count, np.bool_)
    shows = np.zeros(frame + 4, np.bool_)
    for t in range(count):
        for k in range(3):
            kept[t] &= triangles[t, k] < frame
    waiting = [(0.0, np.int64(0)) for _ in range(0)]
    for t in range(count):
        if kept[t]:
            continue
        for k in range(3):
            u, w = triangles[t, k], triangles[t, (k + 1) % 3]
            if u >= frame or w >= frame:
                continue
            shows[u], shows[w] = True, True
            other = twin[3 * t + k]
            if other >= 0 and kept[other // 3]:
                length = np.sqrt((seen[u, 0] - seen[w, 0]) ** 2 + (seen[u, 1] - seen[w, 1]) ** 2)
                heapq.heappush(waiting, (-length, np.int64(other)))
    while len(waiting) > 0:
        length, half = heapq.heappop(waiting)
        if -length <= mouth:
            break
        at, side = half // 3, half % 3
        v = triangles[at, (side + 2) % 3]
        if not kept[at] or shows[v]:
            continue
        kept[at] = False
        shows[v] = True
        for e in ((side + 1) % 3, (side + 2) % 3):
            other = twin[3 * at + e]
            if other >= 0 and kept[other // 3]:
                u, w = triangles[at, e], triangles[at, (e + 1) % 3]
                length = np.sqrt((seen[u, 0] - seen[w, 0]) ** 2 + (seen[u, 1] - seen[w, 1]) ** 2)
                heapq.heappush(waiting, (-length, np.int64(other)))
    return kept


def _made_fine(
    seen: Floats, heights: Floats, web: Ints, chord: Flags, length: Floats, rings: list[Ints]
) -> tuple[Floats, Ints] | None:
    """Points (q,3), the rims' first, and faces (f,3) of webs as fine as their rims, heights held by those.

    None where heights cannot be worked out.
    """
    before = np.linalg.norm(np.concatenate([seen[ring] - seen[np.roll(ring, 1)] for ring in rings]), axis=1)
    edge_mm = float(np.median(before))
    pieces = np.where(chord, np.ceil(length / (LONGEST_EDGES * edge_mm)), 1).astype(np.int64)
    points, faces = _chords_divided(np.c_[seen, heights], web, pieces)
    _lower(points, len(seen), STEEPEST)
    spacing = np.full(len(points), edge_mm)
    flat = np.c_[points[:, :2], np.zeros(len(points))]
    fine, corners = refine(flat, faces, spacing, grow=GROWTH)
    spanned = _membrane(fine[:, :2], corners, points[:, 2])
    if spanned is None:
        return None
    fine[:, 2] = spanned
    return fine, corners


def _membrane(flat: Floats, faces: Ints, held: Floats) -> Floats | None:
    """Heights (n,) over points (n,2) of a membrane held at the first ones (h,): harmonic, by the weights of
    U. Pinkall, K. Polthier, "Computing discrete minimal surfaces and their conjugates", 1993. None if the
    points do not say: a triangle without an area pulls without bound, and what is not held is anywhere.
    """
    n, h = len(flat), len(held)
    if n == h:
        return held.copy()
    row, column, value = [], [], []
    for k in range(3):
        i, j, at = faces[:, k], faces[:, (k + 1) % 3], faces[:, (k + 2) % 3]
        u, v = flat[i] - flat[at], flat[j] - flat[at]
        area2 = np.abs(u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0])
        if not (area2 > 0).all():
            return None
        weight = (u * v).sum(axis=1) / area2
        row += [i, j, i, j]
        column += [j, i, i, j]
        value += [-weight, -weight, weight, weight]
    entries = (np.concatenate(value), (np.concatenate(row), np.concatenate(column)))
    pull = csr_matrix(coo_matrix(entries, shape=(n, n)))[h:]
    try:
        solver = splu(csc_matrix(pull[:, h:]), permc_spec="MMD_AT_PLUS_A", options={"SymmetricMode": True})
    except RuntimeError:  # exactly singular
        return None
    heights = np.concatenate([held, solver.solve(-(pull[:, :h] @ held))])
    return heights if np.isfinite(heights).all() else None


def _chords_divided(points: Floats, web: Ints, pieces: Ints) -> tuple[Floats, Ints]:
    """Triangles (t,3) with their edges divided into so many pieces (t,3)."""
    new, count = [points], len(points)
    whole = (pieces == 1).all(axis=1)
    faces = [web[whole]]
    waiting = list(zip(web[~whole].tolist(), pieces[~whole].tolist(), strict=True))
    while waiting:
        corners, parts = waiting.pop()
        k = int(np.argmax(parts))
        n = parts[k]
        if n == 1:
            faces.append(np.array([corners]))
            continue
        a, b, apex = corners[k], corners[k - 2], corners[k - 1]
        row = [a, *range(count, count + n - 1), b]
        places = points[[a, b]] if max(a, b) < len(points) else np.concatenate(new)[[a, b]]
        new.append(places[0] + (places[1] - places[0]) * (np.arange(1, n) / n)[:, None])
        count += n - 1
        for i in range(n):
            beyond = parts[k - 2] if i == n - 1 else 1
            behind = parts[k - 1] if i == 0 else 1
            waiting.append(([row[i], row[i + 1], apex], [1, beyond, behind]))
    return np.concatenate(new), np.concatenate(faces).astype(np.int64)
