"""What standing on each of several faces would cost: support, height, firmness, scars on what one sees."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .cut_search import coarse_copy
from .measures import Faces, Floats, area_vectors
from .resting import Rest
from .support_columns import OVERHANG_COSINE, Solid, evaluate
from .topology import used_vertices

COLUMNS_ACROSS = 200
"""Columns along the diagonal: support to a few percent, which is nearer than weights are."""

FIRM_DEG = 45.0
"""A part that stands this much lean is as firm as any (our judgement)."""


@dataclass(frozen=True)
class Cost:
    """What one stance costs. The `share`s are from 0, best, to 1, and can be weighed against each other.

    support_mm3    under what leans out by more than 45 degrees
    height_mm      of the part as it stands
    tips_deg       lean at which it tips
    support_share  of the part's own volume, at most 1
    height_share   of the part's diagonal
    unsteady_share 0 for what stands FIRM_DEG, 1 for what tips by itself
    scarred_share  of the area that is seen from the front: what stands on support or on the bed
    """

    support_mm3: float
    height_mm: float
    tips_deg: float
    support_share: float
    height_share: float
    unsteady_share: float
    scarred_share: float


def stance_costs(vertices: Floats, faces: Faces, rests: list[Rest], front: Floats) -> list[Cost]:
    """The cost of each stance of a closed surface; `front` (3,) is where the side that is seen looks to."""
    if not rests:
        return []
    coarse = Solid.of(*coarse_copy(vertices, faces))
    span_mm = float(np.linalg.norm(np.ptp(vertices, axis=0)))
    ups = np.array([-rest.normal for rest in rests])
    along = vertices[used_vertices(faces, len(vertices))] @ ups.T
    low, high = along.min(axis=0), along.max(axis=0)
    # Two heights, so that they have a spacing; the lower one is the bed, a hair down so that all is above it.
    heights = low[:, None] - 1e-6 * span_mm + np.array([0.0, 0.5]) * (high - low)[:, None]
    support = evaluate(coarse, ups, heights, span_mm / COLUMNS_ACROSS).support_mm3[:, 0]
    volume = max(coarse.volume_mm3, 1e-9)
    tips = [float(np.degrees(np.arctan2(rest.margin, max(rest.centre_height, 1e-9)))) for rest in rests]
    scars = _scarred(vertices, faces, ups, front)
    return [
        Cost(
            float(support[k]),
            float(high[k] - low[k]),
            tips[k],
            min(1.0, float(support[k]) / volume),
            float(high[k] - low[k]) / span_mm,
            1.0 - min(max(tips[k], 0.0), FIRM_DEG) / FIRM_DEG,
            float(scars[k]),
        )
        for k in range(len(rests))
    ]


def _scarred(vertices: Floats, faces: Faces, ups: Floats, front: Floats) -> NDArray[np.float64]:
    """(n,) share of what is seen from the front, by area as seen, that looks down too far to print clean."""
    vectors = area_vectors(vertices, faces)
    length = np.linalg.norm(vectors, axis=1)
    normals = vectors / np.where(length > 0, length, 1.0)[:, None]
    seen = np.maximum(vectors @ front, 0.0)
    whole = float(seen.sum()) or 1.0
    return np.array([float(seen[normals @ up < -OVERHANG_COSINE].sum()) / whole for up in ups])
