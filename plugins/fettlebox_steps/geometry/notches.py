"""A ragged rim evened out: the notches between its teeth filled, so that a wall starts from a smooth line.

A rim that follows the triangles of a scan is a saw. Whatever wall starts from it has teeth as deep as the
triangles, however smooth it is further on. One triangle across each notch, between vertices of the rim
alone, carries the surface on to the line along the tips; nothing moves, and no vertex is added.
"""

from __future__ import annotations

import heapq

import numpy as np
from numba import njit

from .topology import Floats, Ints, face_vectors

WIDEST_RAD = np.radians(155.0)
"""A corner of the rim that opens wider than this, measured through the gap, is no notch: a round opening of
fourteen corners or more is left as it is."""

CHORD = 3.0
"""A notch is bridged by a chord of this many median rim edges at most; what is wider is shape, not saw."""

CARRIES_ON = 0.5
"""Cosine between the filling triangle and the faces across both its sides, below which it would not carry
the surface on: 60 degrees."""

FEWEST = 12
"""Corners that a rim keeps."""

SLIVER_SINE = 0.05
"""Sine of a corner below which its triangle would be a needle."""


def without_notches(vertices: Floats, faces: Ints, loop: Ints) -> tuple[Ints, Ints]:
    """Faces (k,3) that fill the notches of a rim (r,), and the rim (s,) that is left.

    vertices (n,3) mm, faces (m,3) of a vertex-manifold surface; the rim runs in the direction of its faces,
    as what is left of it does.
    """
    if len(loop) <= FEWEST:
        return np.empty((0, 3), np.int64), loop
    on_rim = np.zeros(len(vertices), bool)
    on_rim[loop] = True
    touching = faces[on_rim[faces].sum(axis=1) >= 2]
    half = touching[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    key = half[:, 0] * np.int64(len(vertices)) + half[:, 1]
    order = np.argsort(key, kind="stable")
    beside = np.searchsorted(key[order], loop * np.int64(len(vertices)) + np.roll(loop, -1))
    across = face_vectors(vertices, touching)[order[beside] // 3]
    known = np.sort(half.min(axis=1) * np.int64(len(vertices)) + half.max(axis=1))
    points = vertices[loop]
    edge_mm = float(np.median(np.linalg.norm(points - np.roll(points, 1, axis=0), axis=1)))
    filled, left = _filled(points, across, loop.astype(np.int64), known, len(vertices), CHORD * edge_mm)
    return filled, loop[left]


@njit(cache=True)
def _opening(points, across, before, after, v, longest):
    """The angle through the gap at corner v, or -1 where a triangle there is not to be."""
    u, w = before[v], after[v]
    ax, ay, az = points[u, 0] - points[v, 0], points[u, 1] - points[v, 1], points[u, 2] - points[v, 2]
    bx, by, bz = points[w, 0] - points[v, 0], points[w, 1] - points[v, 1], points[w, 2] - points[v, 2]
    aa, bb, ab = ax * ax + ay * ay + az * az, bx * bx + by * by + bz * bz, ax * bx + ay * by + az * bz
    if aa + bb - 2 * ab > longest * longest or aa == 0 or bb == 0:
        return -1.0
    nx, ny, nz = ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx
    nn = nx * nx + ny * ny + nz * nz
    if nn <= SLIVER_SINE * SLIVER_SINE * aa * bb:
        return -1.0
    for side in (u, v):  # the face across rim edge (side, next)
        px, py, pz = across[side, 0], across[side, 1], across[side, 2]
        pp = px * px + py * py + pz * pz
        if nx * px + ny * py + nz * pz < CARRIES_ON * np.sqrt(nn * pp) or pp == 0:
            return -1.0
    angle = np.arccos(min(1.0, max(-1.0, ab / np.sqrt(aa * bb))))
    return angle if angle < WIDEST_RAD else -1.0


@njit(cache=True)
def _filled(points, across, names, known, n, longest):
    """The narrowest notch first; each makes new corners of its neighbours."""
    count = len(points)
    after = (np.arange(count) + 1) % count
    before = (np.arange(count) - 1) % count
    across = across.copy()
    there = np.ones(count, np.bool_)
    turn = np.zeros(count, np.int64)
    filled = np.empty((count, 3), np.int64)
    waiting = [(0.0, np.int64(0), np.int64(0)) for _ in range(0)]
    for corner in range(count):
        angle = _opening(points, across, before, after, corner, longest)
        if angle >= 0:
            heapq.heappush(waiting, (angle, np.int64(corner), np.int64(0)))
    done = 0
    while len(waiting) > 0 and count - done > FEWEST:
        _, v, mark = heapq.heappop(waiting)
        if not there[v] or mark != turn[v]:
            continue
        u, w = before[v], after[v]
        key = min(names[u], names[w]) * n + max(names[u], names[w])
        at = np.searchsorted(known, key)
        if at < len(known) and known[at] == key:
            continue  # an edge of the surface already
        filled[done, 0], filled[done, 1], filled[done, 2] = names[u], names[w], names[v]
        done += 1
        for k in range(3):
            i, j = (k + 1) % 3, (k + 2) % 3
            a, b = points[w] - points[u], points[v] - points[u]
            across[u, k] = a[i] * b[j] - a[j] * b[i]
        there[v] = False
        after[u], before[w] = w, u
        for corner in (u, w):
            turn[corner] += 1
            angle = _opening(points, across, before, after, corner, longest)
            if angle >= 0:
                heapq.heappush(waiting, (angle, corner, turn[corner]))
    return filled[:done].copy(), np.flatnonzero(there)
