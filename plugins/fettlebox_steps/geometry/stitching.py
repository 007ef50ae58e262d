"""Points of a scan taken into a surface that passes close by them: faces and edges split where they lie."""

from __future__ import annotations

import numpy as np
from numba import get_num_threads, njit, prange
from numpy.typing import ArrayLike, NDArray
from scipy.spatial import cKDTree

from .acceptance import FOLDED_COSINE
from .crossings import crossing_faces, search_order
from .topology import Floats, Ints, face_vectors, faces_around, folded_pairs, touching, turned_away, twins

CLOSE_ENOUGH = 0.03
"""Cells that the surface may pass a point by without taking it in: half of what fidelity asks for."""

REACH = 0.5
"""Cells within which a point is taken in; what is further off belongs to another sheet or to nothing."""

INSIDE, ALONG = 0.1, 0.15
"""Barycentric coordinates: a point this far from every edge splits the face, one this far from both ends of
an edge splits the edge, and any other lies too near a vertex to go in without a needle."""

TURN = 0.2
"""Cosine between a new face's normal and that of the face it is part of, below which it is taken back."""

PASSES, UNDOINGS = 2, 8
"""A face takes one point a pass. Taking back ends in the surface as it was long before it runs out."""


def stitch(
    vertices: Floats,
    faces: Ints,
    free: NDArray[np.bool_],
    points: ArrayLike,
    cell_mm: float,
    order: Ints | None = None,
) -> tuple[Floats, Ints]:
    """The surface (n,3), (m,3) through those of `points` (k,3) that it passes within half a cell.

    A closed surface without crossings stays one. Faces with a `free` vertex (n,) are left as they are.
    order (m,) from `search_order`, if the caller has it.
    """
    wanted = np.ascontiguousarray(points, dtype=np.float64)
    # New vertices lie on faces of old ones, so that the fans around old ones go on to hold every face.
    tree = cKDTree(vertices)
    near_mm = np.nextafter(CLOSE_ENOUGH * cell_mm, np.inf)
    found = tree.query(wanted, distance_upper_bound=near_mm, workers=get_num_threads())[0]
    wanted = wanted[np.isinf(np.asarray(found))]
    near = np.asarray(
        tree.query(wanted, k=3, distance_upper_bound=2 * cell_mm, workers=get_num_threads())[1], np.int64
    )
    held = ~free
    twin = twins(faces, len(vertices))
    order = search_order(vertices, faces) if order is None else order
    for _ in range(PASSES):
        places = _places(vertices, faces, twin, held, wanted, near, cell_mm)
        if not len(places[0]):
            break
        before = len(vertices)
        vertices, faces, twin, order = _with_points(vertices, faces, twin, order, *places, wanted)
        held = np.concatenate([held, np.ones(len(vertices) - before, dtype=np.bool_)])
    return vertices, faces


def _places(
    vertices: Floats,
    faces: Ints,
    twin: Ints,
    held: NDArray[np.bool_],
    wanted: Floats,
    near: Ints,
    cell_mm: float,
) -> tuple[Ints, Ints]:
    """Points (j,) to take in, and the half edge (j,) that each splits, or -1 - face where it splits a face.

    near (k,3) vertices around each point. The points that the surface misses by most come first; no face is
    split twice.
    """
    start, around = faces_around(faces, len(vertices))
    distance, split = _closest(vertices, faces, held, wanted, near, around, start)
    asked = np.flatnonzero((distance > CLOSE_ENOUGH * cell_mm) & (distance < REACH * cell_mm))
    asked = asked[np.lexsort((asked, -distance[asked]))]
    chosen = _claims(asked, split, twin, len(faces))
    return chosen, split[chosen]


