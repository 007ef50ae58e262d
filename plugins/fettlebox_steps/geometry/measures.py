"""What a triangle mesh measures: areas, volume, centroids, pieces, and how finely it bends.

Arrays in, arrays out. Vertices are (n,3) float64, faces (m,3) integers, counter-clockwise from outside.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from .clean import welded
from .topology import (
    compact,
    components,
    edge_order,
    face_areas,
    face_vectors,
    moment_about,
    twins,
    volume_about,
)

__all__ = [
    "area_vectors", "bending_widths", "edges_by_use", "face_areas", "is_closed", "main_pieces",
    "surface_centroid", "volume_and_centroid",
]  # fmt: skip

Floats = NDArray[np.float64]
Faces = NDArray[np.int32]

SMALL_PIECE = 0.01
"""A loose piece under this share of the whole area says nothing about size or stance: it may be debris,
and debris may lie far off. An ear that hangs on by no edge is well above it."""


def area_vectors(vertices: Floats, faces: Faces) -> Floats:
    """(m,3): outward normal of every face, as long as its area."""
    return face_vectors(vertices, faces) / 2.0


def edges_by_use(faces: Faces) -> tuple[Faces, NDArray[np.int64]]:
    """Undirected edges (k,2), lower end first and in ascending order, and how many faces use each (k,)."""
    if not len(faces):
        return np.empty((0, 2), dtype=np.int32), np.empty(0, dtype=np.int64)
    half, start = edge_order(faces, int(faces.max()) + 1)
    face, corner = np.divmod(half[start[:-1]], 3)
    ends = np.column_stack([faces[face, corner], faces[face, (corner + 1) % 3]])
    return np.sort(ends, axis=1).astype(np.int32), np.diff(start)


def is_closed(faces: Faces) -> bool:
    """Whether each directed edge is met by exactly one opposite edge."""
    return len(faces) > 0 and bool((twins(faces, int(faces.max()) + 1) >= 0).all())


NOTHING_BUT_SCRAPS = "the scan is nothing but scraps: no piece has so much as 1 % of the surface"


def main_pieces(vertices: Floats, faces: Faces, small: float = SMALL_PIECE) -> tuple[Floats, Faces]:
    """The surface without the pieces that have under `small` of the whole area; vertices welded, and what
    was closed still is.
    """
    places, joined = welded(vertices, faces, keep_flat=True)
    count, label = components(joined, len(places))
    areas = np.bincount(label, face_areas(places, joined), count)
    large = (areas >= small * areas.sum()) & (areas > 0)
    places, kept, _ = compact(places, joined[large[label]])
    return places, kept.astype(np.int32)


def volume_and_centroid(vertices: Floats, faces: Faces) -> tuple[float, Floats]:
    """Volume and centre of mass of the solid inside a closed surface, by the divergence theorem.

    Measured from the middle of the bounding box, so that a part far from the origin loses no digits.
    """
    middle = (vertices.min(axis=0) + vertices.max(axis=0)) / 2.0
    volume = volume_about(vertices, faces, middle)
    if volume == 0.0:
        return 0.0, middle
    return volume, np.asarray(middle + moment_about(vertices, faces, middle) / volume, dtype=np.float64)


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
    curvature, weight, span = _bends(
        vertices,
        faces,
        face_vectors(vertices, faces),
        face_areas(vertices, faces),
        twins(faces, len(vertices)),
    )
    if not len(span):
        return [float("inf")] * len(shares)
    order = np.argsort(-curvature, kind="stable")
    reached = np.cumsum(weight[order]) / weight.sum()
    at = [curvature[order][min(int(np.searchsorted(reached, s)), len(order) - 1)] for s in shares]
    # A flat surface bends by rounding alone: wider than a million of its own edges is straight.
    straight = 2e-6 / float(np.median(span))
    return [float(2.0 / k) if k > straight else float("inf") for k in at]


@njit(cache=True)
def _bends(vertices, faces, vectors, areas, twin):
    """Curvature across, area and length of every edge between two faces that have an area."""
    curvature, weight, span = np.empty(len(twin) // 2), np.empty(len(twin) // 2), np.empty(len(twin) // 2)
    count = 0
    for h in range(len(twin)):
        f, g = h // 3, twin[h] // 3
        if twin[h] <= h or areas[f] <= 0 or areas[g] <= 0:
            continue
        along = vertices[faces[f, (h % 3 + 1) % 3]] - vertices[faces[f, h % 3]]
        p, q = vectors[f], vectors[g]
        x, y, z = p[1] * q[2] - p[2] * q[1], p[2] * q[0] - p[0] * q[2], p[0] * q[1] - p[1] * q[0]
        ahead = p[0] * q[0] + p[1] * q[1] + p[2] * q[2]
        length = np.sqrt(along[0] * along[0] + along[1] * along[1] + along[2] * along[2])
        if length <= 0:
            continue
        span[count] = length
        weight[count] = (areas[f] + areas[g]) / 3.0
        angle = np.arctan2(np.sqrt(x * x + y * y + z * z), ahead)
        curvature[count] = angle * length / (2.0 * weight[count])
        count += 1
    return curvature[:count], weight[:count], span[:count]
