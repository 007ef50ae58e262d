"""Who touches whom in a triangle mesh: half edges, rims, pieces, fans of corners.

Half edge `3 f + k` runs from corner k to corner k + 1 of face f. All results depend on the order of
the faces alone, so the same mesh gives the same bytes.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

from .edge_pairs import ALONE, CROWDED, edge_order, twins

__all__ = [
    "ALONE", "CROWDED", "Flags", "Floats", "Ints", "boundary_loops", "compact", "components",
    "corner_fans", "diagonal", "edge_order", "enclosed_volume", "face_areas", "face_vectors",
    "faces_around", "folded_pairs", "moment_about", "piece_volumes", "touching", "turned_away", "twins",
    "used_vertices", "vector_area", "volume_about",
]  # fmt: skip

Floats = NDArray[np.float64]
Ints = NDArray[np.integer[Any]]
Flags = NDArray[np.bool_]


@njit(cache=True)
def _root(parent, i):
    while parent[i] != i:
        parent[i] = parent[parent[i]]
        i = parent[i]
    return i


@njit(cache=True)
def _join(parent, i, j):
    i, j = _root(parent, i), _root(parent, j)
    if i < j:
        parent[j] = i
    else:
        parent[i] = j


@njit(cache=True)
def _numbered(parent):
    """Labels 0.. in the order of first appearance."""
    label = np.full(len(parent), -1, np.int64)
    count = 0
    for i in range(len(parent)):
        r = _root(parent, i)
        if label[r] < 0:
            label[r] = count
            count += 1
        label[i] = label[r]
    return count, label


@njit(cache=True)
def corner_fans(faces, twin):
    """Corners that hang together around a vertex over paired edges.

    Returns (count, (m,3) fan of each corner). Where the fans are taken as the vertices, every edge
    has one or two faces and every vertex one fan, whatever came in.
    """
    m = len(faces)
    parent = np.arange(3 * m)
    for h in range(3 * m):
        t = twin[h]
        if t > h:
            end_t = 3 * (t // 3) + (t % 3 + 1) % 3
            end_h = 3 * (h // 3) + (h % 3 + 1) % 3
            _join(parent, h, end_t)
            _join(parent, end_h, t)
    count, label = _numbered(parent)
    return count, label.reshape(m, 3)


@njit(cache=True)
def _components(faces, n):
    parent = np.arange(n)
    for f in range(len(faces)):
        _join(parent, faces[f, 0], faces[f, 1])
        _join(parent, faces[f, 0], faces[f, 2])
    label = np.full(n, -1, np.int64)
    of_face = np.empty(len(faces), np.int64)
    count = 0
    for f in range(len(faces)):
        r = _root(parent, faces[f, 0])
        if label[r] < 0:
            label[r] = count
            count += 1
        of_face[f] = label[r]
    return count, of_face


def components(faces: Ints, n: int) -> tuple[int, Ints]:
    """(count, (m,) label): faces that share a vertex are of one piece."""
    count, label = _components(faces, n)
    return int(count), label


@njit(cache=True)
def _walk_rims(faces, twin, n):
    follow = np.full(n, -1, np.int64)
    total = 0
    for h in range(3 * len(faces)):
        if twin[h] < 0:
            follow[faces[h // 3, h % 3]] = faces[h // 3, (h % 3 + 1) % 3]
            total += 1
    walk = np.empty(total, np.int64)
    start = np.empty(total + 1, np.int64)
    loops, filled = 0, 0
    for h in range(3 * len(faces)):
        v = faces[h // 3, h % 3]
        if twin[h] >= 0 or follow[v] < 0:
            continue
        start[loops] = filled
        loops += 1
        while follow[v] >= 0:
            walk[filled] = v
            filled += 1
            after = follow[v]
            follow[v] = -1
            v = after
    start[loops] = filled
    return walk[:filled], start[: loops + 1]


def boundary_loops(faces: Ints, n: int, twin: Ints | None = None) -> list[Ints]:
    """Rims of a vertex-manifold mesh, each in the direction in which its faces run along it."""
    walk, start = _walk_rims(faces, twins(faces, n) if twin is None else twin, n)
    return [walk[a:b] for a, b in pairwise(start)]


def used_vertices(faces: Ints, n: int) -> Ints:
    """Indices, ascending, of the vertices that faces name."""
    used = np.zeros(n, bool)
    used[faces.ravel()] = True
    return np.flatnonzero(used)


@njit(parallel=True, cache=True)
def touching(faces, flags):
    """(m,) faces with a corner among those of `flags` (n,)."""
    found = np.empty(len(faces), np.bool_)
    for f in prange(len(faces)):
        found[f] = flags[faces[f, 0]] or flags[faces[f, 1]] or flags[faces[f, 2]]
    return found


def compact(vertices: Floats, faces: Ints) -> tuple[Floats, Ints, Ints]:
    """Without the vertices that no face uses. Third: (k,) old index of each one kept."""
    kept = used_vertices(faces, len(vertices))
    new = np.empty(len(vertices), np.int64)
    new[kept] = np.arange(len(kept))
    return vertices[kept], new[faces], kept


@njit(parallel=True, cache=True)
def _face_vectors(vertices, faces):
    vectors = np.empty((len(faces), 3))
    for f in prange(len(faces)):
        a, b, c = vertices[faces[f, 0]], vertices[faces[f, 1]], vertices[faces[f, 2]]
        ux, uy, uz = b[0] - a[0], b[1] - a[1], b[2] - a[2]
        vx, vy, vz = c[0] - a[0], c[1] - a[1], c[2] - a[2]
        vectors[f, 0] = uy * vz - uz * vy
        vectors[f, 1] = uz * vx - ux * vz
        vectors[f, 2] = ux * vy - uy * vx
    return vectors


def face_vectors(vertices: Floats, faces: Ints) -> Floats:
    """(m,3) cross products of two sides: normal direction, length twice the area."""
    return np.asarray(_face_vectors(vertices, faces))


@njit(parallel=True, cache=True)
def turned_away(one, two, least_cosine):
    """(m,) whether normals (m,3) differ by more than an angle; ones without a length never do."""
    turned = np.empty(len(one), np.bool_)
    for f in prange(len(one)):
        p, q = one[f], two[f]
        pp = p[0] * p[0] + p[1] * p[1] + p[2] * p[2]
        qq = q[0] * q[0] + q[1] * q[1] + q[2] * q[2]
        turned[f] = p[0] * q[0] + p[1] * q[1] + p[2] * q[2] < least_cosine * np.sqrt(pp * qq)
    return turned


@njit(parallel=True, cache=True)
def folded_pairs(vectors, twin, least_cosine):
    """(m,) faces whose normal is further than an angle from that of a face beside them.

    Threads only ever write True: their order does not matter.
    """
    folded = np.zeros(len(vectors), np.bool_)
    for h in prange(len(twin)):
        t = twin[h]
        if t <= h:
            continue
        p, q = vectors[h // 3], vectors[t // 3]
        pp = p[0] * p[0] + p[1] * p[1] + p[2] * p[2]
        qq = q[0] * q[0] + q[1] * q[1] + q[2] * q[2]
        if p[0] * q[0] + p[1] * q[1] + p[2] * q[2] < least_cosine * np.sqrt(pp * qq):
            folded[h // 3] = True
            folded[t // 3] = True
    return folded


@njit(cache=True)
def faces_around(faces, n):
    """The faces at each vertex, as (n+1,) starts into a list (3m,)."""
    start = np.zeros(n + 1, dtype=np.int64)
    for f in range(len(faces)):
        for e in range(3):
            start[faces[f, e] + 1] += 1
    for v in range(n):
        start[v + 1] += start[v]
    place = start[:-1].copy()
    around = np.empty(3 * len(faces), dtype=np.int64)
    for f in range(len(faces)):
        for e in range(3):
            around[place[faces[f, e]]] = f
            place[faces[f, e]] += 1
    return start, around


def face_areas(vertices: Floats, faces: Ints) -> Floats:
    """(m,) areas in mm2."""
    return np.asarray(_row_lengths(face_vectors(vertices, faces)) / 2)


@njit(parallel=True, cache=True)
def _row_lengths(rows):
    lengths = np.empty(len(rows))
    for i in prange(len(rows)):
        lengths[i] = np.sqrt(rows[i, 0] * rows[i, 0] + rows[i, 1] * rows[i, 1] + rows[i, 2] * rows[i, 2])
    return lengths


def piece_volumes(vertices: Floats, faces: Ints, label: Ints, count: int) -> Floats:
    """(count,) signed volumes in mm3 of closed pieces, label (m,)."""
    if not len(faces):
        return np.zeros(count)
    cones = _cone_volumes(vertices, faces, vertices[faces[0, 0]])
    return np.asarray(np.bincount(label, cones, count), np.float64)


def volume_about(vertices: Floats, faces: Ints, origin: Floats) -> float:
    """Signed volume of the cones from `origin` over all faces; of a closed mesh, its volume."""
    return float(_cone_volumes(vertices, faces, np.asarray(origin, np.float64)).sum())


def enclosed_volume(vertices: Floats, faces: Ints) -> float:
    """Volume of a closed mesh in mm3, taken about its middle to keep digits."""
    return volume_about(vertices, faces, _middle(vertices, faces)) if len(faces) else 0.0


@njit(cache=True)
def _middle(vertices, faces):
    """(3,) mean of all corners."""
    total = np.zeros(3)
    for v in faces.ravel():
        for k in range(3):
            total[k] += vertices[v, k]
    return total / faces.size


@njit(parallel=True, cache=True)
def _cone_volumes(vertices, faces, o):
    volumes = np.empty(len(faces))
    for f in prange(len(faces)):
        a, b, c = vertices[faces[f, 0]], vertices[faces[f, 1]], vertices[faces[f, 2]]
        ax, ay, az = a[0] - o[0], a[1] - o[1], a[2] - o[2]
        bx, by, bz = b[0] - o[0], b[1] - o[1], b[2] - o[2]
        cx, cy, cz = c[0] - o[0], c[1] - o[1], c[2] - o[2]
        six = ax * (by * cz - bz * cy) + ay * (bz * cx - bx * cz) + az * (bx * cy - by * cx)
        volumes[f] = six / 6.0
    return volumes


def moment_about(vertices: Floats, faces: Ints, origin: Floats) -> Floats:
    """(3,) volume times centre, seen from `origin`, of the cones from there over all faces; mm4."""
    return np.asarray(_cone_moment(vertices, faces, np.asarray(origin, np.float64)))


@njit(cache=True)
def _cone_moment(vertices, faces, o):
    """The centre of a cone is the mean of its four corners, one of which is `o`."""
    moment = np.zeros(3)
    volumes = _cone_volumes(vertices, faces, o)
    for f in range(len(faces)):
        a, b, c = vertices[faces[f, 0]], vertices[faces[f, 1]], vertices[faces[f, 2]]
        for k in range(3):
            moment[k] += ((a[k] - o[k]) + (b[k] - o[k]) + (c[k] - o[k])) * volumes[f] / 4.0
    return moment


def vector_area(points: Floats) -> Floats:
    """(3,) vector area of a closed polygon: normal times area where it is flat, mm2."""
    arms = points - points.mean(axis=0)
    return np.asarray(np.cross(arms, np.roll(arms, -1, axis=0)).sum(axis=0) / 2)


def diagonal(vertices: Floats) -> float:
    """Length of the bounding box's diagonal, mm."""
    return float(np.linalg.norm(_extent(vertices))) if len(vertices) else 0.0


@njit(cache=True)
def _extent(points):
    """(3,) Range of coordinates (n,3)."""
    low, high = points[0].copy(), points[0].copy()
    for i in range(len(points)):
        for k in range(3):
            low[k], high[k] = min(low[k], points[i, k]), max(high[k], points[i, k])
    return high - low
