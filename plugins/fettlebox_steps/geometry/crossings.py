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

NOT_ASKED = -1.0
"""Faces that lie upon one another are not looked for."""

LEAF = 8
"""Triangles in a leaf: the fastest of 4, 8 and 16 on scans of 0.1 to 1 million triangles."""

FEW_SHARE = 0.125
"""With less than this share of the faces asked for, those near them are found first, and only they are put in
order."""

OUTWARD = 1.3e-7
"""Share by which a coordinate moves before it is rounded to single precision (steps of 1.2e-7), to end up
no further in than it was."""


def crossing_faces(
    vertices: ArrayLike,
    faces: ArrayLike,
    only: ArrayLike | None = None,
    order: ArrayLike | None = None,
    upon_mm: float = NOT_ASKED,
) -> NDArray[np.bool_]:
    """Mask (m,) of the faces that properly cross another face.

    vertices (n,3) float64; faces (m,3) integers; only: mask (m,) of the faces to look at, in which case
    a partner outside the mask is marked too if it crosses one inside; order (m,) from `search_order`, for
    callers that ask about one surface several times while it moves a little: any order gives the same mask.

    Pairs with one common vertex are tested; pairs with a common edge cannot cross properly (a fold of one
    on to the other is another defect). Touching, and lying in one plane, are no crossings; but for faces that
    lie upon one another, in one plane within `upon_mm` and overlapping by more than that, if it is given.
    """
    points = np.ascontiguousarray(vertices, dtype=np.float64)
    corners = np.ascontiguousarray(faces, dtype=np.int64)
    crossed = np.zeros(len(corners), dtype=np.bool_)
    asked = np.ones(len(corners), dtype=np.bool_) if only is None else np.asarray(only, dtype=np.bool_)
    if not asked.any():
        return crossed
    few = asked.sum() < FEW_SHARE * len(corners)
    if order is not None:
        rows = np.asarray(order, dtype=np.int64)
        if few:
            rows = rows[_near(points, corners, asked)[rows]]
    elif few:
        near = near_faces(points, corners, asked)
        rows = near[search_order(points, corners[near])]
    else:
        rows = search_order(points, corners)
    leaves = _leaves(len(rows))
    boxes, node_boxes, node_asked = _hierarchy(points, corners, rows, asked, leaves)
    _mark(points, corners, rows, asked, boxes, node_boxes, node_asked, leaves, crossed, upon_mm)
    return crossed


def search_order(vertices: ArrayLike, faces: ArrayLike) -> NDArray[np.int64]:
    """Faces (m,) in an order that keeps neighbours together, for `crossing_faces`."""
    return compact_order(_middles(np.asarray(vertices, np.float64), np.asarray(faces)), LEAF)


def near_faces(vertices: ArrayLike, faces: ArrayLike, only: ArrayLike) -> NDArray[np.int64]:
    """Faces (k,), ascending, that may touch one of those that are asked for, `only` (m,): all that share a
    corner or a place with one, and others near by.
    """
    points = np.ascontiguousarray(vertices, dtype=np.float64)
    corners = np.ascontiguousarray(faces, dtype=np.int64)
    return np.flatnonzero(_near(points, corners, np.asarray(only, dtype=np.bool_)))


