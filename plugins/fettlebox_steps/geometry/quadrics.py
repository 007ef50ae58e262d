"""Quadric errors, and what the inner loop of simplification asks of single triangles."""

from __future__ import annotations

import numpy as np
from numba import njit


@njit(cache=True)
def face_quadrics(vertices, faces):
    """(n,10) upper triangle of the sum of area-weighted plane quadrics around each vertex."""
    q = np.zeros((len(vertices), 10))
    for f in range(len(faces)):
        a, b, c = vertices[faces[f, 0]], vertices[faces[f, 1]], vertices[faces[f, 2]]
        x = (b[1] - a[1]) * (c[2] - a[2]) - (b[2] - a[2]) * (c[1] - a[1])
        y = (b[2] - a[2]) * (c[0] - a[0]) - (b[0] - a[0]) * (c[2] - a[2])
        z = (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])
        double = np.sqrt(x * x + y * y + z * z)
        if double == 0.0:
            continue
        x, y, z, w = x / double, y / double, z / double, double / 6.0
        d = -(x * a[0] + y * a[1] + z * a[2])
        for k in range(3):
            r = q[faces[f, k]]
            r[0] += w * x * x
            r[1] += w * x * y
            r[2] += w * x * z
            r[3] += w * x * d
            r[4] += w * y * y
            r[5] += w * y * z
            r[6] += w * y * d
            r[7] += w * z * z
            r[8] += w * z * d
            r[9] += w * d * d
    return q


@njit(cache=True)
def plane_cost(q, u, v, p):
    x, y, z = p[0], p[1], p[2]
    s = 0.0
    for k in (u, v):
        r = q[k]
        s += x * (r[0] * x + 2 * (r[1] * y + r[2] * z + r[3])) + y * (r[4] * y + 2 * (r[5] * z + r[6]))
        s += z * (r[7] * z + 2 * r[8]) + r[9]
    return max(s, 0.0)


@njit(cache=True)
def shape_and_normal(p, q, r, out):
    ux, uy, uz = q[0] - p[0], q[1] - p[1], q[2] - p[2]
    vx, vy, vz = r[0] - p[0], r[1] - p[1], r[2] - p[2]
    out[0], out[1], out[2] = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
    length = np.sqrt(out[0] ** 2 + out[1] ** 2 + out[2] ** 2)
    wx, wy, wz = vx - ux, vy - uy, vz - uz
    sides = ux * ux + uy * uy + uz * uz + vx * vx + vy * vy + vz * vz + wx * wx + wy * wy + wz * wz
    if length > 0.0:
        out /= length
    return 3.4641016151377544 * length / sides if sides > 0.0 else 0.0  # 1 for an equilateral triangle


@njit(cache=True)
def point_triangle_sq(p, a, b, c):
    """Squared distance of a point and a triangle (C. Ericson, "Real-time collision detection", 2005)."""
    abx, aby, abz = b[0] - a[0], b[1] - a[1], b[2] - a[2]
    acx, acy, acz = c[0] - a[0], c[1] - a[1], c[2] - a[2]
    px, py, pz = p[0] - a[0], p[1] - a[1], p[2] - a[2]
    d1 = abx * px + aby * py + abz * pz
    d2 = acx * px + acy * py + acz * pz
    s, t = 0.0, 0.0
    if d1 > 0.0 or d2 > 0.0:
        bpx, bpy, bpz = p[0] - b[0], p[1] - b[1], p[2] - b[2]
        d3 = abx * bpx + aby * bpy + abz * bpz
        d4 = acx * bpx + acy * bpy + acz * bpz
        cpx, cpy, cpz = p[0] - c[0], p[1] - c[1], p[2] - c[2]
        d5 = abx * cpx + aby * cpy + abz * cpz
        d6 = acx * cpx + acy * cpy + acz * cpz
        va, vb, vc = d3 * d6 - d5 * d4, d5 * d2 - d1 * d6, d1 * d4 - d3 * d2
        if d3 >= 0.0 and d4 <= d3:
            s = 1.0
        elif d6 >= 0.0 and d5 <= d6:
            t = 1.0
        elif vc <= 0.0 and d1 >= 0.0 and d3 <= 0.0:
            s = d1 / (d1 - d3)
        elif vb <= 0.0 and d2 >= 0.0 and d6 <= 0.0:
            t = d2 / (d2 - d6)
        elif va <= 0.0 and d4 - d3 >= 0.0 and d5 - d6 >= 0.0:
            t = (d4 - d3) / ((d4 - d3) + (d5 - d6))
            s = 1.0 - t
        else:
            total = va + vb + vc
            s, t = vb / total, vc / total
    x, y, z = px - s * abx - t * acx, py - s * aby - t * acy, pz - s * abz - t * acz
    return x * x + y * y + z * z
