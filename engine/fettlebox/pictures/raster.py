"""Which triangle each of a grid of parallel rays meets first: a depth buffer, filled triangle by triangle.

E. Catmull, "A subdivision algorithm for computer display of curved surfaces", PhD thesis, University of Utah
1974, for the depth buffer; J. Pineda, "A parallel algorithm for polygon rasterization", SIGGRAPH 1988, for
the edge functions. A picture costs its pixels and one visit of every triangle; nothing is built before.
"""

from __future__ import annotations

import math

import numba
import numpy as np
from numpy.typing import NDArray

from ..mesh.part import Floats, Ints

Singles = NDArray[np.float32]
Flags = NDArray[np.bool_]
EDGE = -1e-9
"""What a corner's share of a point may be short of nothing, so that a ray along an edge meets a triangle."""


STEEP = 1e-9
"""A corner's share that changes less from ray to ray does not tell from which ray on it is there."""

NEARLY = 1e-3
"""Of the way between rays: far more than that is wrong by. Whatever is left is looked at exactly."""


@numba.njit(cache=True, nogil=True)
def rasterise(points: Floats, faces: Ints, rows: int, columns: int, solid: bool) -> tuple[Ints, Singles]:
    """The triangle (rows,columns) at each ray, −1 for none; and how deep the point is that was met.

    `points` (n,3) are column, row and depth; ray (r, c) goes through row r and column c exactly, towards
    larger depth. Both sides of a triangle are met, but for a `solid`'s: rays reach its backs through its
    fronts only, so those are left out. Of triangles equally deep the first one counts.
    """
    face = np.full((rows, columns), -1, np.int32)
    depth = np.full((rows, columns), np.inf, np.float32)
    for i in range(len(faces)):
        a, b, c = faces[i, 0], faces[i, 1], faces[i, 2]
        ax, ay = points[a, 0], points[a, 1]
        bx, by, cx, cy = points[b, 0] - ax, points[b, 1] - ay, points[c, 0] - ax, points[c, 1] - ay
        twice = bx * cy - by * cx
        if twice == 0.0 or (solid and twice > 0.0):
            continue  # seen edge on, or from behind: rows run downwards
        first_row = max(math.ceil(ay + min(0.0, by, cy)), 0)
        last_row = min(math.floor(ay + max(0.0, by, cy)), rows - 1)
        first_column = max(math.ceil(ax + min(0.0, bx, cx)), 0)
        last_column = min(math.floor(ax + max(0.0, bx, cx)), columns - 1)
        if first_row > last_row or first_column > last_column:
            continue
        across = 1.0 / twice
        az = points[a, 2]
        bz, cz = points[b, 2] - az, points[c, 2] - az
        dv, dw = cy * across, -by * across
        per_v, per_w, per_u = _per(dv), _per(dw), _per(-dv - dw)
        for row in range(first_row, last_row + 1):
            y = row - ay
            v_here, w_here = -y * cx * across - ax * dv, bx * y * across - ax * dw
            low, high = first_column - 0.5, last_column + 0.5
            low, high = _within(low, high, EDGE - v_here, per_v)
            low, high = _within(low, high, EDGE - w_here, per_w)
            low, high = _within(low, high, EDGE - (1.0 - v_here - w_here), per_u)
            if low > high + NEARLY:
                continue
            for column in range(math.ceil(low - NEARLY), math.floor(high + NEARLY) + 1):
                v, w = v_here + column * dv, w_here + column * dw
                if v >= EDGE and w >= EDGE and v + w <= 1.0 - EDGE:
                    z = np.float32(az + v * bz + w * cz)
                    if z < depth[row, column]:
                        depth[row, column] = z
                        face[row, column] = i
    return face, depth


@numba.njit(cache=True, inline="always")
def _per(slope: float) -> float:
    return 1.0 / slope if abs(slope) > STEEP else 0.0


@numba.njit(cache=True, inline="always")
def _within(low: float, high: float, missing: float, per: float) -> tuple[float, float]:
    """The columns, of those from `low` to `high`, in which a share is not too small: it lacks `missing` at
    column 0 and gains one in `per` columns; 0 stands for a share that hardly changes.
    """
    at = missing * per
    if per > 0.0 and at > low:
        low = at
    elif per < 0.0 and at < high:
        high = at
    return low, high


@numba.njit(cache=True, nogil=True)
def shares(points: Floats, faces: Ints, face: Ints) -> tuple[Singles, Singles]:
    """The second and third corner's share (rows,columns) of the point at which a ray met its triangle."""
    second = np.zeros(face.shape, np.float32)
    third = np.zeros(face.shape, np.float32)
    for row in range(face.shape[0]):
        for column in range(face.shape[1]):
            hit = face[row, column]
            if hit < 0:
                continue
            a, b, c = faces[hit, 0], faces[hit, 1], faces[hit, 2]
            ax, ay = points[a, 0], points[a, 1]
            bx, by, cx, cy = points[b, 0] - ax, points[b, 1] - ay, points[c, 0] - ax, points[c, 1] - ay
            across = 1.0 / (bx * cy - by * cx)
            dv, dw = cy * across, -by * across
            y = row - ay
            second[row, column] = -y * cx * across - ax * dv + column * dv
            third[row, column] = bx * y * across - ax * dw + column * dw
    return second, third


@numba.njit(cache=True)
def turned(points: Floats, axes: Floats) -> Floats:
    """Points (n,3) in the axes (3,3)."""
    out = np.empty((len(points), 3))
    for i in range(len(points)):
        x, y, z = points[i, 0], points[i, 1], points[i, 2]
        for k in range(3):
            out[i, k] = x * axes[k, 0] + y * axes[k, 1] + z * axes[k, 2]
    return out


@numba.njit(cache=True)
def reach(points: Floats, used: Flags, axes: Floats) -> tuple[Floats, Floats]:
    """Smallest and largest (k,) of the points that are used along the axes (k,3)."""
    low, high = np.full(len(axes), np.inf), np.full(len(axes), -np.inf)
    for i in range(len(points)):
        if used[i]:
            x, y, z = points[i, 0], points[i, 1], points[i, 2]
            for k in range(len(axes)):
                at = x * axes[k, 0] + y * axes[k, 1] + z * axes[k, 2]
                low[k], high[k] = min(low[k], at), max(high[k], at)
    return low, high
