"""Distance from points to a triangle mesh."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray


def closest_distance(points: ArrayLike, vertices: ArrayLike, faces: ArrayLike) -> NDArray[np.float64]:
    """Exact distance (k,) in mm from points (k,3) to the nearest place of a mesh (n,3), (m,3).

    Raises ValueError for a mesh without faces.
    """
    import igl

    corners = np.ascontiguousarray(faces, dtype=np.int64)
    if not len(corners):
        raise ValueError("distance to a mesh without faces")
    asked = np.ascontiguousarray(points, dtype=np.float64)
    mesh = np.ascontiguousarray(vertices, dtype=np.float64)
    tree = igl.AABB()
    tree.init(mesh, corners)
    squared = tree.squared_distance(mesh, corners, asked)[0]
    return np.sqrt(np.maximum(squared, 0.0)).reshape(len(asked))
