"""Which way the faces of a soup should look: pieces are made consistent, then each is turned outward.

After K. Takayama, A. Jacobson, L. Kavan, O. Sorkine-Hornung, "A simple method for correcting facet
orientations in polygon meshes based on ray casting", Journal of Computer Graphics Techniques, 2014.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

PLACES = 20_000
"""Places on the surface that look around: each piece has at least four, the rest go by area."""

DIRECTIONS = 12
"""Rays from each side of a place, spread over its half of the sky."""

SURE = 0.1
"""By what share of all rays the back must see more sky than the front before a piece is turned round."""


def turned_outward(vertices: Floats, faces: Ints) -> tuple[Ints, int, int]:
    """Faces (m,3) that look outward piece by piece; how many were turned round; how many pieces there are.

    Faces that share an edge with just one other belong to one piece. A piece that sees as much of the sky
    from the back as from the front keeps the way that most of its faces look.
    """
    if not len(faces):
        return faces.copy(), 0, 0
    piece, flipped = _consistent(faces)
    weight = np.linalg.norm(_normals(vertices, faces), axis=1)
    count = int(piece.max()) + 1
    most = np.bincount(piece, weight, count)
    flipped ^= (np.bincount(piece, weight * flipped, count) > most / 2)[piece]
    result = np.where(flipped[:, None], faces[:, ::-1], faces)
    front, back, asked = _sky(vertices, result, piece, weight)
    turn = (back - front > SURE * asked)[piece]
    result = np.where(turn[:, None], result[:, ::-1], result)
    return np.ascontiguousarray(result), int((flipped ^ turn).sum()), count


def _normals(vertices: Floats, faces: Ints) -> Floats:
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    return np.cross(b - a, c - a)


def _consistent(faces: Ints) -> tuple[Ints, NDArray[np.bool_]]:
    """Piece (m,) of each face, and whether it looks against the first face of its piece."""
    start, end = faces.ravel(), faces[:, [1, 2, 0]].ravel()
    key = np.minimum(start, end) * (int(faces.max()) + 1) + np.maximum(start, end)
    order = np.argsort(key, kind="stable")
    key = key[order]
    first = np.flatnonzero(np.r_[True, key[1:] != key[:-1]])
    pairs = first[np.diff(np.r_[first, len(key)]) == 2]
    one, other = order[pairs], order[pairs + 1]
    root, parity = _join(len(faces), one // 3, other // 3, start[one] == start[other])
    _, piece = np.unique(root, return_inverse=True)
    return piece.astype(np.int64), parity


@njit(cache=True)
def _join(count, one, other, against):
    """Union-find that also keeps whether a face looks against its root (R. Tarjan, 1975, with parities)."""
    parent = np.arange(count)
    odd = np.zeros(count, dtype=np.bool_)
    for k in range(len(one)):
        a, b = one[k], other[k]
        odd_a = False
        while parent[a] != a:
            grand = parent[a]
            if parent[grand] != grand:
                odd[a] ^= odd[grand]
                parent[a] = parent[grand]
            odd_a ^= odd[a]
            a = parent[a]
        odd_b = False
        while parent[b] != b:
            grand = parent[b]
            if parent[grand] != grand:
                odd[b] ^= odd[grand]
                parent[b] = parent[grand]
            odd_b ^= odd[b]
            b = parent[b]
        if a != b:
            low, high = min(a, b), max(a, b)
            parent[high] = low
            odd[high] = odd_a ^ odd_b ^ against[k]
    root = np.empty(count, dtype=np.int64)
    parity = np.zeros(count, dtype=np.bool_)
    for f in range(count):
        a = f
        while parent[a] != a:
            parity[f] ^= odd[a]
            a = parent[a]
        root[f] = a
    return root, parity


def _sky(vertices: Floats, faces: Ints, piece: Ints, weight: Floats) -> tuple[Floats, Floats, Floats]:
    """For every piece: rays that leave the scene from its front, from its back, and rays cast from a side."""
    from embreex import rtcore_scene
    from embreex.mesh_construction import TriangleMesh

    count = int(piece.max()) + 1
    chosen = _places(piece, weight, count)
    normal = _normals(vertices, faces)[chosen] / weight[chosen, None]
    size = float(np.linalg.norm(np.ptp(vertices, axis=0)))
    middle = vertices.mean(axis=0)
    at = vertices[faces[chosen]].mean(axis=1) - middle
    scene = rtcore_scene.EmbreeScene()
    TriangleMesh(scene, np.ascontiguousarray((vertices - middle)[faces], dtype=np.float32))
    side_axis = np.cross(normal, np.eye(3)[np.abs(normal).argmin(axis=1)])
    side_axis /= np.linalg.norm(side_axis, axis=1, keepdims=True)
    third = np.cross(normal, side_axis)
    seen: list[Floats] = []
    for sign in (1.0, -1.0):
        free = np.zeros(len(chosen))
        for k in range(DIRECTIONS):
            # even steps of height give even areas of a sphere (Archimedes); the golden angle spreads them
            up = (k + 0.5) / DIRECTIONS
            out, turn = np.sqrt(1 - up * up), k * np.pi * (3 - np.sqrt(5))
            way = up * sign * normal + out * (np.cos(turn) * side_axis + np.sin(turn) * third)
            start = at + sign * normal * size * 1e-5
            hit = scene.run(start.astype(np.float32), way.astype(np.float32))
            free += np.asarray(hit) < 0
        seen.append(np.bincount(piece[chosen], free, count).astype(np.float64))
    return seen[0], seen[1], np.bincount(piece[chosen], minlength=count).astype(np.float64) * DIRECTIONS


def _places(piece: Ints, weight: Floats, count: int) -> Ints:
    """Faces to look from: evenly by area within each piece, four at least."""
    order = np.argsort(piece, kind="stable")
    area = np.bincount(piece, weight, count)
    wanted = np.maximum(4, np.ceil(PLACES * area / area.sum())).astype(np.int64)
    owner = np.repeat(np.arange(count), wanted)
    rank = np.arange(len(owner)) - np.repeat(np.cumsum(wanted) - wanted, wanted)
    sums = np.cumsum(weight[order])
    before = np.cumsum(area) - area
    target = before[owner] + area[owner] * (rank + 0.5) / wanted[owner]
    at = np.minimum(np.searchsorted(sums, target), len(order) - 1)
    faces = order[at]
    return np.asarray(faces[piece[faces] == owner])
