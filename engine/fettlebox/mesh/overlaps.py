"""Find faces that pass through or lie upon each other.

A tree of boxes split at the median finds the pairs; plane-interval tests judge them
(T. Möller, "A fast triangle-triangle intersection test", Journal of Graphics Tools, 1997), and a
separating-axis test in the plane those that lie in one plane. This is the engine's witness: the steps
have an implementation of their own, by another method.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

from .part import Floats, Ints

LEAF_FACES = 6
STACK_DEPTH = 128  # a median tree of 2^31 faces is 31 deep; two pushes a level


def overlapping_faces(vertices: Floats, faces: Ints, tolerance: float) -> NDArray[np.bool_]:
    """Mask (m,) of faces that pass more than `tolerance` (mm) through, or lie upon, another face.

    Faces that share an edge are not compared: folded ones are for the caller to find.
    """
    if not len(faces):
        return np.zeros(0, dtype=bool)
    corners = vertices[faces]
    low = np.minimum(np.minimum(corners[:, 0], corners[:, 1]), corners[:, 2])
    high = np.maximum(np.maximum(corners[:, 0], corners[:, 1]), corners[:, 2])
    order, box_low, box_high, spans, children = _build(low, high, (low + high) / 2)
    mask: NDArray[np.bool_] = _search(
        corners, _unit_normals(corners), faces.astype(np.int64), low, high, order, box_low, box_high, spans,
        children, tolerance,
    )  # fmt: skip
    return mask


@njit(cache=True)
def _build(low: Any, high: Any, centre: Any) -> Any:
    n = len(low)
    order = np.arange(n)
    most = max(1, 4 * (n // LEAF_FACES + 1))
    box_low = np.empty((most, 3))
    box_high = np.empty((most, 3))
    spans = np.empty((most, 2), np.int64)
    children = np.full((most, 2), -1, np.int64)
    spans[0, 0], spans[0, 1] = 0, n
    used = 1
    node = 0
    while node < used:
        start, stop = spans[node, 0], spans[node, 1]
        span_low = np.full(3, np.inf)
        span_high = np.full(3, -np.inf)
        for k in range(3):
            box_low[node, k], box_high[node, k] = np.inf, -np.inf
        for i in range(start, stop):
            face = order[i]
            for k in range(3):
                box_low[node, k] = min(box_low[node, k], low[face, k])
                box_high[node, k] = max(box_high[node, k], high[face, k])
                span_low[k] = min(span_low[k], centre[face, k])
                span_high[k] = max(span_high[k], centre[face, k])
        if stop - start > LEAF_FACES:
            axis = 0
            for k in range(1, 3):
                if span_high[k] - span_low[k] > span_high[axis] - span_low[axis]:
                    axis = k
            middle = (start + stop) // 2
            _select(order, centre[:, axis], start, stop - 1, middle)
            children[node, 0], children[node, 1] = used, used + 1
            spans[used, 0], spans[used, 1] = start, middle
            spans[used + 1, 0], spans[used + 1, 1] = middle, stop
            used += 2
        node += 1
    return order, box_low[:used], box_high[:used], spans[:used], children[:used]


@njit(cache=True)
def _select(order: Any, key: Any, left: int, right: int, middle: int) -> None:
    """Quickselect: afterwards everything before `middle` is no larger than everything from it on."""
    while left < right:
        pivot = key[order[(left + right) // 2]]
        i, j = left, right
        while i <= j:
            while key[order[i]] < pivot:
                i += 1
            while key[order[j]] > pivot:
                j -= 1
            if i <= j:
                order[i], order[j] = order[j], order[i]
                i += 1
                j -= 1
        if middle <= j:
            right = j
        elif middle >= i:
            left = i
        else:
            return


@njit(parallel=True, cache=True)
def _search(
    corners: Any, normals: Any, faces: Any, low: Any, high: Any, order: Any, box_low: Any, box_high: Any,
    spans: Any, children: Any, tolerance: float,
) -> Any:  # fmt: skip
    n = len(faces)
    bad = np.zeros(n, np.bool_)
    # Threads only ever write True, so the outcome does not depend on who comes first.
    for slot in prange(n):
        one = order[slot]
        stack = np.empty(STACK_DEPTH, np.int64)
        stack[0] = 0
        depth = 1
        while depth > 0:
            depth -= 1
            node = stack[depth]
            if spans[node, 1] <= slot or _apart(low[one], high[one], box_low[node], box_high[node]):
                continue
            if children[node, 0] >= 0:
                stack[depth], stack[depth + 1] = children[node, 0], children[node, 1]
                depth += 2
                continue
            for i in range(max(spans[node, 0], slot + 1), spans[node, 1]):
                other = order[i]
                if _apart(low[one], high[one], low[other], high[other]):
                    continue
                if _shared(faces[one], faces[other]) >= 2:
                    continue
                if _overlap(corners[one], corners[other], normals[one], normals[other], tolerance):
                    bad[one] = True
                    bad[other] = True
    return bad


@njit(cache=True, inline="always")
def _apart(low_a: Any, high_a: Any, low_b: Any, high_b: Any) -> bool:
    for k in range(3):
        if low_a[k] > high_b[k] or high_a[k] < low_b[k]:
            return True
    return False


@njit(cache=True, inline="always")
def _shared(a: Any, b: Any) -> int:
    count = 0
    for i in range(3):
        for j in range(3):
            if a[i] == b[j]:
                count += 1
    return count


@njit(cache=True)
def _unit_normals(corners: Any) -> Any:
    """(m,3) of triangles (m,3,3); zero for one without area."""
    out = np.empty((len(corners), 3))
    for f in range(len(corners)):
        t = corners[f]
        ux, uy, uz = t[1, 0] - t[0, 0], t[1, 1] - t[0, 1], t[1, 2] - t[0, 2]
        vx, vy, vz = t[2, 0] - t[0, 0], t[2, 1] - t[0, 1], t[2, 2] - t[0, 2]
        x, y, z = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
        length = np.sqrt(x**2 + y**2 + z**2)
        if length > 0:
            x, y, z = x / length, y / length, z / length
        out[f, 0], out[f, 1], out[f, 2] = x, y, z
    return out


@njit(cache=True, inline="always")
def _height(point: Any, origin: Any, normal: Any) -> Any:
    """Signed distance of a corner from a plane."""
    away = 0.0
    for k in range(3):
        away += (point[k] - origin[k]) * normal[k]
    return away


@njit(cache=True)
def _interval(t: Any, height: Any, line: Any) -> Any:
    """Where a triangle that straddles a plane meets it, as an interval along the common line."""
    least, most = np.inf, -np.inf
    for i in range(3):
        j = (i + 1) % 3
        at_i = t[i, 0] * line[0] + t[i, 1] * line[1] + t[i, 2] * line[2]
        if height[i] == 0.0:
            least, most = min(least, at_i), max(most, at_i)
        elif height[i] * height[j] < 0.0:
            at_j = t[j, 0] * line[0] + t[j, 1] * line[1] + t[j, 2] * line[2]
            x = at_i + (at_j - at_i) * height[i] / (height[i] - height[j])
            least, most = min(least, x), max(most, x)
    return least, most


@njit(cache=True)
def _overlap(a: Any, b: Any, normal_a: Any, normal_b: Any, tolerance: float) -> bool:
    of_b = (_height(b[0], a[0], normal_a), _height(b[1], a[0], normal_a), _height(b[2], a[0], normal_a))
    low, high = min(of_b), max(of_b)
    if low >= -tolerance and high <= tolerance:
        return _overlap_in_plane(a, b, normal_a, tolerance)
    if low >= -tolerance or high <= tolerance:
        return False
    of_a = (_height(a[0], b[0], normal_b), _height(a[1], b[0], normal_b), _height(a[2], b[0], normal_b))
    if min(of_a) >= -tolerance or max(of_a) <= tolerance:
        return False
    # The intervals are those of the true heights: between planes that nearly are one, a corner within
    # tolerance of the other plane may be far from where the triangle meets it.
    line = np.cross(normal_a, normal_b)
    length = np.sqrt((line * line).sum())
    if length == 0.0:
        return False
    line /= length
    low_a, high_a = _interval(a, of_a, line)
    low_b, high_b = _interval(b, of_b, line)
    return bool(min(high_a, high_b) - max(low_a, low_b) > tolerance)


@njit(cache=True)
def _overlap_in_plane(a: Any, b: Any, normal: Any, tolerance: float) -> bool:
    """Two triangles in one plane overlap unless some side of either keeps them apart."""
    for turn in range(2):
        t = a if turn == 0 else b
        for i in range(3):
            side = t[(i + 1) % 3] - t[i]
            axis = np.cross(normal, side)
            length = np.sqrt((axis * axis).sum())
            if length == 0.0:
                return False
            low_a, high_a, low_b, high_b = np.inf, -np.inf, np.inf, -np.inf
            for j in range(3):
                x = (a[j] * axis).sum() / length
                y = (b[j] * axis).sum() / length
                low_a, high_a = min(low_a, x), max(high_a, x)
                low_b, high_b = min(low_b, y), max(high_b, y)
            if min(high_a, high_b) - max(low_a, low_b) <= tolerance:
                return False
    return True
