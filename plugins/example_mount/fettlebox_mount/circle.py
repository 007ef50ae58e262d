"""Where the screws go: the smallest circle on which every screw can be reached from above."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

DIRECTIONS = 720
"""Directions in which the part is looked at: half a degree is less than a drill's play in the hand."""

WHOLE_MM = 1.0
"""A bolt circle's diameter is a whole number of these, which can be set with a ruler."""


@dataclass(frozen=True)
class BoltCircle:
    """centre (2,), mm; first_deg: the first hole's direction, from +X towards +Y; clear_mm: from the edge of
    the nearest head to the part.
    """

    centre: Floats
    diameter_mm: float
    first_deg: float
    count: int
    clear_mm: float

    def holes(self) -> Floats:
        """(count, 2) the holes' middles, mm."""
        angles = np.deg2rad(self.first_deg) + np.arange(self.count) * 2 * np.pi / self.count
        ring = np.stack([np.cos(angles), np.sin(angles)], axis=1)
        return np.asarray(self.centre + 0.5 * self.diameter_mm * ring, np.float64)


def least_for_spacing(count: int, apart_mm: float) -> float:
    """Diameter of the circle on which neighbours of `count` holes are `apart_mm` apart: a chord's length."""
    return apart_mm / math.sin(math.pi / count)


def reaches(shadow: Any, centre: Floats, around_mm: float, directions: int) -> Floats:
    """(directions,) how far out a screw has to be, mm, to keep `around_mm` between its axis and the shadow.

    shadow   a shapely geometry: where the part is in the way of screw heads and keys
    """
    import shapely
    from shapely.geometry import LineString

    wide = shapely.buffer(shadow, around_mm, quad_segs=32)
    far = 2.0 * (np.abs(np.asarray(wide.bounds).reshape(2, 2) - centre).max() + 1.0)
    angles = np.arange(directions) * 2 * np.pi / directions
    ends = centre + far * np.stack([np.cos(angles), np.sin(angles)], axis=1)
    rays = [LineString([centre, end]) for end in ends]
    met = shapely.intersection(np.asarray(rays), wide)
    return np.array(
        [
            np.linalg.norm(shapely.get_coordinates(one) - centre, axis=1).max() if not one.is_empty else 0.0
            for one in met
        ]
    )


def bolt_circle(
    shadow: Any,
    centre: Floats,
    count: int,
    head_mm: float,
    gap_mm: float,
    apart_mm: float,
    diameter_mm: float | None = None,
    first_deg: float | None = None,
) -> BoltCircle:
    """The smallest bolt circle, or the asked one turned until its screws are clear of the part.

    head_mm   diameter of a head; `gap_mm` has to stay free around it, `apart_mm` between holes' middles

    Raises ValueError with a sentence if the asked circle is too small; it says what would do.
    """
    import shapely

    per_hole = -(-DIRECTIONS // count)
    keep_mm = 0.5 * head_mm + gap_mm
    out_mm = reaches(shadow, centre, keep_mm, per_hole * count).reshape(count, per_hole).max(axis=0)
    steps_deg = np.arange(per_hole) * 360.0 / (per_hole * count)
    if first_deg is not None:
        turned = first_deg % (360.0 / count)
        pick = int(np.abs(steps_deg - turned).argmin())
    else:
        turned, pick = float(steps_deg[out_mm.argmin()]), int(out_mm.argmin())
    least = max(2.0 * float(out_mm[pick]), least_for_spacing(count, apart_mm))
    least = WHOLE_MM * math.ceil(least / WHOLE_MM - 1e-9)
    if diameter_mm is not None and diameter_mm < least:
        raise ValueError(
            f"a bolt circle of {diameter_mm:g} mm is too small: the part or the next head would be in the "
            f"way of a screw; {least:g} mm would do"
        )
    made = BoltCircle(centre, diameter_mm or least, turned, count, 0.0)
    while True:  # the exact distance, since directions were sampled
        clear_mm = float(shapely.distance(shadow, shapely.points(made.holes())).min()) - 0.5 * head_mm
        if clear_mm >= gap_mm - 1e-6:
            return BoltCircle(centre, made.diameter_mm, turned, count, clear_mm)
        if diameter_mm is not None:
            raise ValueError(
                f"a bolt circle of {diameter_mm:g} mm leaves only {clear_mm:.2g} mm beside a head"
            )
        made = BoltCircle(centre, made.diameter_mm + WHOLE_MM, turned, count, 0.0)
