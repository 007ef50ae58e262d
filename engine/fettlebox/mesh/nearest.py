"""A tree of boxes over triangles: what is nearest to a point, and whether a ray meets anything.

Triangles are put in order along a curve through space (G. M. Morton, "A computer oriented geodetic data base
and a new technique in file sequencing", IBM 1966); where the curve's numbers first differ, the tree parts
(C. Lauterbach et al., "Fast BVH construction on GPUs", Eurographics 2009). Building costs a sort. Points are
asked for in the order of the same curve, each beginning with what was nearest to the one before.
"""

from __future__ import annotations

from typing import Any

import numba
import numpy as np
from numpy.typing import NDArray

from .part import Floats, Ints

Longs = NDArray[np.int64]

LEAF = 6
"""Triangles of a box that is not parted further: fewer make the tree dearer than they save."""

CURVE_BITS = 63
STACK = 2 * CURVE_BITS + 2
"""A box is parted at most once a bit of the curve's number, which holds the triangle's own number too."""

ROUNDED = 1.0 + 1e-15
"""How much later a ray may leave a box than it is computed to (T. Ize, "Robust BVH ray traversal", 2013)."""

EDGE = -1e-9
"""What a corner's share of a point may be short of nothing, so that a ray along an edge meets a triangle."""


class Tree:
    """At least one triangle, of vertices (n,3) and faces (m,3), set up to be asked any number of times."""

    def __init__(self, vertices: Floats, faces: Ints) -> None:
        keys, number = _along_curve(vertices, faces)
        self._corners, self._box, self._right, self._span = _build(vertices, faces, keys, number)
        self._face = keys & number

    @property
    def bounds(self) -> Floats:
        """(2,3) smallest and largest corner."""
        return np.asarray(self._box[0].reshape(2, 3))

    def nearest(self, points: Floats) -> tuple[Floats, Longs, Floats]:
        """Squared distance (n,), face (n,) and foot (n,3) of each point (n,3); exact. Of faces equally near
        the first one counts.
        """
        if not len(points):
            return np.zeros(0), np.zeros(0, np.int64), np.zeros((0, 3))
        keys, number = _along_curve(points, np.zeros((0, 3), np.int32))
        found: tuple[Floats, Longs, Floats] = _nearest(
            points, keys & number, self._corners, self._face, self._box, self._right, self._span
        )
        return found

    def blocked(self, starts: Floats, ways: Floats) -> NDArray[np.bool_]:
        """Whether each ray, from its start (n,3) on its way (n,3), meets a triangle, from either side."""
        met: NDArray[np.bool_] = _blocked(starts, ways, self._corners, self._box, self._right, self._span)
        return met


