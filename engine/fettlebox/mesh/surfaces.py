"""Questions about a surface: points spread over it, what is nearest to a point, what looks at itself."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .part import Floats, Ints

Longs = NDArray[np.int64]
Flags = NDArray[np.bool_]

ON_RIM = 1e-6
"""Barycentric weight under which a nearest point counts as lying on the opposite edge."""

LOOKS = 8
"""Directions 45° off the normal in which a point looks around, beside the normal itself."""


def spread(vertices: Floats, faces: Ints | Longs, count: int) -> tuple[Floats, Longs, float]:
    """`count` points that each stand for the same area, the face of each, and the whole area.

    Every point is drawn from its own slice of the cumulative area, so no patch is over- or
    underrepresented by chance and no random seed is involved. Within a triangle: the R2 sequence
    (M. Roberts, "The unreasonable effectiveness of quasirandom sequences", 2018), folded.
    """
    from .nearest import doubled_areas

    upto = np.cumsum(doubled_areas(vertices, faces))
    if not len(upto) or not upto[-1] > 0.0:
        raise ValueError("a surface without area cannot be compared")
    turns = np.arange(count)
    face = np.searchsorted(upto, (turns + 0.5) / count * upto[-1])
    face = np.minimum(face, len(faces) - 1)
    plastic = 1.324717957244746
    u, v = (turns / plastic + 0.5) % 1.0, (turns / plastic**2 + 0.5) % 1.0
    over = u + v > 1.0
    u, v = np.where(over, 1.0 - u, u)[:, None], np.where(over, 1.0 - v, v)[:, None]
    a, b, c = (vertices[faces[face, i]] for i in range(3))
    points = a + u * (b - a) + v * (c - a)
    return points, face, float(upto[-1]) / 2.0


class Surface:
    """Triangles, at least one, and the tree that finds them."""

    def __init__(self, vertices: Floats, faces: Ints) -> None:
        from .nearest import Tree

        self.vertices, self.faces = vertices, faces
        self.tree = Tree(vertices, faces)

    def nearest(self, points: Floats) -> tuple[Floats, Longs, Floats]:
        """Distance (n,), face (n,) and foot (n,3) on the surface of each point (n,3); exact."""
        squared, face, foot = self.tree.nearest(np.ascontiguousarray(points))
        return np.sqrt(squared), face, foot

    def normals(self, face: Longs) -> Floats:
        """Outward normals (n,3), twice the area long, of the faces (n,)."""
        a, b, c = (self.vertices[self.faces[face, i]] for i in range(3))
        return np.cross(b - a, c - a)


def dot(one: Floats, other: Floats) -> Floats:
    return np.asarray(np.einsum("ij,ij->i", one, other))


def enclosed(surface: Surface, points: Floats, normals: Floats) -> Flags:
    """Whether each point (n,3) of a surface sees nothing but it: in a hollow, not merely in a fold."""
    low, high = surface.tree.bounds
    up = normals / np.maximum(np.linalg.norm(normals, axis=1), np.finfo(float).tiny)[:, None]
    # Lifted off the surface by more than rounding can lose.
    starts = points + up * (float(np.linalg.norm(high - low)) * 1e-5)
    least = np.eye(3)[np.argmin(np.abs(up), axis=1)]
    side = np.cross(up, least)
    side /= np.maximum(np.linalg.norm(side, axis=1), np.finfo(float).tiny)[:, None]
    ahead = np.cross(up, side)
    blocked = surface.tree.blocked(starts, up)
    for turn in np.arange(LOOKS) * (2.0 * np.pi / LOOKS):
        still = np.flatnonzero(blocked)
        along = up[still] + np.cos(turn) * side[still] + np.sin(turn) * ahead[still]
        blocked[still] = surface.tree.blocked(starts[still], along)
    return blocked


def on_rim(surface: Surface, hit: Longs, nearest: Floats) -> Flags:
    """Whether each nearest point, given with its face, lies on an open edge of the surface."""
    if not len(hit):
        return np.zeros(0, bool)
    corners = surface.vertices[surface.faces[hit]]
    a, b, c = corners[:, 0], corners[:, 1], corners[:, 2]
    normal = np.cross(b - a, c - a)
    size = np.maximum(dot(normal, normal), np.finfo(float).tiny)
    weights = np.stack(
        [
            dot(np.cross(end - start, nearest - start), normal) / size
            for start, end in ((b, c), (c, a), (a, b))
        ],
        axis=1,
    )
    rim_edge, rim_corner = _rim(surface.vertices, surface.faces, hit)
    return np.asarray(((weights < ON_RIM) & rim_edge | (weights > 1.0 - ON_RIM) & rim_corner).any(axis=1))


def _rim(vertices: Floats, faces: Ints, hit: Longs) -> tuple[Flags, Flags]:
    """Of the faces (n,) that are asked for: which edges, by the corner opposite to them (n,3), are open, and
    which corners (n,3) lie on an open edge of any face.

    Corners at one place count as one, so that a file whose triangles share nothing is not all rim.
    """
    welded = _places(vertices)[faces]
    asked = np.zeros(len(vertices), bool)
    asked[welded[hit]] = True
    # Only the faces around those corners have to be told apart.
    around = np.flatnonzero(asked[welded].any(axis=1))
    near = welded[around]
    ends = np.stack([near[:, [1, 2]], near[:, [2, 0]], near[:, [0, 1]]], axis=1).reshape(-1, 2)
    key = ends.min(axis=1) * np.int64(len(vertices)) + ends.max(axis=1)
    _, inverse, count = np.unique(key, return_inverse=True, return_counts=True)
    edge = (count[inverse] == 1).reshape(-1, 3)
    place = np.zeros(len(vertices), bool)
    # An edge between two corners that are not asked for may be open only because its other face is far.
    place[ends[edge.reshape(-1) & asked[ends].any(axis=1)].reshape(-1)] = True
    return edge[np.searchsorted(around, hit)], place[welded[hit]]


def _places(vertices: Floats) -> Longs:
    """A number (n,) for each vertex that equal positions share."""
    bits = (vertices + 0.0).view(np.uint64)
    mixed = np.zeros(len(vertices), np.uint64)
    for axis in range(3):
        mixed = (mixed ^ bits[:, axis]) * np.uint64(0x9E3779B97F4A7C15)
        mixed ^= mixed >> np.uint64(29)
    in_order = np.sort(mixed)
    if (in_order[1:] != in_order[:-1]).all():
        return np.arange(len(vertices))
    _, first, inverse = np.unique(mixed, return_index=True, return_inverse=True)
    return np.asarray(first[inverse], dtype=np.int64)
