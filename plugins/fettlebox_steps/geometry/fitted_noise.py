"""The noise of a scan in millimetres: how far its vertices stand off the smooth surface of their neighbours.

Each vertex is predicted by a quadric through its neighbours without itself (F. Cazals, M. Pouget, "Estimating
differential quantities using polynomial fitting of osculating jets", 2005). Independent noise of deviation s
misses a least-squares prediction by s·√(1 + h), where h is the leverage of the vertex (any textbook of linear
regression); dividing by the root gives s whatever the size or number of triangles.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from .noise import grain_mm
from .topology import Floats, Ints, face_vectors

NEIGHBOURS = 24
"""Four times the six coefficients: two to three rings, over which a quadric still follows a scan's shape."""
FEWEST = 10
"""Fewer neighbours that face the same way than this leave a fit without a say."""
SAMPLES = 20_000
"""Vertices that are looked at; the median of so many is known to 1 %."""
SAME_WAY = 0.3
"""Cosine of normals over which a neighbour is of the same sheet, not the other side of a thin one."""
NORMAL_ROUNDS = 4
"""Rounds of averaging over neighbours that take the noise itself out of the normals it is measured along."""
RIDGE = 1e-9
"""Added to the normal equations of unit-sized neighbourhoods: only a line of points notices."""
BATCH = 4096


def residuals(vertices: Floats, faces: Ints, samples: int = SAMPLES) -> tuple[Ints, Floats, Floats]:
    """Chosen vertices (k,), how far each is off, mm (k,), and the area such a vertex stands for there,
    mm² (k,).

    Evenly by number; a vertex without enough neighbours is left out.
    """
    from scipy.spatial import cKDTree

    normal, area = calm_normals(vertices, faces)
    used = np.flatnonzero(area > 0)
    if len(used) <= FEWEST:
        return np.zeros(0, np.int64), np.zeros(0), np.zeros(0)
    chosen = used[np.unique(np.linspace(0, len(used) - 1, samples).astype(np.int64))]
    count = min(NEIGHBOURS + 1, len(used))
    _, near = cKDTree(vertices[used]).query(vertices[chosen], count)
    near = used[np.asarray(near)]
    off, known = np.zeros(len(chosen)), np.zeros(len(chosen), bool)
    for at in range(0, len(chosen), BATCH):
        part = slice(at, at + BATCH)
        off[part], known[part] = _missed(vertices, normal, chosen[part], near[part])
    # Over the neighbours: a vertex that is far off has larger triangles by that alone, and would count more.
    return chosen[known], off[known], area[near[known]].mean(axis=1)


def _missed(
    vertices: Floats, normal: Floats, chosen: Ints, near: Ints
) -> tuple[Floats, np.ndarray[tuple[int], np.dtype[np.bool_]]]:
    up = normal[chosen]
    side = np.cross(up, np.eye(3)[np.abs(up).argmin(axis=1)])
    side /= np.linalg.norm(side, axis=1, keepdims=True)
    frame = np.stack([side, np.cross(up, side), up], axis=1)
    arm = vertices[near] - vertices[chosen, None]
    counted = (np.einsum("ijk,ik->ij", normal[near], up) > SAME_WAY) & (near != chosen[:, None])
    reach = np.where(counted, np.linalg.norm(arm, axis=2), 0.0).max(axis=1)
    known = (counted.sum(axis=1) >= FEWEST) & (reach > 0)
    local = np.einsum("ijk,ilk->ijl", arm, frame) / np.where(known, reach, 1.0)[:, None, None]
    x, y, z = np.moveaxis(local, 2, 0)
    terms = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=2) * counted[:, :, None]
    gram = np.einsum("ijk,ijl->ikl", terms, terms) + RIDGE * np.eye(6)
    right = np.stack([np.einsum("ijk,ij->ik", terms, z), np.tile(np.eye(6)[0], (len(chosen), 1))], axis=2)
    solved = np.linalg.solve(gram, right)
    off = np.abs(solved[:, 0, 0]) * reach / np.sqrt(1.0 + np.maximum(solved[:, 0, 1], 0.0))
    return off, known & np.isfinite(off)


def noise_mm(off: Floats, area: Floats) -> float:
    """Standard deviation of the noise, robustly; 0 where nothing could be told."""
    return grain_mm(off, area) if len(off) else 0.0


def vertex_normals(vertices: Floats, faces: Ints) -> tuple[Floats, Floats]:
    """Unit normals (n,3), weighted by area, and the third of its faces' area that each vertex stands for."""
    vectors = face_vectors(vertices, faces)
    areas = np.linalg.norm(vectors, axis=1) / 6
    total, area = _of_corners(faces, vectors, areas, len(vertices))
    length = np.linalg.norm(total, axis=1)
    return total / np.where(length > 0, length, 1.0)[:, None], np.where(length > 0, area, 0.0)


def calm_normals(vertices: Floats, faces: Ints) -> tuple[Floats, Floats]:
    """As `vertex_normals`, with the normals averaged over some rings of neighbours."""
    normal, area = vertex_normals(vertices, faces)
    for _ in range(NORMAL_ROUNDS):
        gathered = _with_neighbours(faces, normal)
        length = np.linalg.norm(gathered, axis=1, keepdims=True)
        normal = gathered / np.where(length > 0, length, 1.0)
    return normal, area


@njit(cache=True)
def _of_corners(faces, vectors, areas, n):
    """At every vertex, the sums of its faces' vectors and areas."""
    total, area = np.zeros((n, 3)), np.zeros(n)
    for k in range(3):
        for f in range(len(faces)):
            for i in range(3):
                total[faces[f, k], i] += vectors[f, i]
            area[faces[f, k]] += areas[f]
    return total, area


@njit(cache=True)
def _with_neighbours(faces, normal):
    """Every vertex's own and its neighbours', each as often as a face joins the two."""
    gathered = normal.copy()
    for k in range(3):
        for f in range(len(faces)):
            for i in range(3):
                gathered[faces[f, k], i] += (
                    normal[faces[f, (k + 1) % 3], i] + normal[faces[f, (k + 2) % 3], i]
                )
    return gathered
