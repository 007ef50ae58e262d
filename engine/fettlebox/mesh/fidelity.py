"""How far the surface of a part is from the surface of its scan, in life-size millimetres.

Both ways, because each is blind to what the other sees: from the scan to the part finds what was lost
(an ear, a filled fold), from the part to the scan finds what was moved or added. Some differences are
wanted and stay out of the distances, but never out of the record: their shares are facts as well.

cut off    scan beyond a cut plane, or beyond a base plane that the part does not pass
flat       part surface on a base or a cut, or built on beyond a cut
invented   part surface with no scan under it: the nearest point of the scan is on its rim, and is far
inner      part surface that looks away from the nearest scan a wall's thickness off: a hollow's inside
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .part import Floats, Part, Plane

Longs = NDArray[np.int64]
Flags = NDArray[np.bool_]

SAMPLES = 40_000
"""Each way. The share of a surface is then known to 0.1 % or so; twice as many cost twice the time."""

COVERED_WITHIN_MM = 0.2
"""A layer of an everyday print: what is nearer than this cannot be told apart on it (common practice)."""

ON_PLANE_MM = 0.05
"""A quarter of an everyday layer; far above the rounding of coordinates, below anything that shows."""

THINNEST_WALL_MM = 0.35
"""In part millimetres. Thinner walls do not print; a surface nearer than this is the scan's own."""

ON_RIM = 1e-6
"""Barycentric weight under which a nearest point counts as lying on the opposite edge."""


@dataclass(frozen=True, eq=False)
class Fidelity:
    """Distances in life-size mm; NaN where there was nothing left to compare. Shares are of area, 0 to 1.

    points     (n,3) where the part was sampled, in part coordinates
    distances  (n,) from those points to the scan, life-size mm; NaN where the part is flat or inner
    """

    scan_to_part_p50_mm: float
    scan_to_part_p95_mm: float
    scan_to_part_p999_mm: float
    scan_to_part_max_mm: float
    covered_ratio: float
    covered_within_mm: float
    scan_cut_off_ratio: float
    part_to_scan_p95_mm: float
    part_to_scan_max_mm: float
    part_invented_ratio: float
    part_flat_ratio: float
    part_inner_ratio: float
    sample_spacing_mm: float
    points: Floats = field(repr=False, default_factory=lambda: np.zeros((0, 3)))
    distances: Floats = field(repr=False, default_factory=lambda: np.zeros(0))

    def as_facts(self) -> Mapping[str, Any]:
        """Plain JSON values in a fixed order; null where nothing was left to compare."""
        names = [name for name in self.__dataclass_fields__ if name not in ("points", "distances")]
        values = {name: float(getattr(self, name)) for name in names}
        return {name: value if np.isfinite(value) else None for name, value in values.items()}


def compare(
    reference: Part,
    part: Part,
    *,
    samples: int = SAMPLES,
    covered_within_mm: float = COVERED_WITHIN_MM,
) -> Fidelity:
    """Hold a part against the surface it was made from. Raises ValueError if either has no area.

    The two meet in part coordinates: `part.placement` after the inverse of `reference.placement`.
    A maximum is that of the samples; what is smaller than `sample_spacing_mm` may fall between them.
    """
    to_part = part.placement @ np.linalg.inv(reference.placement)
    scan_vertices = reference.vertices @ to_part[:3, :3].T + to_part[:3, 3]
    scan_faces = reference.faces.astype(np.int64)
    part_faces = part.faces.astype(np.int64)
    life = 1.0 / part.life_scale

    scan_at, _, scan_area = spread(scan_vertices, scan_faces, samples)
    kept = ~_cut_off(scan_at, part)
    lost_mm, _, _ = _nearest(part.vertices, part_faces, scan_at[kept])
    lost_mm = lost_mm * life

    part_at, sampled, _ = spread(part.vertices, part_faces, samples)
    flat = _flat(part_at, part.planes)
    open_mm = np.full(len(part_at), np.nan)
    invented = np.zeros(len(part_at), bool)
    inner = np.zeros(len(part_at), bool)
    away_mm, hit, nearest = _nearest(scan_vertices, scan_faces, part_at[~flat])
    looks_away = _away(part.vertices, part_faces[sampled[~flat]], scan_vertices, scan_faces[hit])
    on_rim = _on_rim(scan_vertices, scan_faces, hit, nearest)
    invented[~flat] = on_rim & (away_mm * life > covered_within_mm)
    inner[~flat] = looks_away & ~on_rim & (away_mm > THINNEST_WALL_MM)
    open_mm[~flat] = away_mm * life
    open_mm[inner] = np.nan
    moved_mm = open_mm[~(flat | invented | inner)]

    p50, p95, p999 = _percentiles(lost_mm, (50.0, 95.0, 99.9))
    (moved_p95,) = _percentiles(moved_mm, (95.0,))
    return Fidelity(
        scan_to_part_p50_mm=p50,
        scan_to_part_p95_mm=p95,
        scan_to_part_p999_mm=p999,
        scan_to_part_max_mm=_greatest(lost_mm),
        covered_ratio=float((lost_mm <= covered_within_mm).mean()) if len(lost_mm) else np.nan,
        covered_within_mm=covered_within_mm,
        scan_cut_off_ratio=1.0 - float(kept.mean()),
        part_to_scan_p95_mm=moved_p95,
        part_to_scan_max_mm=_greatest(moved_mm),
        part_invented_ratio=float(invented.mean()),
        part_flat_ratio=float(flat.mean()),
        part_inner_ratio=float(inner.mean()),
        sample_spacing_mm=float(np.sqrt(scan_area / samples)) * life,
        points=part_at,
        distances=open_mm,
    )


