"""Where a surface has gaps: its rims, and how much surface each of them lacks."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .clean import make_manifold
from .fitted_noise import calm_normals
from .loops import OPENING_SHARE
from .topology import Floats, Ints, boundary_loops, components, face_areas, vector_area

SMALL_PIECE = 0.005
"""Rims of pieces under this share of the area are those of debris, not gaps in the subject."""
FLATTEST = -0.9
"""Least cosine between rim and lid: a nearly flat sheet lacks at most twenty times its lid, not infinity."""


@dataclass(frozen=True)
class Gap:
    """One rim. points (k,3) along it; out (3,) unit vector out of the gap.

    lid_mm2  area of the flat lid; area_mm2  surface that is missing, if it goes on as it bends at the rim
    opening  wide enough to be where the scan ends, not a hole in it
    """

    points: Floats
    out: Floats
    lid_mm2: float
    area_mm2: float
    opening: bool


def gaps(vertices: Floats, faces: Ints) -> list[Gap]:
    """Gaps of a consistently wound surface (n,3), (m,3), widest first."""
    if not len(faces):
        return []
    vertices, faces, _ = make_manifold(vertices, faces)
    count, label = components(faces, len(vertices))
    share = np.bincount(label, face_areas(vertices, faces), count)
    total = float(share.sum())
    if total <= 0:
        return []
    faces = faces[(share >= SMALL_PIECE * total)[label]]
    normal, _ = calm_normals(vertices, faces)
    found = [_gap(vertices[loop], normal[loop], total) for loop in boundary_loops(faces, len(vertices))]
    return sorted(found, key=lambda gap: -gap.lid_mm2)


def _gap(points: Floats, normals: Floats, total_mm2: float) -> Gap:
    """After a sphere: a cap whose rim leans by an angle a from its lid has 2 / (1 + cos a) the lid's area
    (mensuration); what is missing bends on as its rim does, near enough.
    """
    vector = -vector_area(points)
    lid = float(np.linalg.norm(vector))
    out = vector / lid if lid > 0 else np.zeros(3)
    span = np.linalg.norm(points - np.roll(points, 1, axis=0), axis=1)
    weight = span + np.roll(span, -1)
    lean = float((normals @ out * weight).sum() / weight.sum()) if weight.sum() > 0 else 1.0
    area = lid * 2.0 / (1.0 + max(lean, FLATTEST))
    return Gap(points, out, lid, area, lid >= OPENING_SHARE * total_mm2)
