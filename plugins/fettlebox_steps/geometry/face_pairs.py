"""Whether two triangles of a mesh pass through each other, or lie upon each other.

They cross if an edge of one passes through the inside of the other, decided by the signs of tetrahedron
volumes (P. Guigue, O. Devillers, "Fast and robust triangle-triangle overlap test using orientation
predicates", 2003).
"""

from __future__ import annotations

import numpy as np
from numba import njit

FLAT = 1e-11
"""A tetrahedron of less than this times its size cubed counts as flat. Rounding the difference of
doubles gives volumes of about 1e-15 of it; neighbours on a flat cap, whose corners were computed
one by one, give up to 1e-13. A true crossing shallower than this is far below a printer's resolution:
1e-11 of a 100 mm triangle is a nanometre."""

NOT_ASKED = -1.0
"""Faces that lie upon one another are not looked for."""

CLEARLY = 1e-6
"""Two triangles with a common corner lie on two sides of a plane through it if all other corners are this
share of the way between their middles away from it, or more: far more than rounding makes of it. Then they do
not cross; they may still lie upon each other, when that way is no more than the tolerance."""


@njit(cache=True)
def meet(points, faces, f, g, upon):
    """Whether faces f and g cross, or, unless `upon` is NOT_ASKED, lie upon each other within so many mm.

    Faces with a common edge do neither.
    """
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
        p, q = faces[f, (at_f + 1) % 3], faces[f, (at_f + 2) % 3]
        b, c = faces[g, (at_g + 1) % 3], faces[g, (at_g + 2) % 3]
        if not _parted(points, faces[f, at_f], p, q, b, c) and (
            _pierces(points, p, q, faces, g) or _pierces(points, b, c, faces, f)
        ):
            return True
    elif not (_beside(points, faces, f, g) or _beside(points, faces, g, f)):
        for i in range(3):
            if _pierces(points, faces[f, i], faces[f, (i + 1) % 3], faces, g):
                return True
            if _pierces(points, faces[g, i], faces[g, (i + 1) % 3], faces, f):
                return True
    return upon >= 0 and _upon(points, faces, f, g, upon)


@njit(cache=True)
def _parted(points, a, p, q, b, c):
    """Whether triangles a-p-q and a-b-c plainly lie on two sides of a plane through a, across the way between
    their middles. Most triangles around a corner do, and this is told faster than how they lie.
    """
    x, y, z = points[a, 0], points[a, 1], points[a, 2]
    px, py, pz = points[p, 0] - x, points[p, 1] - y, points[p, 2] - z
    qx, qy, qz = points[q, 0] - x, points[q, 1] - y, points[q, 2] - z
    bx, by, bz = points[b, 0] - x, points[b, 1] - y, points[b, 2] - z
    cx, cy, cz = points[c, 0] - x, points[c, 1] - y, points[c, 2] - z
    dx, dy, dz = px + qx - bx - cx, py + qy - by - cy, pz + qz - bz - cz
    away = CLEARLY * (dx * dx + dy * dy + dz * dz)
    return (
        px * dx + py * dy + pz * dz > away
        and qx * dx + qy * dy + qz * dz > away
        and bx * dx + by * dy + bz * dz < -away
        and cx * dx + cy * dy + cz * dz < -away
    )


@njit(cache=True)
def _upon(points, faces, f, g, tolerance):
    """Whether two faces lie in one plane and overlap: no side of either parts them."""
    a, b, c = points[faces[f, 0]], points[faces[f, 1]], points[faces[f, 2]]
    nx = (b[1] - a[1]) * (c[2] - a[2]) - (b[2] - a[2]) * (c[1] - a[1])
    ny = (b[2] - a[2]) * (c[0] - a[0]) - (b[0] - a[0]) * (c[2] - a[2])
    nz = (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])
    length = np.sqrt(nx * nx + ny * ny + nz * nz)
    if length == 0.0:
        return False
    nx, ny, nz = nx / length, ny / length, nz / length
    for j in range(3):
        d = points[faces[g, j]]
        if abs((d[0] - a[0]) * nx + (d[1] - a[1]) * ny + (d[2] - a[2]) * nz) > tolerance:
            return False
    for side in range(6):
        one, two = (f, g) if side < 3 else (g, f)
        p, q = points[faces[one, side % 3]], points[faces[one, (side + 1) % 3]]
        ux = ny * (q[2] - p[2]) - nz * (q[1] - p[1])
        uy = nz * (q[0] - p[0]) - nx * (q[2] - p[2])
        uz = nx * (q[1] - p[1]) - ny * (q[0] - p[0])
        length = np.sqrt(ux * ux + uy * uy + uz * uz)
        if length == 0.0:
            return False
        low, high, low_two, high_two = np.inf, -np.inf, np.inf, -np.inf
        for j in range(3):
            x, y = points[faces[one, j]], points[faces[two, j]]
            at = ((x[0] - p[0]) * ux + (x[1] - p[1]) * uy + (x[2] - p[2]) * uz) / length
            low, high = min(low, at), max(high, at)
            at = ((y[0] - p[0]) * ux + (y[1] - p[1]) * uy + (y[2] - p[2]) * uz) / length
            low_two, high_two = min(low_two, at), max(high_two, at)
        if min(high, high_two) - max(low, low_two) <= tolerance:
            return False
    return True


@njit(cache=True)
def _beside(points, faces, f, g):
    """Whether all of face f is plainly on one side of the plane of face g."""
    a, b, c = faces[g, 0], faces[g, 1], faces[g, 2]
    one = _volume(points, a, b, c, faces[f, 0])
    two = _volume(points, a, b, c, faces[f, 1])
    if (one > 0) != (two > 0):
        return False
    three = _volume(points, a, b, c, faces[f, 2])
    if (one > 0) != (three > 0):
        return False
    flat = 0.0
    for k in range(3):
        flat = max(flat, _flatness(points, a, b, c, faces[f, k]))
    return min(abs(one), abs(two), abs(three)) > flat


@njit(inline="always")
def _flatness(points, a, b, c, d):
    """The volume under which a tetrahedron counts as flat."""
    size = 0.0
    for k in range(3):
        origin = points[a, k]
        size = max(size, abs(points[b, k] - origin), abs(points[c, k] - origin), abs(points[d, k] - origin))
    return FLAT * size * size * size


@njit(cache=True)
def _pierces(points, p, q, faces, g):
    """Whether the segment p-q passes through the inside of face g."""
    a, b, c = faces[g, 0], faces[g, 1], faces[g, 2]
    above = _volume(points, a, b, c, p)
    below = _volume(points, a, b, c, q)
    if not ((above > 0 and below < 0) or (above < 0 and below > 0)):
        return False
    if min(abs(above), abs(below)) <= max(_flatness(points, a, b, c, p), _flatness(points, a, b, c, q)):
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