def at_vertices(part: Part, fidelity: Fidelity) -> Floats:
    """Distance from the scan (n,) at each vertex of the part, that of the nearest sample; for pictures."""
    from scipy.spatial import cKDTree

    _, nearest = cKDTree(fidelity.points).query(part.vertices)
    return np.asarray(fidelity.distances[nearest])


def spread(vertices: Floats, faces: Longs, count: int) -> tuple[Floats, Longs, float]:
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


def _cut_off(points: Floats, part: Part) -> Flags:
    """Which scan points a plane took away: beyond a cut, or beyond a base that the part does not pass."""
    gone = np.zeros(len(points), bool)
    corners = part.vertices[np.unique(part.faces)]
    for plane in part.planes:
        if plane.kind == "cut" or plane.height_of(corners).max() <= ON_PLANE_MM:
            gone |= plane.height_of(points) > -ON_PLANE_MM
    return gone


def _flat(points: Floats, planes: tuple[Plane, ...]) -> Flags:
    """Which part points lie on a flat face made on purpose, or were built on beyond a cut."""
    flat = np.zeros(len(points), bool)
    for plane in planes:
        height = plane.height_of(points)
        flat |= (height > -ON_PLANE_MM) if plane.kind == "cut" else (np.abs(height) < ON_PLANE_MM)
    return flat


def _nearest(vertices: Floats, faces: Longs, points: Floats) -> tuple[Floats, Longs, Floats]:
    """Distance (n,), face (n,) and place (n,3) on the surface that is nearest to each point; exact."""
    if not len(points):
        return np.zeros(0), np.zeros(0, np.int64), np.zeros((0, 3))
    import igl

    tree = igl.AABB()
    tree.init(vertices, faces)
    squared, face, nearest = tree.squared_distance(vertices, faces, np.ascontiguousarray(points))
    return np.sqrt(np.maximum(squared, 0.0)), face, nearest


def _away(vertices: Floats, faces: Longs, other_vertices: Floats, other_faces: Longs) -> Flags:
    """Whether each face (n,3) looks the other way than its partner."""
    ours, theirs = _normals(vertices, faces), _normals(other_vertices, other_faces)
    return np.asarray(np.einsum("ij,ij->i", ours, theirs) < 0.0)


def _normals(vertices: Floats, faces: Longs) -> Floats:
    a, b, c = (vertices[faces[:, i]] for i in range(3))
    return np.cross(b - a, c - a)


def _on_rim(vertices: Floats, faces: Longs, hit: Longs, nearest: Floats) -> Flags:
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


def _percentiles(values: Floats, at: tuple[float, ...]) -> tuple[float, ...]:
    return tuple(float(v) for v in np.percentile(values, at)) if len(values) else (np.nan,) * len(at)


def _greatest(values: Floats) -> float:
    return float(values.max()) if len(values) else np.nan
