"""Which thin places are no wall but the edge or the tip of something thick.

Where two sides meet at an edge, what is between them narrows to nothing, however thick the part is behind.
That is no wall unless it goes on: a place lies at an edge if its own side and the opposite one reach the same
point of the surface within a few thicknesses. Neither may do so across a third side, as across the rim of a
plate or the top of a raised letter, which are as thin as the wall is. Whether anything thick lies behind is
for `thickness` to say.
"""

from __future__ import annotations

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

from .topology import twins

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]
Mask = NDArray[np.bool_]

AS_FAR_AS = 2.0
"""Thicknesses from the middle between two sides within which they have to meet: they do in a wedge of 29
degrees or more (2·asin(1/4)), which a printer shortens by less than twice the finest it lays down. A sharper
one is a blade and loses more than a rounded edge: that is a thin wall. Our judgement."""

SAME_SIDE = 0.9
"""Cosine (26 degrees) of how much a face may turn from the place's, or from what is opposite, and still be of
the same side: more than grain does, less than a rim or a chamfer."""

MOST_FACES = 1500
"""Faces that are looked at around a place: as many as there are if edges are about a sixth of the thickness.
Where they are shorter, it counts as a wall."""

TABLE = 16384
"""Room for the numbers of those faces and their corners, a power of two, far from full."""

CHUNKS = 512
"""Places are shared out to threads in so many lots, each answered by one."""


def at_edges(
    vertices: Floats, faces: Ints, normals: Floats, own: Ints, other: Ints, middle: Floats, width: Floats
) -> Mask:
    """(k,) whether two sides meet near a place of a closed surface (n,3), (m,3) with face normals (m,3).

    own, other (k,): faces of the place and of what is opposite; middle (k,3) between them; width (k,) mm.
    """
    if not len(own):
        return np.zeros(0, np.bool_)
    beside = (twins(faces, len(vertices)) // 3).reshape(-1, 3)
    return np.asarray(_meeting(vertices, faces, normals, beside, own, other, middle, AS_FAR_AS * width))


@njit(parallel=True, cache=True)
def _meeting(vertices, faces, normals, beside, own, other, middle, reach):
    """(k,) whether, within a ball of that reach about the middle, faces of the one side share a point with
    those of the other. Both sides are followed at once, across edges that pass through the ball.
    """
    count = len(own)
    found = np.zeros(count, np.bool_)
    chunks = min(count, CHUNKS)
    for chunk in prange(chunks):
        key = np.full(TABLE, -1, np.int64)
        side = np.zeros(TABLE, np.int8)
        used, line = np.empty(TABLE, np.int64), np.empty(MOST_FACES, np.int64)
        for i in range(chunk * count // chunks, (chunk + 1) * count // chunks):
            filled, last = 0, 2
            line[0], line[1] = own[i], other[i]
            for which in range(2):
                at = _place(key, line[which])
                key[at], side[at] = line[which], which + 1
                used[filled] = at
                filled += 1
            squared = reach[i] * reach[i]
            next_ = 0
            while next_ < last and not found[i]:
                f = line[next_]
                next_ += 1
                mine = side[_place(key, f)]
                model = own[i] if mine == 1 else other[i]
                for k in range(3):
                    a, b = faces[f, k], faces[f, (k + 1) % 3]
                    # Corners have numbers behind those of the faces.
                    if _squared_to_edge(vertices, a, a, middle[i]) <= squared:
                        at = _place(key, len(faces) + a)
                        if key[at] < 0:
                            key[at], side[at] = len(faces) + a, mine
                            used[filled] = at
                            filled += 1
                        elif side[at] != mine:
                            found[i] = True
                    g = beside[f, k]
                    if g < 0 or _squared_to_edge(vertices, a, b, middle[i]) > squared:
                        continue
                    at = _place(key, g)
                    if key[at] >= 0:
                        found[i] = found[i] or side[at] != mine
                    elif last < MOST_FACES and _cosine(normals, g, model) > SAME_SIDE:
                        key[at], side[at] = g, mine
                        used[filled] = at
                        filled += 1
                        line[last] = g
                        last += 1
            for j in range(filled):
                key[used[j]] = -1
    return found


@njit(cache=True)
def _place(key, number):
    """Where a number stands in the table, or else the free place for it."""
    at = (number * 2654435761) & (TABLE - 1)
    while key[at] >= 0 and key[at] != number:
        at = (at + 1) & (TABLE - 1)
    return at


@njit(cache=True)
def _cosine(normals, f, g):
    return normals[f, 0] * normals[g, 0] + normals[f, 1] * normals[g, 1] + normals[f, 2] * normals[g, 2]


@njit(cache=True)
def _squared_to_edge(vertices, a, b, point):
    """Squared distance of a point from the edge between two vertices, or from one that is named twice."""
    along, away, squared = 0.0, 0.0, 0.0
    for c in range(3):
        way = vertices[b, c] - vertices[a, c]
        along += way * (point[c] - vertices[a, c])
        squared += way * way
    t = min(max(along / squared, 0.0), 1.0) if squared > 0.0 else 0.0
    for c in range(3):
        off = vertices[a, c] + t * (vertices[b, c] - vertices[a, c]) - point[c]
        away += off * off
    return away