@njit(parallel=True, cache=True)
def _closest(vertices, faces, held, wanted, near, fan, start):
    """Distance (k,) to the nearest face around the nearest vertices, and what to split there (0 for nothing:
    the distance is then infinite).
    """
    distance = np.full(len(wanted), np.inf)
    split = np.zeros(len(wanted), np.int64)
    for i in prange(len(wanted)):
        weight = np.empty(3)
        best = np.empty(3)
        least, face = np.inf, -1
        for q in near[i]:
            if q >= len(start) - 1:
                continue  # the tree found fewer than three
            for at in range(start[q], start[q + 1]):
                f = fan[at]
                d = _weights(vertices, faces[f], wanted[i], weight)
                if d < least:
                    least, face = d, f
                    best[:] = weight
        if face < 0 or not (held[faces[face, 0]] and held[faces[face, 1]] and held[faces[face, 2]]):
            continue
        k = 0
        for j in range(3):
            if best[j] < best[k]:
                k = j
        if best[k] >= INSIDE:
            split[i] = -1 - face
        elif best[(k + 1) % 3] >= ALONG and best[(k + 2) % 3] >= ALONG:
            split[i] = 3 * face + (k + 1) % 3
        else:
            continue
        distance[i] = least
    return distance, split


@njit(cache=True)
def _weights(vertices, corners, p, weight):
    """Distance from p to a triangle; barycentric coordinates of the closest point, kept within it.

    C. Ericson, "Real-time collision detection", 2005, section 5.1.5, by clamping to each side in turn.
    """
    ax, ay, az = vertices[corners[0], 0], vertices[corners[0], 1], vertices[corners[0], 2]
    ux, uy, uz = vertices[corners[1], 0] - ax, vertices[corners[1], 1] - ay, vertices[corners[1], 2] - az
    vx, vy, vz = vertices[corners[2], 0] - ax, vertices[corners[2], 1] - ay, vertices[corners[2], 2] - az
    wx, wy, wz = p[0] - ax, p[1] - ay, p[2] - az
    uu, uv, vv = ux * ux + uy * uy + uz * uz, ux * vx + uy * vy + uz * vz, vx * vx + vy * vy + vz * vz
    uw, vw = ux * wx + uy * wy + uz * wz, vx * wx + vy * wy + vz * wz
    area = uu * vv - uv * uv
    if area > 1e-300:
        s, t = (vv * uw - uv * vw) / area, (uu * vw - uv * uw) / area
        if s >= 0 and t >= 0 and s + t <= 1:
            weight[0], weight[1], weight[2] = 1 - s - t, s, t
            dx, dy, dz = wx - s * ux - t * vx, wy - s * uy - t * vy, wz - s * uz - t * vz
            return np.sqrt(dx * dx + dy * dy + dz * dz)
    least = np.inf
    for k in range(3):
        i, j = corners[k], corners[(k + 1) % 3]
        sx, sy, sz = (
            vertices[j, 0] - vertices[i, 0],
            vertices[j, 1] - vertices[i, 1],
            vertices[j, 2] - vertices[i, 2],
        )
        dx, dy, dz = p[0] - vertices[i, 0], p[1] - vertices[i, 1], p[2] - vertices[i, 2]
        t = min(max((dx * sx + dy * sy + dz * sz) / max(sx * sx + sy * sy + sz * sz, 1e-300), 0.0), 1.0)
        dx, dy, dz = dx - t * sx, dy - t * sy, dz - t * sz
        d = np.sqrt(dx * dx + dy * dy + dz * dz)
        if d < least:
            least = d
            weight[k], weight[(k + 1) % 3], weight[(k + 2) % 3] = 1 - t, t, 0.0
    return least


@njit(cache=True)
def _claims(asked, split, twin, count):
    taken = np.zeros(count, np.bool_)
    chosen = np.empty(len(asked), np.int64)
    n = 0
    for i in asked:
        one = -1 - split[i] if split[i] < 0 else split[i] // 3
        two = one if split[i] < 0 else twin[split[i]] // 3
        if two < 0 or taken[one] or taken[two]:
            continue
        taken[one] = taken[two] = True
        chosen[n] = i
        n += 1
    return chosen[:n].copy()


