"""A coarse patch made as fine as its rim: points added in large triangles, edges flipped in between."""

from __future__ import annotations

import numpy as np
from numba import njit

from .topology import Floats, Ints, twins

ROUNDS = 14
FLIP_ROUNDS = 12
"""Each round of splits at most triples the triangles, each pass of flips spreads one edge further; patches
settle well before either limit, which are there for the rare one that would flip to and fro."""
_SPREAD = 1.41
"""Liepa's density factor, the square root of two: smaller means fewer points."""


@njit(cache=True)
def _distance(points, i, x, y, z):
    return np.sqrt((points[i, 0] - x) ** 2 + (points[i, 1] - y) ** 2 + (points[i, 2] - z) ** 2)


@njit(cache=True)
def _corner_angle(points, at, a, b):
    ux, uy, uz = points[a, 0] - points[at, 0], points[a, 1] - points[at, 1], points[a, 2] - points[at, 2]
    vx, vy, vz = points[b, 0] - points[at, 0], points[b, 1] - points[at, 1], points[b, 2] - points[at, 2]
    size = np.sqrt((ux * ux + uy * uy + uz * uz) * (vx * vx + vy * vy + vz * vz))
    if size < 1e-300:
        return 0.0
    return np.arccos(min(1.0, max(-1.0, (ux * vx + uy * vy + uz * vz) / size)))


@njit(cache=True)
def _position(row, value):
    for k in range(3):
        if row[k] == value:
            return k
    return -1


@njit(cache=True)
def _connected(faces, beside, start, c, d):
    """Whether an edge c-d exists, looking once around c from face `start`, both ways if c is on the rim."""
    f = start
    for _ in range(1000):
        k = _position(faces[f], c)
        if faces[f, (k + 1) % 3] == d or faces[f, (k + 2) % 3] == d:
            return True
        f = beside[f, k]
        if f == start:
            return False
        if f < 0:
            break
    f = start
    for _ in range(1000):
        k = _position(faces[f], c)
        if faces[f, (k + 1) % 3] == d or faces[f, (k + 2) % 3] == d:
            return True
        f = beside[f, (k + 2) % 3]
        if f < 0 or f == start:
            return False
    return True


@njit(cache=True)
def _relink(beside, f, old, new):
    if f >= 0:
        k = _position(beside[f], old)
        if k >= 0:
            beside[f, k] = new


@njit(cache=True)
def _set(table, row, a, b, c):
    table[row, 0], table[row, 1], table[row, 2] = a, b, c


@njit(cache=True)
def _mark(changed, beside, f):
    """A face that changed, and those that are held against it."""
    if f >= 0:
        changed[f] = True
        for k in range(3):
            if beside[f, k] >= 0:
                changed[beside[f, k]] = True


@njit(cache=True)
def _flip_pass(points, faces, beside, count, rim, changed):
    """Turn edges whose opposite angles are too wide. What was looked at, and has not changed since, stays."""
    flips = 0
    for t in range(count):
        if not changed[t]:
            continue
        changed[t] = False
        for e in range(3):
            q = beside[t, e]
            if q <= t:
                continue
            a, b, c = faces[t, e], faces[t, (e + 1) % 3], faces[t, (e + 2) % 3]
            f = _position(beside[q], t)
            if f < 0 or faces[q, f] != b:
                continue
            d = faces[q, (f + 2) % 3]
            if c == d or (c < rim and d < rim):
                continue
            if _corner_angle(points, c, a, b) + _corner_angle(points, d, a, b) <= np.pi + 1e-6:
                continue
            if _connected(faces, beside, t, c, d):
                changed[t] = True  # until that edge is turned, which may be far away from here
                continue
            bc, ca = beside[t, (e + 1) % 3], beside[t, (e + 2) % 3]
            ad, db = beside[q, (f + 1) % 3], beside[q, (f + 2) % 3]
            _set(faces, t, c, a, d)
            _set(faces, q, d, b, c)
            _set(beside, t, ca, ad, q)
            _set(beside, q, db, bc, t)
            _relink(beside, ad, q, t)
            _relink(beside, bc, t, q)
            for f in (t, q, bc, ca, ad, db):
                _mark(changed, beside, f)
            flips += 1
            break
    return flips


@njit(cache=True)
def _refine(rim_points, first_faces, first_beside, spacing, grow, limit):
    rim = len(rim_points)
    points = np.empty((limit, 3))
    points[:rim] = rim_points
    scale = np.empty(limit)
    scale[:rim] = spacing
    faces = np.empty((2 * limit, 3), np.int64)
    beside = np.empty((2 * limit, 3), np.int64)
    count = len(first_faces)
    faces[:count] = first_faces
    beside[:count] = first_beside
    changed = np.ones(2 * limit, np.bool_)
    n = rim
    for _ in range(ROUNDS):
        before = n
        for t in range(count):
            a, b, c = faces[t]
            x = (points[a, 0] + points[b, 0] + points[c, 0]) / 3
            y = (points[a, 1] + points[b, 1] + points[c, 1]) / 3
            z = (points[a, 2] + points[b, 2] + points[c, 2]) / 3
            near = min(_distance(points, a, x, y, z), _distance(points, b, x, y, z))
            near = min(near, _distance(points, c, x, y, z))
            s = (scale[a] + scale[b] + scale[c]) / 3 + grow * near
            wide = n < limit
            for v in (a, b, c):
                d = _SPREAD * _distance(points, v, x, y, z)
                if d <= s or d <= scale[v]:
                    wide = False
            if not wide:
                continue
            points[n, 0], points[n, 1], points[n, 2] = x, y, z
            scale[n] = s
            ab, bc, ca = beside[t]
            u, w = count, count + 1
            _set(faces, t, a, b, n)
            _set(faces, u, b, c, n)
            _set(faces, w, c, a, n)
            _set(beside, t, ab, u, w)
            _set(beside, u, bc, w, t)
            _set(beside, w, ca, t, u)
            _relink(beside, bc, t, u)
            _relink(beside, ca, t, w)
            for f in (t, u, w, ab, bc, ca):
                _mark(changed, beside, f)
            count += 2
            n += 1
        for _ in range(FLIP_ROUNDS):
            if _flip_pass(points, faces, beside, count, rim, changed) == 0:
                break
        if n == before:
            break
    return points[:n], faces[:count]


def refine(
    rim_points: Floats, faces: Ints, spacing: Floats, *, grow: float = 0.0, limit: int = 60_000
) -> tuple[Floats, Ints]:
    """Points added to a triangulation of rim points until it is as dense as `spacing` asks.

    rim_points (n,3) mm; faces (m,3); spacing (n,) mm, the wanted edge length at each rim point; `grow`, the
    edge length added for distance from the rim, lets triangles widen; at most `limit` points are added.
    Returns (points, faces), the rim points first. No edge between two rim points is made, so none can double
    one outside.

    P. Liepa, "Filling holes in meshes", SGP 2003, section 3.
    """
    twin = twins(faces, len(rim_points))
    beside = np.where(twin >= 0, twin // 3, -1).reshape(-1, 3)
    points, refined = _refine(rim_points, faces, beside, spacing, grow, len(rim_points) + limit)
    return np.asarray(points), np.asarray(refined)
