"""How far the surface of a part is from the surface of its scan, in life-size millimetres.

Both ways, because each is blind to what the other sees: from the scan to the part finds what was lost
(an ear, a filled fold), from the part to the scan finds what was moved or added. Some differences are
wanted and stay out of the distances, but never out of the record: their shares are facts as well.

cut off    scan beyond a cut plane, or beyond a base plane that the part does not pass
flat       part surface on a base or a cut, or built on beyond a cut
invented   part surface with no scan under it, as closing makes it
inner      the inside of a hollow, or of a pocket so deep that it sees nothing but the part

The last two are told from surface that was moved by going there and back: the scan that is nearest to them
lies on another piece of the part, much nearer than they are. They are on the far side of the scan's rim, or
behind the scan; what sticks out in front of it (a spike) is a fault and counts.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from .part import Floats, Part, Plane
from .surfaces import Flags, Longs, Surface, dot, enclosed, on_rim, spread

SAMPLES = 40_000
"""Each way. The share of a surface is then known to 0.1 % or so; twice as many cost twice the time."""

COVERED_WITHIN_MM = 0.2
"""A layer of an everyday print: what is nearer than this cannot be told apart on it (common practice)."""

ON_PLANE_MM = 0.05
"""Life-size, a quarter of a layer: far above the rounding of coordinates, below anything that shows."""


FACT_DIGITS = 6
"""A millionth of a millimetre: what is below is rounding, and differs from one processor to the next."""

SAMPLED = ("points", "faces", "distances", "invented")


@dataclass(frozen=True, eq=False)
class Fidelity:
    """Distances in life-size mm; NaN where there was nothing left to compare. Shares are of area, 0 to 1.

    points     (n,3) where the part was sampled, in part coordinates, each for the same area
    faces      (n,) the triangle of each point
    distances  (n,) from each to the scan, life-size mm; NaN where the part is flat, inner or invented
    invented   (n,) whether each has no scan under it
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
    faces: Longs = field(repr=False, default_factory=lambda: np.zeros(0, np.int64))
    distances: Floats = field(repr=False, default_factory=lambda: np.zeros(0))
    invented: Flags = field(repr=False, default_factory=lambda: np.zeros(0, bool))

    def as_facts(self) -> Mapping[str, Any]:
        """Plain JSON values in a fixed order; null where nothing was left to compare."""
        names = [name for name in self.__dataclass_fields__ if name not in SAMPLED]
        values = {name: float(getattr(self, name)) for name in names}
        return {name: round(v, FACT_DIGITS) + 0.0 if np.isfinite(v) else None for name, v in values.items()}


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
    life = 1.0 / part.life_scale
    on_plane_mm = ON_PLANE_MM * part.life_scale

    scan_at, _, scan_area = spread(scan_vertices, reference.faces, samples)
    part_at, part_face, _ = spread(part.vertices, part.faces, samples)
    scan, made = Surface(scan_vertices, reference.faces), Surface(part.vertices, part.faces)

    kept = ~_cut_off(scan_at, part, on_plane_mm)
    lost_mm = made.nearest(scan_at[kept])[0] * life

    flat = _flat(part_at, part.planes, on_plane_mm)
    open_mm, hit, foot = scan.nearest(part_at[~flat])
    far = np.flatnonzero(open_mm * life > covered_within_mm)
    back_mm, _, _ = made.nearest(foot[far])
    far = far[back_mm < open_mm[far] / 2.0]
    where = np.flatnonzero(~flat)[far]
    ours = made.normals(part_face[where])
    theirs = scan.normals(hit[far])
    behind = dot(part_at[where] - foot[far], theirs) < 0.0
    rim = on_rim(scan, hit[far], foot[far])
    hidden = behind & ~rim & (dot(ours, theirs) < 0.0)
    hidden[hidden] = enclosed(made, part_at[where[hidden]], ours[hidden])

    inner, invented = np.zeros(len(part_at), bool), np.zeros(len(part_at), bool)
    inner[where[hidden]] = True
    invented[where[(rim | behind) & ~hidden]] = True
    away_mm = np.full(len(part_at), np.nan)
    away_mm[~flat] = open_mm * life
    away_mm[inner | invented] = np.nan
    moved_mm = away_mm[np.isfinite(away_mm)]

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
        faces=part_face,
        distances=away_mm,
        invented=invented,
    )


def by_face(part: Part, fidelity: Fidelity) -> tuple[Floats, Flags]:
    """For pictures: mean distance from the scan (m,) of each face, and whether it is invented (m,).

    A face without a sample of its own takes the nearest. NaN where most of a face was not compared.
    """
    from .cells import nearest_of
    from .nearest import doubled_areas

    count = np.bincount(fidelity.faces, minlength=len(part.faces))
    compared = np.isfinite(fidelity.distances)

    def total(values: Floats | Flags) -> Floats:
        summed = np.bincount(fidelity.faces, weights=values, minlength=len(part.faces))
        return np.asarray(summed, dtype=np.float64)

    known = total(compared)
    with np.errstate(invalid="ignore", divide="ignore"):
        distance = total(np.where(compared, fidelity.distances, 0.0)) / np.where(
            2 * known >= count, known, np.nan
        )
    invented = 2 * total(fidelity.invented) > count
    bare = np.flatnonzero(count == 0)
    middles = part.vertices[part.faces[bare]].mean(axis=1)
    spacing = float(np.sqrt(doubled_areas(part.vertices, part.faces).sum() / 2.0 / len(fidelity.points)))
    nearest = nearest_of(fidelity.points, middles, spacing)
    distance[bare], invented[bare] = fidelity.distances[nearest], fidelity.invented[nearest]
    return distance, invented


def _cut_off(points: Floats, part: Part, on_plane_mm: float) -> Flags:
    """Which scan points a plane took away: beyond a cut, or beyond a base that the part does not pass."""
    gone = np.zeros(len(points), bool)
    corners = part.vertices[np.unique(part.faces)]
    for plane in part.planes:
        if plane.kind == "cut" or plane.height_of(corners).max() <= on_plane_mm:
            gone |= plane.height_of(points) > -on_plane_mm
    return gone


def _flat(points: Floats, planes: tuple[Plane, ...], on_plane_mm: float) -> Flags:
    """Which part points lie on a flat face made on purpose, or were built on beyond a cut."""
    flat = np.zeros(len(points), bool)
    for plane in planes:
        height = plane.height_of(points)
        flat |= (height > -on_plane_mm) if plane.kind == "cut" else (np.abs(height) < on_plane_mm)
    return flat


def _percentiles(values: Floats, at: tuple[float, ...]) -> tuple[float, ...]:
    return tuple(float(v) for v in np.percentile(values, at)) if len(values) else (np.nan,) * len(at)


def _greatest(values: Floats) -> float:
    return float(values.max()) if len(values) else np.nan
