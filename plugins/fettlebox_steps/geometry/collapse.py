"""Drawing edges together, one after the other, cheapest first: the inner loop of simplification.

Vertices are ranked by quadric error (M. Garland, P. Heckbert, "Surface simplification using quadric error
metrics", SIGGRAPH 1997) and drawn into a neighbour, so that the result's vertices are some of the
input's. Before each collapse every input vertex that the faces around stand for is measured against
the new faces (R. Klein, G. Liebich, W. Straßer, "Mesh reduction with error control", 1996).

A half-edge 3·f + e runs from corner e of face f to corner e + 1; `across` names the one that runs back.
"""

from __future__ import annotations

import heapq

import numpy as np
from numba import njit

from .quadrics import plane_cost, point_triangle_sq, shape_and_normal
from .topology import faces_around

LARGEST_RING = 64
"""Vertices with more neighbours are left alone: fans of that size are the hubs of flat caps."""

FLATTEST_TURN = 0.5
"""A face may not turn by more than 60 degrees (cosine) in one collapse."""

NARROWEST = 0.03
"""No new face with less than this times the shape of an equilateral triangle, unless it replaces one
that is worse: narrower ones fold over when stored with rounded coordinates."""

NEAR_ENOUGH = 0.1
"""A face within this share of the (squared) bound will do: no need to look for a nearer one."""

MOST_POINTS = 1 << 15
"""Points that one collapse may have to measure; beyond, it is not made."""