def _with_points(
    vertices: Floats, faces: Ints, twin: Ints, order: Ints, chosen: Ints, split: Ints, wanted: Floats
) -> tuple[Floats, Ints, Ints, Ints]:
    """The surface with the chosen points in it, without those that would make it cross or fold; its twins and
    search order.
    """
    keep = np.ones(len(chosen), dtype=np.bool_)
    normals = face_vectors(vertices, faces)
    doubtful = np.zeros(len(faces), dtype=np.bool_)
    doubtful[_parents(split, twin)] = True
    for _ in range(UNDOINGS):
        points = np.concatenate([vertices, wanted[chosen[keep]]])
        new, parent = _split(faces, split[keep], twin, len(vertices))
        look = doubtful[parent]
        now, beside = face_vectors(points, new), twins(new, len(points))
        by_parent = _by_parent(order, parent)
        bad = crossing_faces(points, new, only=look, order=by_parent)
        bad |= folded_pairs(now, beside, FOLDED_COSINE) & touching(
            new, np.arange(len(points)) >= len(vertices)
        )
        bad[look] |= turned_away(normals[parent[look]], now[look], TURN)
        if not bad.any():
            return points, new, beside, by_parent
        corners = np.unique(new[bad])
        kept = np.flatnonzero(keep)
        withdrawn = kept[corners[corners >= len(vertices)] - len(vertices)]
        if not len(withdrawn):
            break
        keep[withdrawn] = False
        # Only where something changes can anything cross that did not before.
        doubtful[:] = False
        doubtful[_parents(split[withdrawn], twin)] = True
    return vertices, faces, twin, order


@njit(cache=True)
def _by_parent(order, parent):
    """Faces (m,) in the order of the old faces (k,) that they are part of."""
    start = np.zeros(len(order) + 1, np.int64)
    for f in range(len(parent)):
        start[parent[f] + 1] += 1
    place = np.empty(len(order), np.int64)
    count = 0
    for i in range(len(order)):
        place[order[i]] = count
        count += start[order[i] + 1]
    ordered = np.empty(len(parent), np.int64)
    for f in range(len(parent)):
        ordered[place[parent[f]]] = f
        place[parent[f]] += 1
    return ordered


def _parents(split: Ints, twin: Ints) -> Ints:
    """The faces that splits take apart."""
    within = split < 0
    return np.concatenate([-1 - split[within], split[~within] // 3, twin[split[~within]] // 3])


@njit(cache=True)
def _split(faces, split, twin, n):
    """Faces with new vertices n, n + 1, … in them, and the old face (m,) that each new one is part of.

    Those that stay whole come first; then the first, second, third parts of the faces that are split, and of
    the two at each edge that is split the first and second parts, one side of all edges before the other.
    """
    whole = np.ones(len(faces), np.bool_)
    within = 0
    for half in split:
        if half < 0:
            whole[-1 - half] = False
            within += 1
        else:
            whole[half // 3] = False
            whole[twin[half] // 3] = False
    along = len(split) - within
    old = len(faces) - within - 2 * along
    new = np.empty((old + 3 * within + 4 * along, 3), np.int64)
    parent = np.empty(len(new), np.int64)
    at = 0
    for f in range(len(faces)):
        if whole[f]:
            new[at] = faces[f]
            parent[at] = f
            at += 1
    inner, outer = old, old + 3 * within
    for i in range(len(split)):
        if split[i] < 0:
            f = -1 - split[i]
            for k in range(3):
                at = inner + k * within
                new[at, 0], new[at, 1], new[at, 2] = faces[f, k], faces[f, (k + 1) % 3], n + i
                parent[at] = f
            inner += 1
        else:
            for side in range(2):
                half = twin[split[i]] if side else split[i]
                f, k = half // 3, half % 3
                a, b, c = faces[f, k], faces[f, (k + 1) % 3], faces[f, (k + 2) % 3]
                at = outer + 2 * side * along
                new[at, 0], new[at, 1], new[at, 2] = a, n + i, c
                new[at + along, 0], new[at + along, 1], new[at + along, 2] = n + i, b, c
                parent[at] = parent[at + along] = f
            outer += 1
    return new, parent
