"""Exact distance from points to a triangle mesh, with a tree that is built once.

A node's eight boxes, and a leaf's eight triangles, lie side by side in memory and are judged in one pass of
vector instructions (C. Ericson, "Real-time collision detection", 2005, for the closest point of a triangle).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit, prange
from numpy.typing import ArrayLike, NDArray

from .triangle_order import compact_order, middles_of

WIDE = 8
"""Children of a node, and triangles of a leaf."""

FAR_AWAY = 1e30
"""Where the empty places of a node lie."""

NEVER_ENOUGH = -1.0
"""No squared distance is below this: the search ends with the nearest."""


def closest_distance(points: ArrayLike, vertices: ArrayLike, faces: ArrayLike) -> NDArray[np.float64]:
    """Exact distance (k,) in mm from points (k,3) to the nearest place of a mesh (n,3), (m,3).

    Raises ValueError for a mesh without faces.
    """
    return DistanceTree.of(vertices, faces).at(points)


@dataclass(frozen=True, eq=False)
class DistanceTree:
    """leaves (l,9*8) triangles; boxes (n,6*8) of children; first (levels,) node of a level, root first."""

    leaves: NDArray[np.float64]
    boxes: NDArray[np.float64]
    first: NDArray[np.int64]

    @classmethod
    def of(cls, vertices: ArrayLike, faces: ArrayLike) -> DistanceTree:
        """Build from vertices (n,3) and faces (m,3). Raises ValueError when there are no faces."""
        points = np.ascontiguousarray(vertices, dtype=np.float64)
        corners = np.ascontiguousarray(faces, dtype=np.int64)
        if not len(corners):
            raise ValueError("distance to a mesh without faces")
        order = compact_order(middles_of(points, corners), WIDE)
        leaves, low, high = _leaves(points, corners, order)
        levels: list[NDArray[np.float64]] = []
        while not levels or len(low) > 1:
            boxes, low, high = _level(low, high)
            levels.append(boxes)
        first = np.cumsum([0] + [len(boxes) for boxes in levels[::-1]]).astype(np.int64)
        return cls(leaves, np.concatenate(levels[::-1]), first)

    def at(self, points: ArrayLike) -> NDArray[np.float64]:
        """Distance (k,) in mm from points (k,3). Points close in memory should be close in space."""
        asked = np.ascontiguousarray(points, dtype=np.float64)
        distance: NDArray[np.float64] = _distances(self.leaves, self.boxes, self.first, asked)
        return distance


@njit(parallel=True, cache=True)
def _leaves(points, corners, order):
    count = (len(order) + WIDE - 1) // WIDE
    leaves = np.empty((count, 9 * WIDE))
    low = np.full((count, 3), np.inf)
    high = np.full((count, 3), -np.inf)
    for leaf in prange(count):
        for e in range(WIDE):
            f = order[min(leaf * WIDE + e, len(order) - 1)]  # the last triangle fills the last leaf up
            for i in range(9):
                value = points[corners[f, i // 3], i % 3]
                leaves[leaf, i * WIDE + e] = value
                low[leaf, i % 3] = min(low[leaf, i % 3], value)
                high[leaf, i % 3] = max(high[leaf, i % 3], value)
    return leaves, low, high


@njit(cache=True)
def _level(low, high):
    count = (len(low) + WIDE - 1) // WIDE
    boxes = np.full((count, 6 * WIDE), FAR_AWAY)
    upper_low = np.full((count, 3), np.inf)
    upper_high = np.full((count, 3), -np.inf)
    for child in range(len(low)):
        node = child // WIDE
        for k in range(3):
            boxes[node, k * WIDE + child % WIDE] = low[child, k]
            boxes[node, (3 + k) * WIDE + child % WIDE] = high[child, k]
            upper_low[node, k] = min(upper_low[node, k], low[child, k])
            upper_high[node, k] = max(upper_high[node, k], high[child, k])
    return boxes, upper_low, upper_high


@njit(cache=True, error_model="numpy")
def _box_distances(b, x, y, z, squared):
    """The width is read from the array: a loop of known length would be unrolled before it is vectorised."""
    w = len(squared)
    for e in range(w):
        dx = max(b[e] - x, x - b[3 * w + e], 0.0)
        dy = max(b[w + e] - y, y - b[4 * w + e], 0.0)
        dz = max(b[2 * w + e] - z, z - b[5 * w + e], 0.0)
        squared[e] = dx * dx + dy * dy + dz * dz


@njit(cache=True, error_model="numpy")
def _triangle_distances(t, x, y, z, squared):
    """The least of the distances to the three sides, or to the plane where the foot lies inside."""
    w = len(squared)
    for e in range(w):
        px, py, pz = x - t[e], y - t[w + e], z - t[2 * w + e]
        ux, uy, uz = t[3 * w + e] - t[e], t[4 * w + e] - t[w + e], t[5 * w + e] - t[2 * w + e]
        vx, vy, vz = t[6 * w + e] - t[e], t[7 * w + e] - t[w + e], t[8 * w + e] - t[2 * w + e]
        wx, wy, wz = vx - ux, vy - uy, vz - uz
        nx, ny, nz = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
        n2 = nx * nx + ny * ny + nz * nz
        s = (py * vz - pz * vy) * nx + (pz * vx - px * vz) * ny + (px * vy - py * vx) * nz
        r = (uy * pz - uz * py) * nx + (uz * px - ux * pz) * ny + (ux * py - uy * px) * nz
        height = px * nx + py * ny + pz * nz
        plane = height * height / max(n2, 1e-300)
        a = min(max((px * ux + py * uy + pz * uz) / max(ux * ux + uy * uy + uz * uz, 1e-300), 0.0), 1.0)
        dx, dy, dz = px - a * ux, py - a * uy, pz - a * uz
        side = dx * dx + dy * dy + dz * dz
        a = min(max((px * vx + py * vy + pz * vz) / max(vx * vx + vy * vy + vz * vz, 1e-300), 0.0), 1.0)
        dx, dy, dz = px - a * vx, py - a * vy, pz - a * vz
        side = min(side, dx * dx + dy * dy + dz * dz)
        qx, qy, qz = px - ux, py - uy, pz - uz
        a = min(max((qx * wx + qy * wy + qz * wz) / max(wx * wx + wy * wy + wz * wz, 1e-300), 0.0), 1.0)
        dx, dy, dz = qx - a * wx, qy - a * wy, qz - a * wz
        side = min(side, dx * dx + dy * dy + dz * dz)
        inside = min(s, r, n2 - s - r)
        squared[e] = plane if inside > 0.0 else side


@njit(inline="always")
def nearest_in(leaves, boxes, first, x, y, z, best, last, enough, stack, depth, bound, squared):
    """Squared distance if it is below `best`, else `best`; some distance below `enough` if there is one."""
    bottom = len(first) - 2
    stack[0] = 0
    depth[0] = 0
    bound[0] = 0.0
    top = 1
    while top > 0:
        top -= 1
        if bound[top] >= best:
            continue
        node, level = stack[top], depth[top]
        if level > bottom:
            _triangle_distances(leaves[node], x, y, z, squared)
            nearest = squared.min()
            if nearest < best:
                best = nearest
                last = node
                if best < enough:
                    return best, last
            continue
        _box_distances(boxes[first[level] + node], x, y, z, squared)
        floor = top
        for e in range(WIDE):
            if squared[e] >= best:
                continue
            at = top
            while at > floor and bound[at - 1] < squared[e]:
                stack[at], depth[at], bound[at] = stack[at - 1], depth[at - 1], bound[at - 1]
                at -= 1
            stack[at], depth[at], bound[at] = node * WIDE + e, level + 1, squared[e]
            top += 1
    return best, last


@njit(parallel=True, cache=True)
def _distances(leaves, boxes, first, points):
    """Every point is answered by one thread alone: the bytes do not depend on the thread count."""
    count = len(points)
    distance = np.empty(count)
    chunks = min(count, 512)
    for chunk in prange(chunks):
        stack = np.empty(256, dtype=np.int64)
        depth = np.empty(256, dtype=np.int64)
        bound = np.empty(256)
        squared = np.empty(WIDE)
        last = 0
        for i in range(chunk * count // chunks, (chunk + 1) * count // chunks):
            x, y, z = points[i, 0], points[i, 1], points[i, 2]
            _triangle_distances(leaves[last], x, y, z, squared)  # where the point before it ended is near
            best = squared.min()
            best, last = nearest_in(
                leaves, boxes, first, x, y, z, best, last, NEVER_ENOUGH, stack, depth, bound, squared
            )
            distance[i] = np.sqrt(best)
    return distance
