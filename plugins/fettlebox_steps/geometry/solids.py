"""Which bodies of a closed surface stay, and with how many triangles."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from .crossings import crossing_faces

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


def keep_solid_bodies(
    vertices: ArrayLike, faces: ArrayLike, min_share: float = 0.002
) -> tuple[Floats, Ints, int]:
    """Bodies whose signed volume is at least `min_share` of the largest's, and how many were dropped.

    Trapped voids have negative volume and are dropped: nobody can see them, and no support comes out.
    """
    points = np.array(vertices, dtype=np.float64)
    corners = np.array(faces, dtype=np.int64)
    if not len(corners):
        return points, corners, 0
    ends = np.concatenate([corners[:, :2], corners[:, 1:]])
    links = coo_matrix(
        (np.ones(len(ends), dtype=np.int8), (ends[:, 0], ends[:, 1])), shape=(len(points),) * 2
    )
    _, label = connected_components(links, directed=False)
    _, body = np.unique(label[corners[:, 0]], return_inverse=True)
    a, b, c = (points[corners[:, k]] - points[corners[0, 0]] for k in range(3))
    volumes = np.bincount(body, np.einsum("ij,ij->i", a, np.cross(b, c)) / 6)
    kept = (volumes > 0) & (volumes >= min_share * volumes.max())
    used, renamed = np.unique(corners[kept[body]], return_inverse=True)
    return points[used], renamed.reshape(-1, 3).astype(np.int64), int((~kept).sum())


def bodies(faces: Ints) -> Ints:
    """Number (m,), from 0, of the connected body that each face belongs to."""
    ends = np.concatenate([faces[:, :2], faces[:, 1:]])
    size = int(faces.max()) + 1 if len(faces) else 0
    links = coo_matrix((np.ones(len(ends), dtype=np.int8), (ends[:, 0], ends[:, 1])), shape=(size, size))
    _, label = connected_components(links, directed=False)
    _, body = np.unique(label[faces[:, 0]], return_inverse=True)
    return np.asarray(body, dtype=np.int64)


def thin_out(
    vertices: ArrayLike, faces: ArrayLike, tolerance_mm: float, *, judged: bool = False
) -> tuple[Floats, Ints]:
    """Fewer triangles, the surface moved by no more than `tolerance_mm`.

    The surface is returned as it is when the simplified one is no longer closed, or crosses itself; the
    latter is not looked for if the caller says that the result will be `judged` anyhow.
    """
    import manifold3d

    points = np.array(vertices, dtype=np.float64)
    corners = np.array(faces, dtype=np.int64)
    body = manifold3d.Manifold(manifold3d.Mesh64(points, corners.astype(np.uint64)))
    if body.status() != manifold3d.Error.NoError or body.is_empty():
        return points, corners
    mesh = body.simplify(tolerance_mm).to_mesh64()
    thin = np.array(mesh.vert_properties, dtype=np.float64)[:, :3].copy()
    fewer = np.array(mesh.tri_verts).astype(np.int64).reshape(-1, 3)
    if not len(fewer) or not _closed(fewer) or (not judged and crossing_faces(thin, fewer).any()):
        return points, corners
    return thin, fewer


def _closed(faces: Ints) -> bool:
    """Whether every directed edge occurs once and has its opposite."""
    start, end = faces.ravel(), faces[:, [1, 2, 0]].ravel()
    size = int(faces.max()) + 1
    there = np.sort(start * size + end)
    back = np.sort(end * size + start)
    return bool((there[1:] != there[:-1]).all() and (there == back).all())
