"""How a surface passes through a cube whose eight corners are inside or outside: the table of marching cubes.

W. Lorensen, H. Cline, "Marching cubes", SIGGRAPH 1987. The table is derived here rather than typed in,
so that two properties hold by construction, which published tables do not all have:

- On a face of the cube, every run of inside corners is cut off by its own segment. The rule looks at the
  face alone, so the cubes on its two sides agree and the surface is closed.
- No diagonal of a polygon lies in a face of the cube. Two cubes therefore never draw the same edge, and
  no edge of the surface has more than two triangles.

Corner c of the cube is at (c & 1, c >> 1 & 1, c >> 2 & 1). Edge 4 * axis + rank starts at the rank-th
corner whose coordinate on that axis is 0, and runs along the axis.
"""

from __future__ import annotations

from functools import cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

EDGE_START = np.array([c for axis in range(3) for c in range(8) if not c >> axis & 1], dtype=np.int64)
EDGE_AXIS = np.repeat(np.arange(3), 4)
CORNERS = np.array([[c & 1, c >> 1 & 1, c >> 2 & 1] for c in range(8)], dtype=np.int64)


class CubeTable(NamedTuple):
    """triangles (256,) of each case; edges (256, most, 3): the cube edges on which their corners lie."""

    triangles: NDArray[np.int64]
    edges: NDArray[np.int64]


@cache
def cube_table() -> CubeTable:
    """All 256 cases; bit c of a case is set when corner c is inside. Triangles face the outside."""
    cases = [[t for loop in _loops(case) for t in _triangles(loop)] for case in range(256)]
    most = max(len(case) for case in cases)
    edges = np.full((256, most, 3), -1, dtype=np.int64)
    for case, triangles in enumerate(cases):
        edges[case, : len(triangles)] = np.array(triangles, dtype=np.int64).reshape(-1, 3)
    return CubeTable(np.array([len(case) for case in cases], dtype=np.int64), edges)


def _faces() -> list[list[int]]:
    """The corners of each face, counter-clockwise seen from outside the cube."""
    faces = []
    for axis in range(3):
        u, v = 1 << (axis + 1) % 3, 1 << (axis + 2) % 3
        faces.append([0, v, u | v, u])
        faces.append([(1 << axis) | c for c in (0, u, u | v, v)])
    return faces


def _edge(a: int, b: int) -> int:
    axis = (a ^ b).bit_length() - 1
    start = min(a, b)
    return 4 * axis + [c for c in range(8) if not c >> axis & 1].index(start)


def _loops(case: int) -> list[list[int]]:
    """Closed polygons, as the cube edges they pass, around every patch of the surface in this case."""
    following: dict[int, int] = {}
    for face in _faces():
        for i in range(4):
            if case >> face[i - 1] & 1 or not case >> face[i] & 1:
                continue
            j = i
            while case >> face[(j + 1) % 4] & 1:
                j += 1
            entry, leave = _edge(face[i - 1], face[i]), _edge(face[j % 4], face[(j + 1) % 4])
            following[entry] = leave
    loops = []
    while following:
        start, edge = following.popitem()
        loop = [start]
        while edge != start:
            loop.append(edge)
            edge = following.pop(edge)
        loops.append(loop)
    return loops


def _in_one_face(a: int, b: int) -> bool:
    """Whether two edges of the cube border the same face."""
    return any({a, b} <= {_edge(f[i - 1], f[i]) for i in range(4)} for f in _faces())


def _middle(edge: int) -> NDArray[np.float64]:
    at = CORNERS[EDGE_START[edge]].astype(float)
    at[EDGE_AXIS[edge]] = 0.5
    return np.asarray(at)


def _triangles(loop: list[int]) -> list[tuple[int, int, int]]:
    """The triangulation with the shortest diagonals, none of them in a face of the cube."""
    size = len(loop)
    best: dict[tuple[int, int], tuple[float, list[tuple[int, int, int]]]] = {}
    for gap in range(1, size):
        for i in range(size - gap):
            k = i + gap
            if gap == 1:
                best[i, k] = (0.0, [])
                continue
            rim = i == 0 and k == size - 1
            if not rim and _in_one_face(loop[i], loop[k]):
                continue
            length = 0.0 if rim else float(np.linalg.norm(_middle(loop[i]) - _middle(loop[k])))
            options = [
                (best[i, m][0] + best[m, k][0] + length, m)
                for m in range(i + 1, k)
                if (i, m) in best and (m, k) in best
            ]
            if options:
                cost, m = min(options)
                best[i, k] = (cost, [*best[i, m][1], *best[m, k][1], (loop[i], loop[m], loop[k])])
    return best[0, size - 1][1]
