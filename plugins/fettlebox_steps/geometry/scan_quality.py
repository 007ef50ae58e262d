"""How good a scan is, in numbers, before anything is done to it.

Every share and every millimetre is of the surface, not of its triangles: the same surface in finer triangles
measures the same, all but `edge_mm` and the counts of what is broken.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numba import njit

from .chords import Coverage, coverage
from .clean import drop_bad_faces, welded
from .facing import turned_outward
from .fitted_noise import noise_mm, residuals
from .gaps import SMALL_PIECE, Gap, gaps
from .pieces import second_layers, survey
from .topology import CROWDED, Flags, Floats, Ints, face_areas, twins

SPIKE_SLOPE = 2.0
"""A vertex is a spike if it stands off the middle of its neighbours by this times their distance from it."""
SPIKE_OVER_NOISE = 6.0
"""And by this times the noise: one in 5e8 of vertices with normal noise does, fewer than a scan has."""
EVENED = 40
"""Places whose deviations are averaged for the picture: their mean is known to an eighth."""
DIGITS = 6


@dataclass(frozen=True)
class Looks:
    """Where the noise was measured: points (k,3), how far each is off, mm, the area that each stands for."""

    points: Floats
    off: Floats
    area: Floats


@dataclass(frozen=True)
class ScanQuality:
    """What was measured. Lengths in mm as the part's numbers have it; ratios are shares from 0 to 1.

    covered_ratio     share of the closed surface that is there, judged from all directions
    closed_ratio      the same from the rims: surface over surface and what its gaps lack
    rim_area_ratio    holes (gaps that are no opening) over the whole surface
    loose_ratio       area of pieces beside the largest that are no closed bodies
    doubled_ratio     area that lies along other surface as a second layer
    broken_ratio      edges with more than two faces, or with faces that pass through each other's winding
    turned_ratio      faces that look the other way than their neighbours, or inward
    """

    coverage: Coverage
    gaps: list[Gap]
    area_mm2: float
    longest_mm: float
    noise_mm: float
    edge_mm: float
    pieces: int
    largest_ratio: float
    loose_ratio: float
    doubled_ratio: float
    broken_ratio: float
    turned_ratio: float
    spikes: int
    vertices: int
    spike_points: Floats = field(repr=False, default_factory=lambda: np.zeros((0, 3)))
    looked_at: Looks | None = field(repr=False, default=None)

    @property
    def holes(self) -> list[Gap]:
        return [gap for gap in self.gaps if not gap.opening]

    @property
    def hole_area_mm2(self) -> float:
        return sum(gap.area_mm2 for gap in self.holes)

    @property
    def hole_ratio(self) -> float:
        return self.hole_area_mm2 / (self.area_mm2 + self.hole_area_mm2) if self.area_mm2 > 0 else 0.0

    @property
    def missing_mm2(self) -> float:
        return sum(gap.area_mm2 for gap in self.gaps)

    @property
    def closed_ratio(self) -> float:
        return self.area_mm2 / (self.area_mm2 + self.missing_mm2) if self.area_mm2 > 0 else 0.0

    @property
    def noise_ratio(self) -> float:
        return self.noise_mm / self.longest_mm if self.longest_mm > 0 else 0.0

    @property
    def edge_ratio(self) -> float:
        return self.edge_mm / self.longest_mm if self.longest_mm > 0 else 1.0

    @property
    def spike_ratio(self) -> float:
        return self.spikes / self.vertices if self.vertices else 0.0

    def facts(self) -> dict[str, Any]:
        """JSON values, rounded to what is meant, so that the same scan gives the same text everywhere."""
        return {
            "covered_ratio": _plain(self.coverage.covered),
            "closed_surface_ratio": _plain(self.closed_ratio),
            "frontal_from_side_ratio": {k: _plain(v) for k, v in self.coverage.from_side.items()},
            "missing_area_mm2": _plain(self.missing_mm2),
            "openings": len(self.gaps) - len(self.holes),
            "opening_lid_area_mm2": _plain(sum(gap.lid_mm2 for gap in self.gaps if gap.opening)),
            "holes": len(self.holes),
            "hole_area_mm2": _plain(self.hole_area_mm2),
            "largest_hole_area_mm2": _plain(max((gap.area_mm2 for gap in self.holes), default=0.0)),
            "hole_ratio": _plain(self.hole_ratio),
            "noise_mm": _plain(self.noise_mm),
            "noise_ratio": _plain(self.noise_ratio),
            "median_edge_mm": _plain(self.edge_mm),
            "median_edge_ratio": _plain(self.edge_ratio),
            "pieces": self.pieces,
            "largest_piece_ratio": _plain(self.largest_ratio),
            "loose_ratio": _plain(self.loose_ratio),
            "doubled_ratio": _plain(self.doubled_ratio),
            "non_manifold_edge_ratio": _plain(self.broken_ratio),
            "turned_face_ratio": _plain(self.turned_ratio),
            "spikes": self.spikes,
            "area_mm2": _plain(self.area_mm2),
            "longest_mm": _plain(self.longest_mm),
        }


def measure_scan(vertices: Floats, faces: Ints) -> ScanQuality:
    """Measure a surface (n,3) float64 mm, (m,3) integers, whatever state it is in."""
    points, named = welded(vertices, faces)
    raw = drop_bad_faces(named)[0].astype(np.int64)
    if not len(raw):
        nothing = Coverage(0.0, {})
        return ScanQuality(nothing, [], 0.0, 0.0, 0.0, 0.0, 0, 0.0, 0.0, 0.0, 0.0, 0.0, 0, 0)
    outward, turned, _ = turned_outward(points, raw)
    pieces = survey(points, outward)
    doubled = second_layers(points, outward, pieces)
    loose = ~pieces.closed & ~doubled
    loose[0] = False
    subject = outward[(pieces.share >= SMALL_PIECE)[pieces.label]]
    subject = subject if len(subject) else outward
    chosen, off, area = residuals(points, subject)
    noise = noise_mm(off, area)
    spiky = spikes(points, outward, noise)
    corners = points[subject]
    sides = np.linalg.norm(corners - corners[:, [1, 2, 0]], axis=2)
    return ScanQuality(
        coverage=coverage(points, subject),
        gaps=gaps(points, outward),
        area_mm2=float(face_areas(points, subject).sum()),
        longest_mm=float(np.ptp(corners.reshape(-1, 3), axis=0).max()),
        noise_mm=noise,
        edge_mm=float(np.median(sides)),
        pieces=pieces.count,
        largest_ratio=float(pieces.share[0]),
        loose_ratio=float(pieces.share[loose].sum()),
        doubled_ratio=float(pieces.share[doubled].sum()),
        broken_ratio=float((twins(outward, len(points)) == CROWDED).mean()),
        turned_ratio=turned / len(outward),
        spikes=int(spiky.sum()),
        vertices=len(points),
        spike_points=points[spiky],
        looked_at=Looks(points[chosen], off, area),
    )


def spikes(vertices: Floats, faces: Ints, noise: float) -> Flags:
    """(n,) vertices that stick out of their ring of neighbours like needles."""
    middle, reach = _rings(vertices, faces)
    off = np.linalg.norm(vertices - middle, axis=1)
    rim = np.zeros(len(vertices), bool)
    alone = np.flatnonzero(twins(faces, len(vertices)) < 0)
    rim[faces[alone // 3, alone % 3]] = True
    rim[faces[alone // 3, (alone % 3 + 1) % 3]] = True
    return np.asarray(~rim & (off > SPIKE_SLOPE * reach) & (off > SPIKE_OVER_NOISE * noise))


@njit(cache=True)
def _rings(vertices, faces):
    """The middle (n,3) of each vertex's neighbours, and their mean distance from it (n,), a vote a face;
    infinite for a vertex that no face uses.
    """
    middle, reach = np.zeros((len(vertices), 3)), np.zeros(len(vertices))
    count = np.zeros(len(vertices))
    for f in range(len(faces)):
        for k in range(3):
            v = faces[f, k]
            count[v] += 2
            for i in range(3):
                middle[v, i] += vertices[faces[f, (k + 1) % 3], i] + vertices[faces[f, (k + 2) % 3], i]
    for v in range(len(vertices)):
        if count[v] > 0:
            middle[v] /= count[v]
    for f in range(len(faces)):
        for k in range(3):
            v = faces[f, k]
            for other in range(1, 3):
                away = vertices[faces[f, (k + other) % 3]] - middle[v]
                reach[v] += np.sqrt(away[0] * away[0] + away[1] * away[1] + away[2] * away[2])
    return middle, np.where(count > 0, reach / np.maximum(count, 1), np.inf)


def grain_map(quality: ScanQuality, at: Floats) -> Floats:
    """For a picture: the noise around each of the points (k,3), mm; NaN where nothing is known.

    It is evened out where it was measured; every point takes what is nearest to it.
    """
    from scipy.spatial import cKDTree

    looks = quality.looked_at
    if looks is None or not len(looks.points):
        return np.full(len(at), np.nan)
    tree = cKDTree(looks.points)
    around = min(EVENED, len(looks.points))
    near = np.asarray(tree.query(looks.points, around)[1]).reshape(-1, around)
    weight = np.maximum(looks.area[near], 1e-300)
    # Mean absolute deviation of a normal distribution is √(2/π) of its standard deviation.
    even = (looks.off[near] * weight).sum(axis=1) / weight.sum(axis=1) * np.sqrt(np.pi / 2)
    return np.asarray(even[tree.query(at)[1]])


def _plain(value: float) -> float:
    return float(f"{value:.{DIGITS}g}")
