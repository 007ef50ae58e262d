"""Who touches whom in a triangle mesh: half edges, rims, pieces, fans of corners.

Half edge `3 f + k` runs from corner k to corner k + 1 of face f. All results depend on the order of
the faces alone, so the same mesh gives the same bytes.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.integer[Any]]
Flags = NDArray[np.bool_]

ALONE = -1
"""Twin of a half edge on a rim: no other face has this edge."""
CROWDED = -2
"""Twin of a half edge whose edge has more than two faces, or two that wind against each other."""


@njit(cache=True)
def _counting_order(keys, order, n):
    start = np.zeros(n + 1, np.int64)
    for h in order:
        start[keys[h] + 1] += 1
    for i in range(n):
        start[i + 1] += start[i]
    out = np.empty(len(order), np.int64)
    for h in order:
        out[start[keys[h]]] = h
        start[keys[h]] += 1
    return out


@njit(cache=True)
def edge_order(faces, n):
    """Half edges sorted by edge: two counting sorts, so the time is linear whatever the mesh.

    Returns (order, start): the half edges of edge e are `order[start[e]:start[e + 1]]`, ascending.
    """
    m = len(faces)
    low = np.empty(3 * m, np.int64)
    high = np.empty(3 * m, np.int64)
    for f in range(m):
        for k in range(3):
            a, b = faces[f, k], faces[f, (k + 1) % 3]
            low[3 * f + k] = min(a, b)
            high[3 * f + k] = max(a, b)
    order = _counting_order(low, _counting_order(high, np.arange(3 * m), n), n)
    start = np.empty(3 * m + 1, np.int64)
    edges = 0
    for i in range(3 * m):
        if i == 0 or low[order[i]] != low[order[i - 1]] or high[order[i]] != high[order[i - 1]]:
            start[edges] = i
            edges += 1
    start[edges] = 3 * m
    return order, start[: edges + 1]


@njit(cache=True)
def _twins(faces, order, start):
    twin = np.full(3 * len(faces), -1, np.int64)
    for e in range(len(start) - 1):
        s, t = start[e], start[e + 1]
        if t - s == 1:
            continue
        g, h = order[s], order[s + 1]
        if t - s == 2 and faces[g // 3, g % 3] != faces[h // 3, h % 3]:
            twin[g] = h
            twin[h] = g
        else:
            for i in range(s, t):
                twin[order[i]] = -2
    return twin


def twins(faces: Ints, n: int) -> Ints:
    """(3m,) the half edge that runs the other way along the same edge, or ALONE, or CROWDED."""
    return np.asarray(_twins(faces, *edge_order(faces, n)))


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


def compact(vertices: Floats, faces: Ints) -> tuple[Floats, Ints, Ints]:
    """Without the vertices that no face uses. Third: (k,) old index of each one kept."""
    kept = used_vertices(faces, len(vertices))
    new = np.empty(len(vertices), np.int64)
    new[kept] = np.arange(len(kept))
    return vertices[kept], new[faces], kept


def face_vectors(vertices: Floats, faces: Ints) -> Floats:
    """(m,3) cross products of two sides: normal direction, length twice the area."""
    a, b, c = vertices[faces[:, 0]], vertices[faces[:, 1]], vertices[faces[:, 2]]
    return np.cross(b - a, c - a)


def face_areas(vertices: Floats, faces: Ints) -> Floats:
    """(m,) areas in mm2."""
    return np.asarray(np.linalg.norm(face_vectors(vertices, faces), axis=1) / 2)


def volume_about(vertices: Floats, faces: Ints, origin: Floats) -> float:
    """Signed volume of the cones from `origin` over all faces; of a closed mesh, its volume."""
    a, b, c = (vertices[faces[:, k]] - origin for k in range(3))
    return float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6)


def enclosed_volume(vertices: Floats, faces: Ints) -> float:
    """Volume of a closed mesh in mm3, taken about its middle to keep digits."""
    return volume_about(vertices, faces, vertices[faces.ravel()].mean(axis=0)) if len(faces) else 0.0


def vector_area(points: Floats) -> Floats:
    """(3,) vector area of a closed polygon: normal times area where it is flat, mm2."""
    arms = points - points.mean(axis=0)
    return np.asarray(np.cross(arms, np.roll(arms, -1, axis=0)).sum(axis=0) / 2)


def diagonal(vertices: Floats) -> float:
    """Length of the bounding box's diagonal, mm."""
    return float(np.linalg.norm(np.ptp(vertices, axis=0))) if len(vertices) else 0.0
