"""Which triangles of a mesh pass through another triangle of the same mesh.

Candidate pairs come from an implicit hierarchy of boxes over the triangles in compact order. Two
triangles cross if an edge of one passes through the inside of the other, decided by the signs of
tetrahedron volumes (P. Guigue, O. Devillers, "Fast and robust triangle-triangle overlap test using
orientation predicates", 2003).
"""

from __future__ import annotations

import numpy as np
from numba import njit, prange
from numpy.typing import ArrayLike, NDArray

from .triangle_order import compact_order

FLAT = 1e-11
"""A tetrahedron of less than this times its size cubed counts as flat. Rounding the difference of
doubles gives volumes of about 1e-15 of it; neighbours on a flat cap, whose corners were computed
one by one, give up to 1e-13. A true crossing shallower than this is far below a printer's resolution:
1e-11 of a 100 mm triangle is a nanometre."""

LEAF = 8
"""Triangles in a leaf: the fastest of 4, 8 and 16 on scans of 0.1 to 1 million triangles."""


def crossing_faces(vertices: ArrayLike, faces: ArrayLike, only: ArrayLike | None = None) -> NDArray[np.bool_]:
    """Mask (m,) of the faces that properly cross another face.

    vertices (n,3) float64; faces (m,3) integers; only: mask (m,) of the faces to look at, in which case
    a partner outside the mask is marked too if it crosses one inside.

    Pairs with one common vertex are tested; pairs with a common edge cannot cross properly (a fold of one
    on to the other is another defect). Touching, and lying in one plane, are no crossings.
    """
    points = np.ascontiguousarray(vertices, dtype=np.float64)
    corners = np.ascontiguousarray(faces, dtype=np.int64)
    crossed = np.zeros(len(corners), dtype=np.bool_)
    chosen = np.arange(len(corners)) if only is None else np.flatnonzero(np.asarray(only, dtype=np.bool_))
    if len(chosen) == 0:
        return crossed
    order = chosen[compact_order(points[corners[chosen]].mean(axis=1), LEAF)]
    low, high = _boxes(points, corners[order])
    leaves = 1 << max(0, (len(order) + LEAF - 1) // LEAF - 1).bit_length()
    node_low, node_high = _hierarchy(low, high, leaves)
    asking = order if only is None else np.arange(len(corners))
    _mark(points, corners, order, low, high, node_low, node_high, leaves, asking, only is None, crossed)
    return crossed


def crossing_in_groups(
    vertices: NDArray[np.float64], faces: NDArray[np.int64], starts: NDArray[np.int64]
) -> NDArray[np.bool_]:
    """Like `crossing_faces`, for faces that can only cross others of their own group.

    starts (g + 1,): the faces of group k are starts[k] to starts[k + 1]. Groups are small.
    """
    crossed = np.zeros(len(faces), dtype=np.bool_)
    _mark_in_groups(vertices, faces, starts, crossed)
    return crossed


@njit(cache=True)
def _boxes(points, faces):
    low = np.empty((len(faces), 3))
    high = np.empty((len(faces), 3))
    for f in range(len(faces)):
        for k in range(3):
            a, b, c = points[faces[f, 0], k], points[faces[f, 1], k], points[faces[f, 2], k]
            low[f, k] = min(a, b, c)
            high[f, k] = max(a, b, c)
    return low, high


@njit(cache=True)
def _hierarchy(low, high, leaves):
    """Boxes of a complete binary tree: node 1 is the root, nodes `leaves` and up hold LEAF faces each."""
    node_low = np.full((2 * leaves, 3), np.inf)
    node_high = np.full((2 * leaves, 3), -np.inf)
    for f in range(len(low)):
        node = leaves + f // LEAF
        for k in range(3):
            node_low[node, k] = min(node_low[node, k], low[f, k])
            node_high[node, k] = max(node_high[node, k], high[f, k])
    for node in range(leaves - 1, 0, -1):
        for k in range(3):
            node_low[node, k] = min(node_low[2 * node, k], node_low[2 * node + 1, k])
            node_high[node, k] = max(node_high[2 * node, k], node_high[2 * node + 1, k])
    return node_low, node_high


@njit(parallel=True, cache=True)
def _mark(points, faces, order, low, high, node_low, node_high, leaves, asking, each_pair_once, crossed):
    """Mark both faces of every crossing pair. Threads only ever write True: their order does not matter.

    `order` lists the faces in the hierarchy, `asking` those to hold against it.
    """
    count = len(asking)
    chunks = 256
    for chunk in prange(chunks):
        stack = np.empty(96, dtype=np.int64)
        a = np.empty(3)
        b = np.empty(3)
        for i in range(chunk * count // chunks, (chunk + 1) * count // chunks):
            f = asking[i]
            for k in range(3):
                p, q, r = points[faces[f, 0], k], points[faces[f, 1], k], points[faces[f, 2], k]
                a[k] = min(p, q, r)
                b[k] = max(p, q, r)
            stack[0] = 1
            top = 1
            while top > 0:
                top -= 1
                node = stack[top]
                if _apart(node_low[node], node_high[node], a, b):
                    continue
                if node < leaves:
                    stack[top] = 2 * node
                    stack[top + 1] = 2 * node + 1
                    top += 2
                    continue
                first = (node - leaves) * LEAF
                last = min(first + LEAF, len(order))
                if each_pair_once:
                    first = max(first, i + 1)
                for j in range(first, last):
                    g = order[j]
                    if g == f or (crossed[f] and crossed[g]) or _apart(low[j], high[j], a, b):
                        continue
                    if _cross(points, faces, f, g):
                        crossed[f] = True
                        crossed[g] = True


@njit(cache=True)
def _mark_in_groups(points, faces, starts, crossed):
    for group in range(len(starts) - 1):
        for f in range(starts[group], starts[group + 1]):
            for g in range(f + 1, starts[group + 1]):
                if _cross(points, faces, f, g):
                    crossed[f] = True
                    crossed[g] = True


@njit(inline="always")
def _apart(low_a, high_a, low_b, high_b):
    return (
        low_a[0] > high_b[0]
        or high_a[0] < low_b[0]
        or low_a[1] > high_b[1]
        or high_a[1] < low_b[1]
        or low_a[2] > high_b[2]
        or high_a[2] < low_b[2]
    )


@njit(cache=True)
def _cross(points, faces, f, g):
    common = 0
    at_f = 0
    at_g = 0
    for i in range(3):
        for j in range(3):
            if faces[f, i] == faces[g, j]:
                common += 1
                at_f = i
                at_g = j
    if common >= 2:
        return False
    if common == 1:
        return _pierces(points, faces[f, (at_f + 1) % 3], faces[f, (at_f + 2) % 3], faces, g) or _pierces(
            points, faces[g, (at_g + 1) % 3], faces[g, (at_g + 2) % 3], faces, f
        )
    for i in range(3):
        if _pierces(points, faces[f, i], faces[f, (i + 1) % 3], faces, g):
            return True
        if _pierces(points, faces[g, i], faces[g, (i + 1) % 3], faces, f):
            return True
    return False


@njit(cache=True)
def _pierces(points, p, q, faces, g):
    """Whether the segment p-q passes through the inside of face g."""
    a, b, c = faces[g, 0], faces[g, 1], faces[g, 2]
    size = 0.0
    for k in range(3):
        origin = points[a, k]
        for v in (p, q, b, c):
            size = max(size, abs(points[v, k] - origin))
    flat = FLAT * size * size * size
    above = _volume(points, a, b, c, p)
    below = _volume(points, a, b, c, q)
    if not ((above > flat and below < -flat) or (above < -flat and below > flat)):
        return False
    s = _volume(points, p, q, a, b)
    t = _volume(points, p, q, b, c)
    u = _volume(points, p, q, c, a)
    return (s > 0 and t > 0 and u > 0) or (s < 0 and t < 0 and u < 0)


@njit(cache=True)
def _volume(points, a, b, c, d):
    """Six times the signed volume of a tetrahedron."""
    ax = points[a, 0] - points[d, 0]
    ay = points[a, 1] - points[d, 1]
    az = points[a, 2] - points[d, 2]
    bx = points[b, 0] - points[d, 0]
    by = points[b, 1] - points[d, 1]
    bz = points[b, 2] - points[d, 2]
    cx = points[c, 0] - points[d, 0]
    cy = points[c, 1] - points[d, 1]
    cz = points[c, 2] - points[d, 2]
    return ax * (by * cz - bz * cy) + ay * (bz * cx - bx * cz) + az * (bx * cy - by * cx)
