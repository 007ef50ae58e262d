"""What a triangle mesh measures: areas, volume, centroids, pieces, and how finely it bends.

Arrays in, arrays out. Vertices are (n,3) float64, faces (m,3) integers, counter-clockwise from outside.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

Floats = NDArray[np.float64]
Faces = NDArray[np.int32]

SMALL_PIECE = 0.01
"""A loose piece under this share of the whole area says nothing about size or stance: it may be debris,
and debris may lie far off. An ear that hangs on by no edge is well above it."""


def area_vectors(vertices: Floats, faces: Faces) -> Floats:
    """(m,3): outward normal of every face, as long as its area."""
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    return np.asarray(np.cross(b - a, c - a) / 2.0, dtype=np.float64)


def face_areas(vertices: Floats, faces: Faces) -> Floats:
    """(m,) areas of the faces."""
    return np.asarray(np.linalg.norm(area_vectors(vertices, faces), axis=1), dtype=np.float64)


def welded(vertices: Floats, faces: Faces) -> tuple[Floats, Faces]:
    """The same surface with one vertex at each position, and without faces that lose a corner by it."""
    unique, inverse = np.unique(vertices, axis=0, return_inverse=True)
    joined = inverse.reshape(-1)[faces].astype(np.int32)
    a, b, c = joined.T
    return unique, joined[(a != b) & (b != c) & (c != a)]


def edges_by_use(faces: Faces) -> tuple[Faces, NDArray[np.int64]]:
    """Undirected edges (k,2) and how many faces use each (k,)."""
    if not len(faces):
        return np.empty((0, 2), dtype=np.int32), np.empty(0, dtype=np.int64)
    ends = faces.astype(np.int64)
    others = ends[:, [1, 2, 0]]
    count = int(ends.max()) + 1
    keys, counts = np.unique(np.minimum(ends, others) * count + np.maximum(ends, others), return_counts=True)
    return np.column_stack(np.divmod(keys, count)).astype(np.int32), counts


def is_closed(faces: Faces) -> bool:
    """Whether each directed edge is met by exactly one opposite edge."""
    if not len(faces):
        return False
    pairs = np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]]).astype(np.int64)
    count = int(pairs.max()) + 1
    forward = np.sort(pairs[:, 0] * count + pairs[:, 1])
    backward = np.sort(pairs[:, 1] * count + pairs[:, 0])
    return bool((forward == backward).all() and (np.diff(forward) > 0).all())


def piece_labels(faces: Faces, vertex_count: int) -> NDArray[np.int32]:
    """(m,) number of the edge-or-corner-connected piece that each face belongs to."""
    rows = np.concatenate([faces[:, 0], faces[:, 1]])
    columns = np.concatenate([faces[:, 1], faces[:, 2]])
    graph = coo_matrix((np.ones(len(rows), dtype=np.int8), (rows, columns)), shape=(vertex_count,) * 2)
    _, labels = connected_components(graph, directed=False)
    return np.asarray(labels[faces[:, 0]], dtype=np.int32)


NOTHING_BUT_SCRAPS = "the scan is nothing but scraps: no piece has so much as 1 % of the surface"


def main_pieces(vertices: Floats, faces: Faces, small: float = SMALL_PIECE) -> tuple[Floats, Faces]:
    """The surface without the pieces that have under `small` of the whole area; vertices welded."""
    vertices, faces = welded(vertices, faces)
    if not len(faces):
        return vertices, faces
    labels = piece_labels(faces, len(vertices))
    areas = np.bincount(labels, face_areas(vertices, faces))
    kept = faces[(areas >= small * areas.sum())[labels]]
    used = np.unique(kept)
    renumber = np.zeros(len(vertices), dtype=np.int32)
    renumber[used] = np.arange(len(used), dtype=np.int32)
    return vertices[used], renumber[kept]


def volume_and_centroid(vertices: Floats, faces: Faces) -> tuple[float, Floats]:
    """Volume and centre of mass of the solid inside a closed surface, by the divergence theorem.

    Measured from the middle of the bounding box, so that a part far from the origin loses no digits.
    """
    middle = (vertices.min(axis=0) + vertices.max(axis=0)) / 2.0
    a, b, c = (vertices[faces[:, k]] - middle for k in range(3))
    six = np.einsum("ij,ij->i", a, np.cross(b, c))
    volume = float(six.sum() / 6.0)
    if volume == 0.0:
        return 0.0, middle
    moment = ((a + b + c) * six[:, None]).sum(axis=0) / 24.0
    return volume, np.asarray(middle + moment / volume, dtype=np.float64)


def surface_centroid(vertices: Floats, faces: Faces) -> Floats:
    """Centre of mass of the surface itself, as of a sheet of even thickness."""
    areas = face_areas(vertices, faces)
    centres = vertices[faces].mean(axis=1)
    total = areas.sum()
    if total == 0.0:
        return np.asarray(centres.mean(axis=0), dtype=np.float64)
    return np.asarray((centres * areas[:, None]).sum(axis=0) / total, dtype=np.float64)


def bending_widths(vertices: Floats, faces: Faces, shares: tuple[float, ...]) -> list[float]:
    """Width across of the round stroke that the surface bends like, at shares of its area.

    The bend of an edge is its dihedral angle over the height of the two triangles it joins, which tends to
    the normal curvature across it as triangles get smaller (M. Meyer et al., "Discrete
    differential-geometry operators for triangulated 2-manifolds", 2002, for the areas involved). The
    result for share 0.05 is the width 2/curvature that 5 % of the area stays under; infinite when flat.
    """
    vectors = area_vectors(vertices, faces)
    areas = np.linalg.norm(vectors, axis=1)
    pairs = np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]])
    owner = np.tile(np.arange(len(faces)), 3)
    pairs = np.sort(pairs, axis=1)
    order = np.lexsort((pairs[:, 1], pairs[:, 0]))
    pairs, owner = pairs[order], owner[order]
    same = np.flatnonzero((pairs[1:] == pairs[:-1]).all(axis=1))
    left, right = owner[same], owner[same + 1]
    span = np.linalg.norm(vertices[pairs[same, 0]] - vertices[pairs[same, 1]], axis=1)
    usable = (areas[left] > 0) & (areas[right] > 0) & (span > 0)
    left, right, span = left[usable], right[usable], span[usable]
    if not len(left):
        return [float("inf")] * len(shares)
    ahead = np.einsum("ij,ij->i", vectors[left], vectors[right])
    across = np.linalg.norm(np.cross(vectors[left], vectors[right]), axis=1)
    angle = np.arctan2(across, ahead)
    weight = (areas[left] + areas[right]) / 3.0
    curvature = angle * span / (2.0 * weight)
    order = np.argsort(-curvature, kind="stable")
    reached = np.cumsum(weight[order]) / weight.sum()
    at = [curvature[order][min(int(np.searchsorted(reached, s)), len(order) - 1)] for s in shares]
    # A flat surface bends by rounding alone: wider than a million of its own edges is straight.
    straight = 2e-6 / float(np.median(span))
    return [float(2.0 / k) if k > straight else float("inf") for k in at]