def _near(
    points: NDArray[np.float64], faces: NDArray[np.int64], asked: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    own = np.flatnonzero(asked)
    near = asked.copy()
    if len(own):
        rows = own[search_order(points, faces[own])]
        leaves = _leaves(len(rows))
        boxes, node_boxes, _ = _hierarchy(points, faces, rows, asked, leaves)
        _mark_near(points, faces, boxes, node_boxes, leaves, near)
    return near


def _leaves(count: int) -> int:
    """Leaves of a complete binary tree over so many faces."""
    return 1 << max(0, (count + LEAF - 1) // LEAF - 1).bit_length()


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
def _middles(points, faces):
    """Three times the faces' middles: enough to order them by."""
    middles = np.empty((len(faces), 3))
    for f in range(len(faces)):
        for k in range(3):
            middles[f, k] = points[faces[f, 0], k] + points[faces[f, 1], k] + points[faces[f, 2], k]
    return middles


@njit(inline="always")
def _box(points, faces, f, box):
    """Write the box of a face: its lowest corner, then its highest, rounded outward."""
    for k in range(3):
        a, b, c = points[faces[f, 0], k], points[faces[f, 1], k], points[faces[f, 2], k]
        low, high = min(a, b, c), max(a, b, c)
        box[k] = low - OUTWARD * abs(low)
        box[3 + k] = high + OUTWARD * abs(high)


@njit(cache=True)
def _hierarchy(points, faces, order, asked, leaves):
    """Boxes (m,6) of the faces in order, and of the nodes of a complete binary tree over them.

    Node 1 is the root, nodes `leaves` and up hold LEAF faces each. Also whether a face below a node is asked
    for. Boxes are single precision, rounded outward: they only rule out.
    """
    boxes = np.empty((len(order), 6), np.float32)
    node_boxes = np.full((2 * leaves, 6), np.inf, np.float32)
    node_boxes[:, 3:] = -np.inf
    node_asked = np.zeros(2 * leaves, np.bool_)
    for i in range(len(order)):
        f = order[i]
        node = leaves + i // LEAF
        node_asked[node] |= asked[f]
        _box(points, faces, f, boxes[i])
        for k in range(3):
            node_boxes[node, k] = min(node_boxes[node, k], boxes[i, k])
            node_boxes[node, 3 + k] = max(node_boxes[node, 3 + k], boxes[i, 3 + k])
    for node in range(leaves - 1, 0, -1):
        one, two = 2 * node, 2 * node + 1
        node_asked[node] = node_asked[one] or node_asked[two]
        for k in range(3):
            node_boxes[node, k] = min(node_boxes[one, k], node_boxes[two, k])
            node_boxes[node, 3 + k] = max(node_boxes[one, 3 + k], node_boxes[two, 3 + k])
    return boxes, node_boxes, node_asked


@njit(parallel=True, cache=True)
def _mark(points, faces, order, asked, boxes, node_boxes, node_asked, leaves, crossed, upon):
    """Mark both faces of every crossing pair. Threads only ever write True: their order does not matter.

    Leaf by leaf against itself and all leaves after it, which are those below the later siblings of the nodes
    above it, so that each pair is looked at once.
    """
    used = (len(order) + LEAF - 1) // LEAF
    chunks = min(used, 256)
    for chunk in prange(chunks):
        stack = np.empty(96, dtype=np.int64)
        mine = np.empty(LEAF, dtype=np.int64)
        for leaf in range(chunk * used // chunks, (chunk + 1) * used // chunks):
            here = leaves + leaf
            stack[0] = here
            top = 1
            branch = here
            while branch > 1:
                if branch % 2 == 0:
                    stack[top] = branch + 1
                    top += 1
                branch //= 2
            while top > 0:
                top -= 1
                node = stack[top]
                if not (node_asked[here] or node_asked[node]):
                    continue
                if _apart(node_boxes[node], node_boxes[here]):
                    continue
                if node < leaves:
                    stack[top] = 2 * node + 1
                    stack[top + 1] = 2 * node
                    top += 2
                    continue
                count = 0
                for i in range(leaf * LEAF, min((leaf + 1) * LEAF, len(order))):
                    if node == here or not _apart(boxes[i], node_boxes[node]):
                        mine[count] = i
                        count += 1
                first = (node - leaves) * LEAF
                for j in range(first, min(first + LEAF, len(order))):
                    if _apart(boxes[j], node_boxes[here]):
                        continue
                    g = order[j]
                    for at in range(count):
                        i = mine[at]
                        if (node == here and i >= j) or _apart(boxes[i], boxes[j]):
                            continue
                        f = order[i]
                        if not (asked[f] or asked[g]) or (crossed[f] and crossed[g]):
                            continue
                        if _cross(points, faces, f, g) or (upon >= 0 and _upon(points, faces, f, g, upon)):
                            crossed[f] = True
                            crossed[g] = True


@njit(parallel=True, cache=True)
def _mark_near(points, faces, boxes, node_boxes, leaves, near):
    """Mark the faces whose boxes touch one of those in the tree; each is one thread's alone."""
    count = len(faces)
    chunks = min(count, 256)
    for chunk in prange(chunks):
        stack = np.empty(96, dtype=np.int64)
        box = np.empty(6, np.float32)
        for f in range(chunk * count // chunks, (chunk + 1) * count // chunks):
            if near[f]:
                continue
            _box(points, faces, f, box)
            stack[0] = 1
            top = 1
            while top > 0:
                top -= 1
                node = stack[top]
                if _apart(node_boxes[node], box):
                    continue
                if node < leaves:
                    stack[top] = 2 * node
                    stack[top + 1] = 2 * node + 1
                    top += 2
                    continue
                first = (node - leaves) * LEAF
                for i in range(first, min(first + LEAF, len(boxes))):
                    if not _apart(boxes[i], box):
                        near[f] = True
                        top = 0
                        break


@njit(parallel=True, cache=True)
def _mark_in_groups(points, faces, starts, crossed):
    for group in prange(len(starts) - 1):
        for f in range(starts[group], starts[group + 1]):
            for g in range(f + 1, starts[group + 1]):
                if _cross(points, faces, f, g):
                    crossed[f] = True
                    crossed[g] = True


@njit(inline="always")
def _apart(a, b):
    return a[0] > b[3] or a[3] < b[0] or a[1] > b[4] or a[4] < b[1] or a[2] > b[5] or a[5] < b[2]


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
    if _beside(points, faces, f, g) or _beside(points, faces, g, f):
        return False
    for i in range(3):
        if _pierces(points, faces[f, i], faces[f, (i + 1) % 3], faces, g):
            return True
        if _pierces(points, faces[g, i], faces[g, (i + 1) % 3], faces, f):
            return True
    return False


@njit(cache=True)
def _upon(points, faces, f, g, tolerance):
    """Whether two faces without a common edge lie in one plane and overlap: no side of either parts them."""
    common = 0
    for i in range(3):
        for j in range(3):
            common += faces[f, i] == faces[g, j]
    if common >= 2:
        return False
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
