"""Proof that no point of an inner wall is less deep than the wall asked for, and vertices moved until it is.

Let p be a mean of a triangle's corners v with weights w, and q the place of the outer surface nearest to p:
the mean of |v - q|² is |p - q|² plus that of |v - p|², which is at most the squared radius S of the smallest
ball around the triangle. So with corners at least sqrt(wall² + S) deep, no point of the triangle is less deep
than the wall.
"""

from __future__ import annotations

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

from .distance import DistanceTree
from .wall_distance import foot_in, nearest_from, search_room

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

SOLVES = 4
PULL = 2.0
"""Steps towards the planes, and how much each is held back along the surface, in planes. Held back less, a
vertex is drawn to where the hollow ends, and past others: a tenth made 80 crossings on a head, this none."""

LIFTS = 4
"""Times that a vertex is moved deeper before it is left to the subdivision."""

CHUNKS = 512
"""Runs of vertices that one thread takes; fixed, so that the bytes do not depend on threads."""

HALVINGS = 6
"""A triangle in doubt is divided so many times at most: the doubt is then a 4096th of what it was."""

ROUNDING_MM = 1e-9
"""What the arithmetic of two distances of up to a metre may differ by."""


def proven(vertices: Floats, faces: Ints, depth: Floats, tree: DistanceTree, wall_mm: float) -> bool:
    """Whether no point of faces (m,3) over vertices (n,3), `depth` (n,) deep, is less deep than a wall."""
    if not len(faces):
        return True
    if not np.isfinite(vertices).all():
        return False
    deep = depth >= needs(vertices, faces, wall_mm)
    doubtful = np.flatnonzero(~deep[faces].all(axis=1))
    least = wall_mm - ROUNDING_MM
    return bool(_divided(tree.leaves, tree.boxes, tree.first, vertices[faces[doubtful]], least))


@njit(cache=True)
def needs(points, faces, wall):
    """(n,) how deep each vertex must lie for its triangles to be proven."""
    most = np.zeros(len(points))
    for f in range(len(faces)):
        a, b, c = faces[f, 0], faces[f, 1], faces[f, 2]
        ball = ball_sq(points, a, b, c)
        most[a], most[b], most[c] = max(most[a], ball), max(most[b], ball), max(most[c], ball)
    return np.sqrt(wall * wall + most)


@njit(parallel=True, cache=True)
def lift_to(leaves, boxes, first, few, need, slack, points, depths, feet):
    """Move some vertices deeper, away from the places that each is nearest to; none is moved less deep."""
    total = len(few)
    chunks = min(total, CHUNKS)
    for chunk in prange(chunks):
        room = search_room()
        near = np.empty((LIFTS + 1, 3))
        last = 0
        for n in range(chunk * total // chunks, (chunk + 1) * total // chunks):
            v = few[n]
            near[0, 0], near[0, 1], near[0, 2] = feet[v, 0], feet[v, 1], feet[v, 2]
            x, y, z = points[v, 0], points[v, 1], points[v, 2]
            for m in range(1, LIFTS + 1):
                x, y, z = solved(near, m, x, y, z, need[v] + slack, slack)
                best, last = nearest_from(leaves, boxes, first, x, y, z, last, room)
                fx, fy, fz = foot_in(leaves[last], x, y, z, room[3])
                near[m, 0], near[m, 1], near[m, 2] = fx, fy, fz
                if np.sqrt(best) > depths[v]:
                    depths[v] = np.sqrt(best)
                    points[v, 0], points[v, 1], points[v, 2] = x, y, z
                    feet[v, 0], feet[v, 1], feet[v, 2] = fx, fy, fz
                if depths[v] >= need[v]:
                    break


@njit(cache=True, error_model="numpy")
def solved(near, m, x, y, z, level, close):
    """The point by (x, y, z) that is a level away from m places: least squares, steps held back."""
    if not m:
        return x, y, z
    for _ in range(SOLVES):
        xx = yy = zz = xy = xz = yz = 0.0
        rx = ry = rz = 0.0
        sx = sy = sz = 0.0
        for n in range(m):
            nx, ny, nz = x - near[n, 0], y - near[n, 1], z - near[n, 2]
            way = max(np.sqrt(nx * nx + ny * ny + nz * nz), 1e-300)
            nx, ny, nz = nx / way, ny / way, nz / way
            sx, sy, sz = sx + nx, sy + ny, sz + nz
            xx, xy, xz = xx + nx * nx, xy + nx * ny, xz + nx * nz
            yy, yz, zz = yy + ny * ny, yz + ny * nz, zz + nz * nz
            rx, ry, rz = rx + (level - way) * nx, ry + (level - way) * ny, rz + (level - way) * nz
        held = PULL * m
        across = held / max(sx * sx + sy * sy + sz * sz, 1e-300)
        xx, xy, xz = xx + held - across * sx * sx, xy - across * sx * sy, xz - across * sx * sz
        yy, yz, zz = yy + held - across * sy * sy, yz - across * sy * sz, zz + held - across * sz * sz
        dx, dy, dz = _solve(xx, xy, xz, yy, yz, zz, rx, ry, rz)
        x, y, z = x + dx, y + dy, z + dz
        if dx * dx + dy * dy + dz * dz < close * close:
            break
    return x, y, z


@njit(inline="always")
def _solve(a, b, c, d, e, f, x, y, z):
    """Of the symmetric matrix a b c, b d e, c e f: Cramer's rule; it is held away from singular."""
    p, q, r = d * f - e * e, c * e - b * f, b * e - c * d
    det = a * p + b * q + c * r
    s, t, u = a * f - c * c, b * c - a * e, a * d - b * b
    return (p * x + q * y + r * z) / det, (q * x + s * y + t * z) / det, (r * x + t * y + u * z) / det


@njit(cache=True)
def ball_sq(points, a, b, c):
    """Squared radius of the smallest ball around a triangle."""
    p = q = r = 0.0
    for k in range(3):
        p += (points[b, k] - points[c, k]) ** 2
        q += (points[c, k] - points[a, k]) ** 2
        r += (points[a, k] - points[b, k]) ** 2
    most = max(p, q, r)
    if 2 * most >= p + q + r:
        return most / 4
    area16 = 2 * (p * q + q * r + r * p) - p * p - q * q - r * r
    return p * q * r / area16


@njit(cache=True)
def _divided(leaves, boxes, first, triangles, wall):
    """Whether triangles (m,3,3) are nowhere less deep than the wall: divided in four until that is sure."""
    room = search_room()
    parts = np.empty((4 * HALVINGS + 4, 3, 3))
    level = np.empty(4 * HALVINGS + 4, dtype=np.int64)
    last = 0
    for f in range(len(triangles)):
        parts[0] = triangles[f]
        level[0] = 0
        top = 1
        while top > 0:
            top -= 1
            part = parts[top].copy()
            deep = level[top]
            least = np.inf
            for n in range(3):
                x, y, z = part[n, 0], part[n, 1], part[n, 2]
                best, last = nearest_from(leaves, boxes, first, x, y, z, last, room)
                least = min(least, best)
            if least >= wall * wall + ball_sq(part, 0, 1, 2):
                continue
            if least < wall * wall or deep == HALVINGS:
                return False
            for n in range(4):
                for m in range(3):
                    # the corner itself and its halves to the two others; the fourth is of the halves alone
                    other = m if n < 3 else (m + 1) % 3
                    parts[top, m] = (part[n if n < 3 else m] + part[other]) / 2
                level[top] = deep + 1
                top += 1
    return True