def _along_curve(vertices: Floats, faces: Ints) -> tuple[Longs, int]:
    """Sorted, of each triangle's middle, or of each vertex if there are no faces: its place on the curve
    with its number in the last bits; and the mask of those.
    """
    count = len(faces) or len(vertices)
    bits = max((count - 1).bit_length(), 1)
    low = vertices.min(axis=0)
    size = max(float((vertices.max(axis=0) - low).max()), np.finfo(np.float64).tiny * 2.0**32)
    steps = (1 << min((CURVE_BITS - bits) // 3, 21)) - 1
    keys: Longs = _places(vertices, faces, low, size, steps, bits)
    keys.sort()
    return keys, (1 << bits) - 1


@numba.njit(cache=True)
def doubled_areas(vertices: Floats, faces: Ints | Longs) -> Floats:
    """Twice the area (m,) of each triangle."""
    out = np.empty(len(faces))
    for i in range(len(faces)):
        a, b, c = vertices[faces[i, 0]], vertices[faces[i, 1]], vertices[faces[i, 2]]
        ux, uy, uz = b[0] - a[0], b[1] - a[1], b[2] - a[2]
        vx, vy, vz = c[0] - a[0], c[1] - a[1], c[2] - a[2]
        x, y, z = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
        out[i] = np.sqrt(x * x + y * y + z * z)
    return out


@numba.njit(cache=True)
def _spaced(number: int) -> int:
    """The lowest 21 bits with two empty ones after each."""
    number = (number | (number << 32)) & 0x1F00000000FFFF
    number = (number | (number << 16)) & 0x1F0000FF0000FF
    number = (number | (number << 8)) & 0x100F00F00F00F00F
    number = (number | (number << 4)) & 0x10C30C30C30C30C3
    return (number | (number << 2)) & 0x1249249249249249


@numba.njit(cache=True)
def _places(vertices: Floats, faces: Ints, low: Floats, size: float, steps: int, bits: int) -> Longs:
    count = len(faces) if len(faces) else len(vertices)
    out = np.empty(count, np.int64)
    for i in range(count):
        place = 0
        for axis in range(3):
            if len(faces):
                a, b, c = faces[i, 0], faces[i, 1], faces[i, 2]
                at = (vertices[a, axis] + vertices[b, axis] + vertices[c, axis]) / 3.0
            else:
                at = vertices[i, axis]
            share = min(max((at - low[axis]) / size, 0.0), 1.0)
            place |= _spaced(int(share * steps)) << axis
        out[i] = (place << bits) | i
    return out


@numba.njit(cache=True)
def _build(vertices: Floats, faces: Ints, keys: Longs, number: int) -> Any:
    """Corners (m,9) in the order of `keys`; of each node its box (low, high), its second child (the first
    comes right after it; 0 for a leaf) and its range of triangles.
    """
    count = len(keys)
    corners = np.empty((count, 9))
    box = np.empty((2 * count, 6))
    right = np.zeros(2 * count, np.int32)
    span = np.empty((2 * count, 2), np.int32)
    waiting = np.empty((STACK, 3), np.int64)
    waiting[0, 0], waiting[0, 1], waiting[0, 2] = 0, count, -1
    depth, used = 1, 0
    while depth > 0:
        depth -= 1
        start, stop, parent = waiting[depth, 0], waiting[depth, 1], waiting[depth, 2]
        node = used
        used += 1
        if parent >= 0:
            right[parent] = node
        span[node, 0], span[node, 1] = start, stop
        if stop - start <= LEAF:
            continue
        differ, bit = keys[start] ^ keys[stop - 1], 1
        while differ > 1:
            differ >>= 1
            bit <<= 1
        least, most = start, stop - 1
        while least < most:
            middle = (least + most) >> 1
            if keys[middle] & bit:
                most = middle
            else:
                least = middle + 1
        waiting[depth, 0], waiting[depth, 1], waiting[depth, 2] = least, stop, node
        waiting[depth + 1, 0], waiting[depth + 1, 1], waiting[depth + 1, 2] = start, least, -1
        depth += 2
    for node in range(used - 1, -1, -1):
        if right[node] > 0:
            for k in range(3):
                box[node, k] = min(box[node + 1, k], box[right[node], k])
                box[node, 3 + k] = max(box[node + 1, 3 + k], box[right[node], 3 + k])
            continue
        for k in range(3):
            box[node, k], box[node, 3 + k] = np.inf, -np.inf
        for i in range(span[node, 0], span[node, 1]):
            for corner in range(3):
                vertex = faces[keys[i] & number, corner]
                for k in range(3):
                    at = vertices[vertex, k]
                    corners[i, 3 * corner + k] = at
                    box[node, k], box[node, 3 + k] = min(box[node, k], at), max(box[node, 3 + k], at)
    return corners, box[:used].copy(), right[:used].copy(), span[:used].copy()


@numba.njit(cache=True, inline="always")
def _away(box: Floats, x: float, y: float, z: float) -> float:
    """Squared distance of a point from a box."""
    dx = max(box[0] - x, 0.0, x - box[3])
    dy = max(box[1] - y, 0.0, y - box[4])
    dz = max(box[2] - z, 0.0, z - box[5])
    return float(dx * dx + dy * dy + dz * dz)


@numba.njit(cache=True, inline="always")
def _foot(t: Floats, x: float, y: float, z: float) -> Any:
    """The point of a triangle (9,) that is nearest to another, after C. Ericson, "Real-Time Collision
    Detection", 2005, section 5.1.5: by the region of the triangle's plane in which that lies.
    A side without length is no region.
    """
    ux, uy, uz = t[3] - t[0], t[4] - t[1], t[5] - t[2]
    vx, vy, vz = t[6] - t[0], t[7] - t[1], t[8] - t[2]
    ax, ay, az = x - t[0], y - t[1], z - t[2]
    u_a, v_a = ux * ax + uy * ay + uz * az, vx * ax + vy * ay + vz * az
    if u_a <= 0.0 and v_a <= 0.0:
        return t[0], t[1], t[2]
    bx, by, bz = x - t[3], y - t[4], z - t[5]
    u_b, v_b = ux * bx + uy * by + uz * bz, vx * bx + vy * by + vz * bz
    if u_b >= 0.0 and v_b <= u_b:
        return t[3], t[4], t[5]
    over_c = u_a * v_b - u_b * v_a
    if over_c <= 0.0 and u_a >= 0.0 >= u_b and u_a > u_b:
        s = u_a / (u_a - u_b)
        return t[0] + s * ux, t[1] + s * uy, t[2] + s * uz
    cx, cy, cz = x - t[6], y - t[7], z - t[8]
    u_c, v_c = ux * cx + uy * cy + uz * cz, vx * cx + vy * cy + vz * cz
    if v_c >= 0.0 and u_c <= v_c:
        return t[6], t[7], t[8]
    over_b = u_c * v_a - u_a * v_c
    if over_b <= 0.0 and v_a >= 0.0 >= v_c and v_a > v_c:
        s = v_a / (v_a - v_c)
        return t[0] + s * vx, t[1] + s * vy, t[2] + s * vz
    over_a = u_b * v_c - u_c * v_b
    if over_a <= 0.0 and v_b >= u_b and u_c >= v_c and v_b - u_b + u_c > v_c:
        s = (v_b - u_b) / ((v_b - u_b) + (u_c - v_c))
        return t[3] + s * (t[6] - t[3]), t[4] + s * (t[7] - t[4]), t[5] + s * (t[8] - t[5])
    whole = over_a + over_b + over_c
    if not whole > 0.0:  # no area to speak of: a corner is as good as any other point
        return t[0], t[1], t[2]
    s, r = over_b / whole, over_c / whole
    return t[0] + s * ux + r * vx, t[1] + s * uy + r * vy, t[2] + s * uz + r * vz


@numba.njit(cache=True, nogil=True)
def _nearest(
    points: Floats, turn: Longs, corners: Floats, face: Longs, box: Floats, right: Ints, span: Ints
) -> Any:
    """The points in the order of `turn`; what is told of them, in their own."""
    squared = np.empty(len(points))
    nearest = np.empty(len(points), np.int64)
    foot = np.empty((len(points), 3))
    stack, far = np.empty(STACK, np.int64), np.empty(STACK)
    at = 0
    for p in turn:
        x, y, z = points[p, 0], points[p, 1], points[p, 2]
        fx, fy, fz = _foot(corners[at], x, y, z)
        best = (fx - x) ** 2 + (fy - y) ** 2 + (fz - z) ** 2
        stack[0], far[0] = 0, 0.0
        depth = 1
        while depth > 0:
            depth -= 1
            node = stack[depth]
            if far[depth] > best:
                continue
            while right[node] > 0:
                near, other = node + 1, np.int64(right[node])
                to_near, to_other = _away(box[near], x, y, z), _away(box[other], x, y, z)
                if to_other < to_near:
                    near, other, to_near, to_other = other, near, to_other, to_near
                if to_other <= best:
                    stack[depth], far[depth] = other, to_other
                    depth += 1
                if to_near > best:
                    node = -1
                    break
                node = near
            if node < 0:
                continue
            for i in range(span[node, 0], span[node, 1]):
                gx, gy, gz = _foot(corners[i], x, y, z)
                d = (gx - x) ** 2 + (gy - y) ** 2 + (gz - z) ** 2
                if d < best or (d == best and face[i] < face[at]):
                    best, at = d, i
                    fx, fy, fz = gx, gy, gz
        squared[p], nearest[p] = best, face[at]
        foot[p, 0], foot[p, 1], foot[p, 2] = fx, fy, fz
    return squared, nearest, foot


@numba.njit(cache=True, inline="always")
def _through(box: Floats, start: Floats, over: Floats) -> bool:
    """Whether a ray with the reciprocals of its way meets a box (slabs: T. Kay, J. Kajiya, SIGGRAPH 1986)."""
    enters, leaves = 0.0, np.inf
    for k in range(3):
        one, two = (box[k] - start[k]) * over[k], (box[3 + k] - start[k]) * over[k]
        # In a slab's plane and along it the product is no number: compared so, it narrows nothing.
        if one > two:
            one, two = two, one
        enters = one if one > enters else enters
        leaves = two if two < leaves else leaves
    return bool(enters <= leaves * ROUNDED)


@numba.njit(cache=True, nogil=True)
def _blocked(starts: Floats, ways: Floats, corners: Floats, box: Floats, right: Ints, span: Ints) -> Any:
    met = np.zeros(len(starts), np.bool_)
    stack = np.empty(STACK, np.int64)
    over = np.empty(3)
    for ray in range(len(starts)):
        start, way = starts[ray], ways[ray]
        for k in range(3):
            over[k] = 1.0 / way[k] if way[k] != 0.0 else np.inf
        stack[0] = 0
        depth = 1
        while depth > 0 and not met[ray]:
            depth -= 1
            node = stack[depth]
            if not _through(box[node], start, over):
                continue
            if right[node] > 0:
                stack[depth], stack[depth + 1] = right[node], node + 1
                depth += 2
                continue
            for i in range(span[node, 0], span[node, 1]):
                if _meets(corners[i], start, way):
                    met[ray] = True
                    break
    return met


@numba.njit(cache=True, inline="always")
def _meets(t: Floats, start: Floats, way: Floats) -> bool:
    """T. Möller, B. Trumbore, "Fast, minimum storage ray-triangle intersection", 1997."""
    ux, uy, uz = t[3] - t[0], t[4] - t[1], t[5] - t[2]
    vx, vy, vz = t[6] - t[0], t[7] - t[1], t[8] - t[2]
    px, py, pz = way[1] * vz - way[2] * vy, way[2] * vx - way[0] * vz, way[0] * vy - way[1] * vx
    whole = ux * px + uy * py + uz * pz
    if whole == 0.0:
        return False
    ax, ay, az = start[0] - t[0], start[1] - t[1], start[2] - t[2]
    v = (ax * px + ay * py + az * pz) / whole
    if v < EDGE or v > 1.0 - EDGE:
        return False
    qx, qy, qz = ay * uz - az * uy, az * ux - ax * uz, ax * uy - ay * ux
    w = (way[0] * qx + way[1] * qy + way[2] * qz) / whole
    if w < EDGE or v + w > 1.0 - EDGE:
        return False
    return bool((vx * qx + vy * qy + vz * qz) / whole >= 0.0)
