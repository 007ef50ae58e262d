"""Flat faces of a part, and where on them a label of a given size fits."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from .measures import area_vectors
from .topology import boundary_loops, twins

Floats = NDArray[np.float64]
Ints = NDArray[np.integer[Any]]

SAME_WAY = np.cos(np.radians(0.5))
"""Neighbours whose normals are within half a degree belong to one flat face; grain differs by more."""

FLAT_WITHIN_MM = 0.02
"""A tenth of an everyday layer: what is flat to within this prints as one layer (common practice)."""

CANDIDATES = 24
"""Faces that are looked at, largest first."""

UPRIGHT = 0.9
"""A face whose normal is nearer to the vertical than this has no up of its own."""

FITTED_WITHIN = 0.005
"""The size that fits is found to half a per cent."""

OUTLINE_MM = 0.02
"""Outlines of faces are simplified within this before a place on them is looked for."""


@dataclass(frozen=True, eq=False)
class Frame:
    """A plane to write on: its origin, right and up as a reader in front sees them, and the normal towards
    the reader. All (3,); right × up = normal.
    """

    origin: Floats
    right: Floats
    up: Floats
    normal: Floats

    def flat(self, points: Floats) -> Floats:
        """(n,3) → (n,3): right, up, and height over the plane."""
        return np.asarray((points - self.origin) @ np.stack([self.right, self.up, self.normal], axis=1))

    def space(self, flat: Floats) -> Floats:
        """(n,2) or (n,3) in the plane → (n,3)."""
        axes = np.stack([self.right, self.up, self.normal])[: flat.shape[1]]
        return np.asarray(self.origin + flat @ axes)

    def turned(self, turn_deg: float) -> Frame:
        """Turned counter-clockwise as the reader sees it."""
        turn = np.radians(turn_deg)
        right = np.cos(turn) * self.right + np.sin(turn) * self.up
        return Frame(self.origin, right, np.cross(self.normal, right), self.normal)


@dataclass(frozen=True, eq=False)
class FlatFace:
    """A flat face: numbers of its triangles (k,), its outline in its frame (shapely), its area."""

    faces: NDArray[np.int64]
    frame: Frame
    outline: Any
    area_mm2: float


def reader_frame(point: Floats, normal: Floats) -> Frame:
    """How a reader would look at a face: upright on a wall, from the front on top, and from below as when
    the part is tipped backwards, its front up.
    """
    if abs(normal[2]) < UPRIGHT:
        up = np.array([0.0, 0.0, 1.0]) - normal[2] * normal
    else:
        away = np.array([0.0, np.sign(normal[2]), 0.0])
        up = away - (away @ normal) * normal
    up = up / np.linalg.norm(up)
    return Frame(point, np.cross(up, normal), up, normal)


def flat_faces(vertices: Floats, faces: Ints) -> list[FlatFace]:
    """The largest flat faces of a closed surface (n,3), (m,3), largest first."""
    vectors = area_vectors(vertices, np.asarray(faces, np.int32))
    areas = np.linalg.norm(vectors, axis=1)
    normals = vectors / np.maximum(areas, 1e-300)[:, None]
    half = twins(faces, len(vertices))
    first = np.flatnonzero(half > np.arange(len(half)))
    one, other = first // 3, half[first] // 3
    same = np.einsum("ij,ij->i", normals[one], normals[other]) >= SAME_WAY
    links = (np.ones(int(same.sum()), np.int8), (one[same], other[same]))
    _, label = connected_components(coo_matrix(links, shape=(len(faces),) * 2), directed=False)
    sizes = np.bincount(label, areas)
    found = []
    for largest in np.argsort(-sizes, kind="stable")[:CANDIDATES]:
        members = np.flatnonzero(label == largest)
        face = _flat_face(vertices, faces, members, vectors[members])
        if face is not None:
            found.append(face)
    return found


def _flat_face(vertices: Floats, faces: Ints, members: NDArray[np.int64], vectors: Floats) -> FlatFace | None:
    """The face of these triangles, or None if they are not flat after all, as on a finely meshed ball."""
    import shapely

    total = vectors.sum(axis=0)
    normal = total / np.linalg.norm(total)
    normal[np.abs(normal) < 1e-9] = 0.0  # rounding: an upright or level face is exactly so
    normal /= np.linalg.norm(normal)
    corners = vertices[np.unique(faces[members])]
    height = corners @ normal
    if float(np.ptp(height)) > 2 * FLAT_WITHIN_MM:
        return None
    on = float(height.min() if np.ptp(height) < 1e-9 else (height.max() + height.min()) / 2.0)
    loops = boundary_loops(faces[members], len(vertices))
    frame = reader_frame(normal * on, normal)
    rings = [frame.flat(vertices[loop])[:, :2] for loop in loops]
    outer = int(np.argmax([abs(_area(one)) for one in rings]))
    outline = shapely.Polygon(rings[outer], [one for k, one in enumerate(rings) if k != outer])
    if not outline.is_valid:
        return None
    return FlatFace(members, frame, outline, float(outline.area))


def _area(ring: Floats) -> float:
    x, y = ring[:, 0], ring[:, 1]
    return float((x * np.roll(y, -1) - np.roll(x, -1) * y).sum() / 2.0)


def place_for(
    outline: Any, size_mm: Floats, clear_mm: float, wanted: Floats, least: float
) -> tuple[Floats, float] | None:
    """Where a box of size (2,) fits best into an outline (shapely), and by what factor, from 1 down to
    `least`, it is made smaller for that; None if it does not fit.

    It keeps `clear_mm` from the outline and lies as near to `wanted` (2,) as it can.
    """
    room = outline.buffer(-clear_mm, join_style="mitre").simplify(OUTLINE_MM)
    if room.is_empty:
        return None

    def at(factor: float) -> Floats | None:
        return _nearest_middle(room, size_mm * factor, wanted)

    whole = at(1.0)
    if whole is not None:
        return whole, 1.0
    if least >= 1.0 or at(least) is None:
        return None
    fits, too_large = least, 1.0
    while too_large - fits > FITTED_WITHIN * fits:
        middle = (fits + too_large) / 2.0
        if at(middle) is None:
            too_large = middle
        else:
            fits = middle
    place = at(fits)
    return None if place is None else (place, fits)


def _nearest_middle(room: Any, size_mm: Floats, wanted: Floats) -> Floats | None:
    """The middle nearest to `wanted` of a box that lies wholly in the room; None if there is no place.

    Middles that are too near the room's edge are those within a box of some piece of it (a Minkowski sum).
    """
    import shapely
    from shapely.ops import nearest_points

    half = size_mm / 2.0
    around = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * half
    lines = [ring for part in shapely.get_parts(room) for ring in (part.exterior, *part.interiors)]
    edges = np.concatenate(
        [np.stack([p[:-1], p[1:]], axis=1) for p in (np.array(line.coords)[:, :2] for line in lines)]
    )
    swept = shapely.convex_hull(shapely.multipoints((edges[:, :, None] + around).reshape(len(edges), -1, 2)))
    free = room.difference(shapely.union_all(swept))
    if free.is_empty:
        return None
    near = nearest_points(free, shapely.Point(wanted))[0]
    return np.array([near.x, near.y])
