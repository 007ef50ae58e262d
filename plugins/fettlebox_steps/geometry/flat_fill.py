"""Filling flat outlines with triangles that use the outlines' own points and no others."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]


def fill_outlines(flat: Floats, edges: Ints) -> Ints:
    """Triangles (k,3) that close the flat outlines made of the directed edges (e,2) of a wall.

    `flat` (n,2) are coordinates in the plane, seen from the material. Every triangle edge on an outline
    runs against the wall's; outlines may nest. Ear clipping that keeps every point, also those on a
    straight line (manifold3d), then edge flips until every inner edge is locally Delaunay (C. Lawson,
    "Software for C1 surface interpolation", 1977), which removes the triangles without area.

    Raises ValueError if the edges are not closed curves.
    """
    if not len(edges):
        return np.zeros((0, 3), dtype=np.int32)
    from manifold3d import triangulate

    loops = closed_loops(edges)
    numbers = np.concatenate(loops)
    points = np.ascontiguousarray(flat[numbers])
    parts = [np.ascontiguousarray(flat[loop]) for loop in loops]
    local = np.asarray(triangulate(parts, -1.0, False), dtype=np.int32).reshape(-1, 3)
    _flip_to_delaunay(points, local, halves_across(local, len(numbers)))
    return np.asarray(numbers[local][:, ::-1], dtype=np.int32)


def closed_loops(edges: Ints) -> list[Ints]:
    """Directed edges (e,2) as closed curves of vertex numbers. Raises ValueError if they are not closed."""
    following = dict(edges.tolist())
    if len(following) != len(edges) or set(following) != set(following.values()):
        raise ValueError("the outline of the cut touches itself or is not closed")
    loops = []
    while following:
        start = next(iter(following))
        loop = [start]
        step = following.pop(start)
        while step != start:
            loop.append(step)
            step = following.pop(step)
        loops.append(np.array(loop, dtype=np.int32))
    return loops


def halves_across(triangles: Ints, vertices: int) -> Ints:
    """(k,3) half-edge 3·f + e on the other side of edge e (corner e to e+1) of face f, or -1."""
    start = triangles.ravel().astype(np.int64)
    end = np.roll(triangles, -1, axis=1).ravel().astype(np.int64)
    forth, back = start * vertices + end, end * vertices + start
    order = np.argsort(forth, kind="stable")
    place = np.minimum(np.searchsorted(forth[order], back), len(forth) - 1)
    found = forth[order][place] == back
    return np.where(found, order[place], -1).reshape(-1, 3).astype(np.int32)


@njit(cache=True)
def _turn(p, a, b, c):
    return (p[b, 0] - p[a, 0]) * (p[c, 1] - p[a, 1]) - (p[b, 1] - p[a, 1]) * (p[c, 0] - p[a, 0])


@njit(cache=True)
def _opposite_cosines(p, a, b, c, d):
    """Positive if edge a-b is Delaunay between c (left) and d (right): the angles there add up to under π."""
    left = (p[a, 0] - p[c, 0]) * (p[b, 0] - p[c, 0]) + (p[a, 1] - p[c, 1]) * (p[b, 1] - p[c, 1])
    right = (p[a, 0] - p[d, 0]) * (p[b, 0] - p[d, 0]) + (p[a, 1] - p[d, 1]) * (p[b, 1] - p[d, 1])
    return left * _turn(p, b, a, d) + right * _turn(p, a, b, c)


@njit(cache=True)
def _flip_to_delaunay(p, faces, across):
    """Lawson's flips, in place. Bounded: rounding could otherwise turn one edge for ever."""
    for _ in range(200):
        flipped = 0
        for f in range(len(faces)):
            for e in range(3):
                other = across[f, e]
                if other < 0:
                    continue
                g, i = other // 3, other % 3
                a, b, c = faces[f, e], faces[f, (e + 1) % 3], faces[f, (e + 2) % 3]
                d = faces[g, (i + 2) % 3]
                if g == f or c == d or _turn(p, c, a, d) <= 0.0 or _turn(p, c, d, b) <= 0.0:
                    continue
                size = (p[a, 0] - p[b, 0]) ** 2 + (p[a, 1] - p[b, 1]) ** 2
                if _opposite_cosines(p, a, b, c, d) >= -1e-12 * size * size:
                    continue
                bc, ca = across[f, (e + 1) % 3], across[f, (e + 2) % 3]
                ad, db = across[g, (i + 1) % 3], across[g, (i + 2) % 3]
                faces[f, 0], faces[f, 1], faces[f, 2] = c, a, d
                faces[g, 0], faces[g, 1], faces[g, 2] = c, d, b
                across[f, 0], across[f, 1], across[f, 2] = ca, ad, 3 * g
                across[g, 0], across[g, 1], across[g, 2] = 3 * f + 2, db, bc
                for half, at in ((ca, 3 * f), (ad, 3 * f + 1), (db, 3 * g + 1), (bc, 3 * g + 2)):
                    if half >= 0:
                        across[half // 3, half % 3] = at
                flipped += 1
                break
        if flipped == 0:
            return
