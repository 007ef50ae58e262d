"""How safely a part stands while it grows: its height against its foot, and what the foot holds on with."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from .measures import volume_and_centroid
from .resting import rest_on

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]

FLAT_WITHIN_MM = 0.02
"""What is this near to the bed lies on it: a tenth of an everyday layer (common practice)."""

SLENDER = (4.0, 8.0)
TIPS_BELOW_DEG = (12.0, 5.0)
"""From where a part is at some risk, and at high risk: its height over the narrowest width of its foot, and
the lean at which it would tip. Our judgement; rules of the trade put the line at 5 to 10 times the width."""

Risk = Literal["low", "some", "high"]


@dataclass(frozen=True, eq=False)
class Stance:
    """How a part stands on the bed.

    width_mm        of its foot, the convex hull of what touches the bed, where it is narrowest
    contact_mm2     of faces flat on the bed
    centre_mm       (3,) centre of mass, from the bed upwards
    margin_mm       from below the centre of mass to the edge of the foot; negative: it topples
    tips_beyond_deg the lean at which the centre of mass is over that edge
    slenderness     height over width
    """

    height_mm: float
    width_mm: float
    contact_mm2: float
    centre_mm: Floats
    margin_mm: float
    tips_beyond_deg: float
    slenderness: float
    risk: Risk


def stance(vertices: Floats, faces: Ints) -> Stance:
    """How a closed part stands as it is, on its lowest points."""
    mask = np.zeros(len(vertices), np.bool_)
    mask[faces] = True
    used = vertices[mask]
    low, high = float(used[:, 2].min()), float(used[:, 2].max())
    _, centre = volume_and_centroid(vertices, faces)
    rest = rest_on(vertices, faces, np.array([0.0, 0.0, -1.0]), -low, centre, FLAT_WITHIN_MM)
    width = narrowest(used[used[:, 2] <= low + FLAT_WITHIN_MM, :2])
    margin = rest.margin if np.isfinite(rest.margin) else -width
    tips = float(np.degrees(np.arctan2(margin, max(rest.centre_height, 1e-9))))
    slender = (high - low) / width if width > 0 else float("inf")
    middle = np.array([centre[0], centre[1], centre[2] - low])
    return Stance(
        high - low, width, rest.contact_area, middle, margin, tips, slender,
        _risk(rest.contact_area, slender, tips),
    )  # fmt: skip


def narrowest(points: Floats) -> float:
    """Least width of the convex hull of points (k,2): it is reached square to one of its sides."""
    from scipy.spatial import ConvexHull, QhullError

    if len(points) < 3:
        return 0.0
    try:
        hull = ConvexHull(points)
    except QhullError:
        return 0.0
    reach = hull.equations[:, :2] @ points[hull.vertices].T + hull.equations[:, 2:]
    return float(-reach.min(axis=1).max())


def _risk(contact_mm2: float, slenderness: float, tips_deg: float) -> Risk:
    if contact_mm2 <= 0 or slenderness > SLENDER[1] or tips_deg < TIPS_BELOW_DEG[1]:
        return "high"
    if slenderness > SLENDER[0] or tips_deg < TIPS_BELOW_DEG[0]:
        return "some"
    return "low"
