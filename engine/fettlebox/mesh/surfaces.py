"""Questions about a surface: points spread over it, what is nearest to a point, what looks at itself."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .part import Floats, Ints, Part

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
    a, b, c = (vertices[faces[:, i]] for i in range(3))
    doubled = np.linalg.norm(np.cross(b - a, c - a), axis=1)
    upto = np.cumsum(doubled)
    if not len(upto) or not upto[-1] > 0.0:
        raise ValueError("a surface without area cannot be compared")
    turns = np.arange(count)
    face = np.searchsorted(upto, (turns + 0.5) / count * upto[-1])
    face = np.minimum(face, len(faces) - 1)
    plastic = 1.324717957244746
    u, v = (turns / plastic + 0.5) % 1.0, (turns / plastic**2 + 0.5) % 1.0
    over = u + v > 1.0
    u, v = np.where(over, 1.0 - u, u)[:, None], np.where(over, 1.0 - v, v)[:, None]
    points = a[face] + u * (b[face] - a[face]) + v * (c[face] - a[face])
    return points, face, float(upto[-1]) / 2.0


class Surface:
    """Triangles and the tree that finds them. They must be at least one: the library's tree crashes the
    process without any.
    """

    def __init__(self, vertices: Floats, faces: Ints) -> None:
        import igl

        self.vertices = vertices
        self.faces: Longs = faces.astype(np.int64)
        self._tree = igl.AABB()
        self._tree.init(self.vertices, self.faces)

    def nearest(self, points: Floats) -> tuple[Floats, Longs, Floats]:
        """Distance (n,), face (n,) and foot (n,3) on the surface of each point (n,3); exact."""
        if not len(points):
            return np.zeros(0), np.zeros(0, np.int64), np.zeros((0, 3))
        squared, face, foot = self._tree.squared_distance(
            self.vertices, self.faces, np.ascontiguousarray(points)
        )
        return np.sqrt(np.maximum(squared, 0.0)), face, foot

    def normals(self, face: Longs) -> Floats:
        """Outward normals (n,3), twice the area long, of the faces (n,)."""
        a, b, c = (self.vertices[self.faces[face, i]] for i in range(3))
        return np.cross(b - a, c - a)


def dot(one: Floats, other: Floats) -> Floats:
    return np.asarray(np.einsum("ij,ij->i", one, other))


def enclosed(part: Part, points: Floats, normals: Floats) -> Flags:
    """Whether each part point (n,3) sees nothing but the part: in a hollow, not merely in a fold."""
    if not len(points):
        return np.zeros(0, bool)
    from embreex.mesh_construction import TriangleMesh
    from embreex.rtcore_scene import EmbreeScene

    low, high = part.bounds
    centre, size = (low + high) / 2.0, float(np.linalg.norm(high - low))
    scene = EmbreeScene(robust=True)
    TriangleMesh(scene, (part.vertices - centre).astype(np.float32), np.array(part.faces))
    up = normals / np.maximum(np.linalg.norm(normals, axis=1), np.finfo(float).tiny)[:, None]
    # Lifted off the surface by more than single precision can lose.
    starts = (points - centre + up * (size * 1e-5)).astype(np.float32)
    least = np.eye(3)[np.argmin(np.abs(up), axis=1)]
    side = np.cross(up, least)
    side /= np.maximum(np.linalg.norm(side, axis=1), np.finfo(float).tiny)[:, None]
    ahead = np.cross(up, side)
    blocked = np.ones(len(points), bool)
    for turn in np.arange(LOOKS) * (2.0 * np.pi / LOOKS):
        along = up + np.cos(turn) * side + np.sin(turn) * ahead
        blocked &= scene.run(starts, along.astype(np.float32)) >= 0
    return np.asarray(blocked & (scene.run(starts, up.astype(np.float32)) >= 0))


def on_rim(vertices: Floats, faces: Longs, hit: Longs, nearest: Floats) -> Flags:
    """Whether each nearest point, given with its face, lies on an open edge of the surface."""
    rim_edge, rim_vertex = _rim(vertices, faces)
    corners = vertices[faces[hit]]
    a, b, c = corners[:, 0], corners[:, 1], corners[:, 2]
    normal = np.cross(b - a, c - a)
    size = np.maximum(np.einsum("ij,ij->i", normal, normal), np.finfo(float).tiny)
    weights = np.stack(
        [
            np.einsum("ij,ij->i", np.cross(end - start, nearest - start), normal) / size
            for start, end in ((b, c), (c, a), (a, b))
        ],
        axis=1,
    )
    on_edge = (weights < ON_RIM) & rim_edge[hit]
    at_corner = (weights > 1.0 - ON_RIM) & rim_vertex[faces[hit]]
    return np.asarray(on_edge.any(axis=1) | at_corner.any(axis=1))


def _rim(vertices: Floats, faces: Longs) -> tuple[Flags, Flags]:
    """Open edges, (m,3) by the corner opposite to them, and the vertices (n,) on them.

    Corners at one place count as one, so that a file whose triangles share nothing is not all rim.
    """
    same = _places(vertices)
    welded = same[faces]
    ends = np.stack([welded[:, [1, 2]], welded[:, [2, 0]], welded[:, [0, 1]]], axis=1).reshape(-1, 2)
    key = ends.min(axis=1) * np.int64(len(vertices)) + ends.max(axis=1)
    _, inverse, count = np.unique(key, return_inverse=True, return_counts=True)
    edge = (count[inverse] == 1).reshape(-1, 3)
    place = np.zeros(len(vertices), bool)
    place[ends[edge.reshape(-1)].reshape(-1)] = True
    return edge, place[same]


def _places(vertices: Floats) -> Longs:
    """A number (n,) for each vertex that equal positions share."""
    bits = (vertices + 0.0).view(np.uint64)
    mixed = np.zeros(len(vertices), np.uint64)
    for axis in range(3):
        mixed = (mixed ^ bits[:, axis]) * np.uint64(0x9E3779B97F4A7C15)
        mixed ^= mixed >> np.uint64(29)
    _, first, inverse = np.unique(mixed, return_index=True, return_inverse=True)
    return np.asarray(first[inverse], dtype=np.int64)
