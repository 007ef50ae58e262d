"""Which triangles of a mesh pass through another triangle of the same mesh.

Candidate pairs come from an implicit hierarchy of boxes over the triangles in compact order.
"""

from __future__ import annotations

import numpy as np
from numba import njit, prange
from numpy.typing import ArrayLike, NDArray

from .face_pairs import NOT_ASKED, meet
from .triangle_order import compact_order, middles_of

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
    return compact_order(middles_of(np.asarray(vertices, np.float64), np.asarray(faces)), LEAF)


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


@njit(inline="always")
def _box(points, faces, f, box):
    """Write the box of a face: its lowest corner, then its highest, rounded outward."""
    for k in range(3):
        a, b, c = points[faces[f, 0], k], points[faces[f, 1], k], points[faces[f, 2], k]
        low, high = min(a, b, c), max(a, b, c)
        box[k] = low - OUTWARD * abs(low)
        box[3 + k] = high + OUTWARD * abs(high)


@njit(parallel=True, cache=True)
def _hierarchy(points, faces, order, asked, leaves):
    """Boxes (m,6) of the faces in order, and of the nodes of a complete binary tree over them.

    Node 1 is the root, nodes `leaves` and up hold LEAF faces each. Also whether a face below a node is asked
    for. Boxes are single precision, rounded outward: they only rule out.
    """
    boxes = np.empty((len(order), 6), np.float32)
    node_boxes = np.empty((2 * leaves, 6), np.float32)
    node_asked = np.zeros(2 * leaves, np.bool_)
    for leaf in prange(leaves):
        node = leaves + leaf
        for k in range(3):
            node_boxes[node, k] = np.inf
            node_boxes[node, 3 + k] = -np.inf
        for i in range(leaf * LEAF, min((leaf + 1) * LEAF, len(order))):
            f = order[i]
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
                        if meet(points, faces, f, g, upon):
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
                if meet(points, faces, f, g, NOT_ASKED):
                    crossed[f] = True
                    crossed[g] = True


@njit(inline="always")
def _apart(a, b):
    return a[0] > b[3] or a[3] < b[0] or a[1] > b[4] or a[4] < b[1] or a[2] > b[5] or a[5] < b[2]
