"""What a new surface keeps of an old one: values at its vertices, and faces that did not move."""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from .clean import first_of_equal
from .topology import Flags, Floats, Ints, used_vertices


def nearest_values(old: Floats, values: NDArray[Any], new: Floats) -> NDArray[Any]:
    """Values (n,...) of old points (n,3), at new ones (k,3) that of the nearest old one."""
    from scipy.spatial import cKDTree

    _, nearest = cKDTree(old).query(new)
    return np.asarray(values[nearest])


def colour_change(
    points: Floats, colours: NDArray[np.uint8], vertices: Floats, faces: Ints, shown: NDArray[np.uint8]
) -> Floats:
    """How far (k,), in levels of 255, the colours (k,4) of points are from those that a surface with colours
    (n,4) at its vertices shows where it is nearest to them; the largest of red, green and blue.
    """
    import igl

    _, face, foot = igl.point_mesh_squared_distance(points, vertices, faces.astype(np.int64))
    a, b, c = (vertices[faces[face, k]] for k in range(3))
    whole = np.cross(b - a, c - a)
    size = np.maximum(np.einsum("ij,ij->i", whole, whole), 1e-300)
    there = np.zeros((len(points), 3))
    for k, (p, q) in enumerate(((b, c), (c, a), (a, b))):
        share = np.einsum("ij,ij->i", np.cross(q - p, foot - p), whole) / size
        there += share[:, None] * shown[faces[face, k], :3]
    return np.asarray(np.abs(there - colours[:, :3]).max(axis=1))


def unmoved_share(old: Floats, old_faces: Ints, new: Floats, new_faces: Ints) -> float:
    """Share of the old faces that the new surface has with bitwise the same three positions."""
    return float(unmoved_faces(old, old_faces, new, new_faces).mean()) if len(old_faces) else 0.0


def unmoved_faces(one: Floats, faces: Ints, two: Floats, other_faces: Ints) -> Flags:
    """(m,) faces of one surface that another one has too, with bitwise the same three positions."""
    bits = (np.concatenate([one, two]) + 0.0).view(np.int64).reshape(-1, 3)
    place = first_of_equal(bits)
    both = np.concatenate([place[faces], place[other_faces.astype(np.int64) + len(one)]])
    _sort_rows(both)
    first = first_of_equal(both)
    there = np.zeros(len(both), bool)
    there[first[len(faces) :]] = True
    return there[first[: len(faces)]]


@njit(cache=True)
def _sort_rows(rows):
    """Each row (n,3) ascending, in place."""
    for i in range(len(rows)):
        a, b, c = rows[i, 0], rows[i, 1], rows[i, 2]
        low, high = min(a, b, c), max(a, b, c)
        rows[i, 0], rows[i, 1], rows[i, 2] = low, a + b + c - low - high, high


def left_out(points: Floats, vertices: Floats, faces: Ints, further_mm: float) -> tuple[int, float]:
    """How many of points (k,3) are further than `further_mm` from a surface, and how far the furthest is."""
    from .distance import closest_distance

    place = first_of_equal((np.concatenate([vertices, points]) + 0.0).view(np.int64).reshape(-1, 3))
    on_surface = np.zeros(len(place), bool)
    on_surface[place[used_vertices(faces, len(vertices))]] = True
    moved = points[~on_surface[place[len(vertices) :]]]
    away_mm = closest_distance(moved, vertices, faces)
    return int((away_mm > further_mm).sum()), float(away_mm.max(initial=0.0))
