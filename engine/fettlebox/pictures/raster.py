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
EDGE = -1e-9
"""What a corner's share of a point may be short of nothing, so that a ray along an edge meets a triangle."""


@numba.njit(cache=True)
def rasterise(points: Floats, faces: Ints, rows: int, columns: int) -> tuple[Ints, Singles, Singles, Singles]:
    """The triangle (rows,columns) at each ray, −1 for none; its second and third corner's share of the point
    that was met; and how deep that is.

    `points` (n,3) are column, row and depth; ray (r, c) goes through row r and column c exactly, towards
    larger depth. Both sides of a triangle are met. Of triangles equally deep the first one counts.
    """
    face = np.full((rows, columns), -1, np.int32)
    depth = np.full((rows, columns), np.inf, np.float64)
    second = np.zeros((rows, columns), np.float32)
    third = np.zeros((rows, columns), np.float32)
    for i in range(len(faces)):
        a, b, c = faces[i, 0], faces[i, 1], faces[i, 2]
        ax, ay, az = points[a, 0], points[a, 1], points[a, 2]
        bx, by, bz = points[b, 0] - ax, points[b, 1] - ay, points[b, 2] - az
        cx, cy, cz = points[c, 0] - ax, points[c, 1] - ay, points[c, 2] - az
        twice = bx * cy - by * cx
        if twice == 0.0:
            continue  # seen edge on
        across = 1.0 / twice
        first_row = max(math.ceil(ay + min(0.0, by, cy)), 0)
        last_row = min(math.floor(ay + max(0.0, by, cy)), rows - 1)
        first_column = max(math.ceil(ax + min(0.0, bx, cx)), 0)
        last_column = min(math.floor(ax + max(0.0, bx, cx)), columns - 1)
        dv, dw = cy * across, -by * across
        for row in range(first_row, last_row + 1):
            y = row - ay
            v_here, w_here = -y * cx * across - ax * dv, bx * y * across - ax * dw
            for column in range(first_column, last_column + 1):
                v, w = v_here + column * dv, w_here + column * dw
                if v >= EDGE and w >= EDGE and v + w <= 1.0 - EDGE:
                    z = az + v * bz + w * cz
                    if z < depth[row, column]:
                        depth[row, column] = z
                        face[row, column] = i
                        second[row, column] = v
                        third[row, column] = w
    return face, second, third, depth.astype(np.float32)
