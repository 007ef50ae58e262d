"""What a new surface keeps of an old one: values at its vertices, and faces that did not move."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from .topology import Floats, Ints


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
    if not len(old_faces):
        return 0.0
    both = np.concatenate([old, new]) + 0.0
    bits = both.view(np.int64).reshape(-1, 3)
    order = np.lexsort(bits.T)
    fresh = np.r_[True, (bits[order][1:] != bits[order][:-1]).any(axis=1)]
    position = np.empty(len(both), np.int64)
    position[order] = np.cumsum(fresh) - 1
    keys = [_face_keys(position[f]) for f in (old_faces, new_faces.astype(np.int64) + len(old))]
    return float(np.isin(keys[0], keys[1]).mean())


def _face_keys(corners: Ints) -> NDArray[np.void]:
    """One comparable key a face, whichever corner it starts with and whichever way it winds."""
    ordered = np.ascontiguousarray(np.sort(corners, axis=1).astype(np.int64))
    return ordered.view([("a", np.int64), ("b", np.int64), ("c", np.int64)]).ravel()