@njit(cache=True)
def _ring(across, out, u, ring):
    """Half-edges that leave u, in order; returns how many, or -1 if there are too many."""
    count = 0
    h = out[u]
    while True:
        if count == LARGEST_RING:
            return -1
        ring[count] = h
        count += 1
        h = across[3 * (h // 3) + (h + 2) % 3]
        if h == ring[0]:
            return count


@njit(cache=True)
def _end(faces, h):
    return faces[h // 3, (h % 3 + 1) % 3]


@njit(cache=True)
def _best(p, faces, across, out, q, free, flat, wall, u, ring):
    """Least cost of drawing u into a neighbour, or infinity."""
    n = _ring(across, out, u, ring)
    least = np.inf
    for k in range(n):
        v = _end(faces, ring[k])
        if _may(faces, across, free, flat, wall, u, v, ring[k]):
            least = min(least, plane_cost(q, u, v, p[v]))
    return least


@njit(cache=True)
def _may(faces, across, free, flat, wall, u, v, h):
    """A vertex of a flat face stays in it: inside it goes anywhere in it, on its rim along the rim."""
    if not free[u] or (flat[u] & flat[v]) != flat[u]:
        return False
    if flat[u] == 0 or not wall[u]:
        return True
    one, other = faces[h // 3], faces[across[h] // 3]
    first = flat[one[0]] & flat[one[1]] & flat[one[2]]
    second = flat[other[0]] & flat[other[1]] & flat[other[2]]
    return first != second


@njit(cache=True)
def _fits(
    p,
    faces,
    across,
    out,
    head,
    following,
    u,
    h,
    n,
    ring,
    ring_v,
    within_sq,
    owner,
    chain,
    given,
    start,
    around,
):
    """Whether u can be drawn along half-edge h. Fills `chain` and `owner`: points to hand on, and to whom."""
    v = _end(faces, h)
    back = across[h]
    m = _ring(across, out, v, ring_v)
    if m < 0 or n <= 3 or n + m - 4 < 3:
        return -1
    common = 0
    for k in range(n):
        w = _end(faces, ring[k])
        for j in range(m):
            if _end(faces, ring_v[j]) == w:
                common += 1
    if common != 2:
        return -1
    a = faces[h // 3, (h % 3 + 2) % 3]
    b = faces[back // 3, (back % 3 + 2) % 3]
    for apex in (a, b):
        # Both ends of a collapsed face's far corner lose an edge: fewer than four would leave a flap.
        g = out[apex]
        valence = 0
        origin = g
        while valence < 4:
            valence += 1
            g = across[3 * (g // 3) + (g + 2) % 3]
            if g == origin:
                break
        if valence < 4:
            return -1
    now, new, past = np.empty(3), np.empty(3), np.empty(3)
    first = True
    for k in range(n):
        f = ring[k] // 3
        if f in (h // 3, back // 3):
            continue
        e = ring[k] % 3
        s, t = faces[f, (e + 1) % 3], faces[f, (e + 2) % 3]
        shape_now = shape_and_normal(p[u], p[s], p[t], now)
        shape_new = shape_and_normal(p[v], p[s], p[t], new)
        if shape_new < min(NARROWEST, shape_now) or shape_new < 1e-4:
            return -1
        if now[0] * new[0] + now[1] * new[1] + now[2] * new[2] < FLATTEST_TURN and shape_now > 1e-4:
            return -1
        outer = across[3 * f + (e + 1) % 3] // 3
        shape_and_normal(p[faces[outer, 0]], p[faces[outer, 1]], p[faces[outer, 2]], now)
        if now[0] * new[0] + now[1] * new[1] + now[2] * new[2] < -0.9:
            return -1
        if not first and past[0] * new[0] + past[1] * new[1] + past[2] * new[2] < -0.9:
            return -1
        past[:] = new
        first = False
    count = 0
    if within_sq < np.inf:
        for k in range(-1, n):
            point = u if k < 0 else head[ring[k] // 3]
            while point >= 0:
                if count == len(chain):
                    return -1
                least = np.inf
                for j in range(n):
                    f = ring[j] // 3
                    if f in (h // 3, back // 3):
                        continue
                    e = ring[j] % 3
                    d = point_triangle_sq(p[point], p[v], p[faces[f, (e + 1) % 3]], p[faces[f, (e + 2) % 3]])
                    if d < least:
                        least = d
                        owner[count] = f
                        if d < NEAR_ENOUGH * within_sq:
                            break
                if least > within_sq:
                    return -1
                chain[count] = point
                count += 1
                point = -1 if k < 0 else following[point]
        probe = np.empty(3)
        for k in range(n):
            f = ring[k] // 3
            if f in (h // 3, back // 3):
                continue
            e = ring[k] % 3
            s, t = faces[f, (e + 1) % 3], faces[f, (e + 2) % 3]
            for c in range(3):
                probe[c] = (p[v, c] + p[s, c]) / 2.0
            if not _near_input(p, given, start, around, chain, count, v, s, t, probe, within_sq):
                return -1
            for c in range(3):
                probe[c] = (p[v, c] + p[s, c] + p[t, c]) / 3.0
            if not _near_input(p, given, start, around, chain, count, v, s, t, probe, within_sq):
                return -1
    return count


@njit(cache=True)
def _near_input(p, given, start, around, chain, count, v, s, t, probe, within_sq):
    """Whether a point of a new face is within the distance of the input's faces around the input vertex
    next to it: no further than that, since those are some of all faces.
    """
    nearest, least = v, np.inf
    for k in range(-3, count):
        w = (v, s, t)[k] if k < 0 else chain[k]
        if w >= len(start) - 1:
            continue
        d = (p[w, 0] - probe[0]) ** 2 + (p[w, 1] - probe[1]) ** 2 + (p[w, 2] - probe[2]) ** 2
        if d < least:
            least, nearest = d, w
    if least <= within_sq:
        return True
    for w in (nearest, v, s, t):
        for k in range(start[w], start[w + 1]):
            g = around[k]
            if point_triangle_sq(probe, p[given[g, 0]], p[given[g, 1]], p[given[g, 2]]) <= within_sq:
                return True
    return False


@njit(cache=True)
def collapse_edges(p, faces, across, q, free, flat, wall, on_face, within_sq, target):
    """Collapses in place until `target` faces are left or none fits; returns a mask of the faces left.

    p (n+s,3) vertices, then more points of the surface; faces (m,3), across (m,3): changed; q (n,10):
    changed; free (n,): may be removed (its faces must form a closed ring); flat (n,) bits of the flat
    faces a vertex lies in; wall (n,): has also a face outside them; on_face (s,) the face of each further
    point; within_sq: largest squared distance of a removed vertex or further point to what replaces it.
    """
    n, m = len(free), len(faces)
    given = faces.copy()
    first_of, around = faces_around(faces, n)
    across = across.ravel()
    out = np.full(n, -1, dtype=np.int64)
    for f in range(m):
        for e in range(3):
            out[faces[f, e]] = 3 * f + e
    alive = np.ones(m, dtype=np.bool_)
    head = np.full(m, -1, dtype=np.int64)
    following = np.full(len(p), -1, dtype=np.int64)
    for k in range(len(on_face)):
        following[n + k] = head[on_face[k]]
        head[on_face[k]] = n + k
    stamp = np.zeros(n, dtype=np.int64)
    ring = np.empty(LARGEST_RING, dtype=np.int64)
    ring_v = np.empty(LARGEST_RING, dtype=np.int64)
    ring_w = np.empty(LARGEST_RING, dtype=np.int64)
    tried = np.empty(LARGEST_RING)
    chain = np.empty(MOST_POINTS, dtype=np.int64)
    owner = np.empty(MOST_POINTS, dtype=np.int64)
    queue = [(0.0, np.int64(0), np.int64(-1))]
    for first in range(n):
        if free[first] and out[first] >= 0:
            least = _best(p, faces, across, out, q, free, flat, wall, first, ring)
            if least < np.inf:
                queue.append((least, np.int64(first), np.int64(0)))
    heapq.heapify(queue)
    left = m
    while left > target and len(queue) > 0:
        _, u, mark = heapq.heappop(queue)
        if mark != stamp[u] or out[u] < 0:
            continue
        count = _ring(across, out, u, ring)
        for k in range(count):
            v = _end(faces, ring[k])
            ok = _may(faces, across, free, flat, wall, u, v, ring[k])
            tried[k] = plane_cost(q, u, v, p[v]) if ok else np.inf
        while True:
            k = -1
            least = np.inf
            for j in range(count):
                if tried[j] < least:
                    least = tried[j]
                    k = j
            if k < 0:
                break
            tried[k] = np.inf
            h = ring[k]
            handed = _fits(
                p,
                faces,
                across,
                out,
                head,
                following,
                u,
                h,
                count,
                ring,
                ring_v,
                within_sq,
                owner,
                chain,
                given,
                first_of,
                around,
            )
            if handed < 0:
                continue
            v = _end(faces, h)
            back = across[h]
            f, g = h // 3, back // 3
            for j in range(count):
                head[ring[j] // 3] = -1
            for j in range(count):
                face = ring[j] // 3
                if face not in (f, g):
                    faces[face, ring[j] % 3] = v
            for j in range(handed):
                following[chain[j]] = head[owner[j]]
                head[owner[j]] = chain[j]
            a = faces[f, (h % 3 + 2) % 3]
            b = faces[g, (back % 3 + 2) % 3]
            va, au = across[3 * f + (h % 3 + 1) % 3], across[3 * f + (h % 3 + 2) % 3]
            ub, bv = across[3 * g + (back % 3 + 1) % 3], across[3 * g + (back % 3 + 2) % 3]
            across[va], across[au] = au, va
            across[ub], across[bv] = bv, ub
            # va runs a to v, au runs v (was u) to a; likewise ub from b to v, bv from v to b.
            out[a], out[b] = va, ub
            out[v] = au
            out[u] = -1
            alive[f] = alive[g] = False
            left -= 2
            q[v] += q[u]
            total = _ring(across, out, v, ring_v)
            for j in range(-1, total):
                w = v if j < 0 else _end(faces, ring_v[j])
                stamp[w] += 1
                if free[w]:
                    least = _best(p, faces, across, out, q, free, flat, wall, w, ring_w)
                    if least < np.inf:
                        heapq.heappush(queue, (least, np.int64(w), stamp[w]))
            break
    return alive
