"""The least-folded, then smallest triangulation of a closed polygon in space."""

from __future__ import annotations

import numpy as np
from numba import njit

FLAT_ENOUGH = 0.3
"""1 - cos of the fold (about 45 degrees) under which folds are equal and area alone decides."""
_NEVER = 9.0


@njit(cache=True)
def _normal(points, i, j, k, out):
    ux, uy, uz = points[j, 0] - points[i, 0], points[j, 1] - points[i, 1], points[j, 2] - points[i, 2]
    vx, vy, vz = points[k, 0] - points[i, 0], points[k, 1] - points[i, 1], points[k, 2] - points[i, 2]
    out[0], out[1], out[2] = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx


@njit(cache=True)
def _fold(p, q):
    pp = p[0] * p[0] + p[1] * p[1] + p[2] * p[2]
    qq = q[0] * q[0] + q[1] * q[1] + q[2] * q[2]
    if pp < 1e-300 or qq < 1e-300:
        return 1.0
    return 1.0 - (p[0] * q[0] + p[1] * q[1] + p[2] * q[2]) / np.sqrt(pp * qq)


@njit(cache=True)
def triangulate(points, rim_normals, forbidden):
    """Minimum-weight triangulation by dynamic programming, cubic in the number of corners.

    Weight: the worst fold, then the area (P. Liepa, "Filling holes in meshes", SGP 2003; G. Barequet,
    M. Sharir, "Filling gaps in the boundary of a polyhedron", 1995).

    points (n,3) run the way the fill winds; rim_normals (n,3) of the face across edge (i, i+1), zero
    where there is none; forbidden (n,n) bool, chords (i<k) that exist in the mesh already.
    Returns (n-2, 3) corners, or no rows if every triangulation uses a forbidden chord.
    """
    n = len(points)
    area = np.full((n, n), np.inf)
    fold = np.full((n, n), _NEVER)
    apex = np.full((n, n), -1, np.int64)
    t = np.empty(3)
    other = np.empty(3)
    for i in range(n - 1):
        area[i, i + 1] = 0.0
        fold[i, i + 1] = 0.0
    for gap in range(2, n):
        for i in range(n - gap):
            k = i + gap
            whole = i == 0 and k == n - 1
            if forbidden[i, k] and not whole:
                continue
            for m in range(i + 1, k):
                worst = max(fold[i, m], fold[m, k], FLAT_ENOUGH)
                if worst >= _NEVER or worst > fold[i, k]:
                    continue
                _normal(points, i, m, k, t)
                total = area[i, m] + area[m, k] + 0.5 * np.sqrt(t[0] * t[0] + t[1] * t[1] + t[2] * t[2])
                if worst == fold[i, k] and total >= area[i, k]:
                    continue
                if m == i + 1:
                    worst = max(worst, _fold(t, rim_normals[i]))
                else:
                    _normal(points, i, apex[i, m], m, other)
                    worst = max(worst, _fold(t, other))
                if k == m + 1:
                    worst = max(worst, _fold(t, rim_normals[m]))
                else:
                    _normal(points, m, apex[m, k], k, other)
                    worst = max(worst, _fold(t, other))
                if whole:
                    worst = max(worst, _fold(t, rim_normals[n - 1]))
                if worst < fold[i, k] or (worst == fold[i, k] and total < area[i, k]):
                    fold[i, k], area[i, k], apex[i, k] = worst, total, m
    triangles = np.empty((max(n - 2, 0), 3), np.int64)
    if n < 3 or apex[0, n - 1] < 0:
        return triangles[:0]
    stack = np.empty((2 * n, 2), np.int64)
    stack[0] = (0, n - 1)
    top, filled = 1, 0
    while top > 0:
        top -= 1
        i, k = stack[top]
        if k - i < 2:
            continue
        m = apex[i, k]
        triangles[filled, 0], triangles[filled, 1], triangles[filled, 2] = i, m, k
        filled += 1
        stack[top, 0], stack[top, 1] = i, m
        stack[top + 1, 0], stack[top + 1, 1] = m, k
        top += 2
    return triangles
