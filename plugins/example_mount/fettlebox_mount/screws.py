"""Metric screws, their clearance holes and their heads.

Clearance holes: ISO 273:1979, "Fasteners; clearance holes for bolts and screws", series fine, medium, coarse.
Heads: ISO 4762, "Hexagon socket head cap screws": `dk` max. of knurled heads, `k` max. = the screw's size.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Size = Literal["M2", "M2.5", "M3", "M4", "M5", "M6", "M8", "M10", "M12"]
Play = Literal["fine", "medium", "coarse"]


@dataclass(frozen=True)
class Screw:
    """Lengths in mm. `hole_mm`: diameter of the clearance hole by series."""

    size_mm: float
    hole_mm: dict[Play, float]
    head_mm: float
    head_height_mm: float

    def recess_mm(self, play: Play) -> float:
        """Diameter of a recess for the head: the head has the play in it that the shank has in its hole."""
        return self.head_mm + self.hole_mm[play] - self.size_mm


def _screw(size_mm: float, fine: float, medium: float, coarse: float, head_mm: float) -> Screw:
    return Screw(size_mm, {"fine": fine, "medium": medium, "coarse": coarse}, head_mm, size_mm)


SCREWS: dict[Size, Screw] = {
    "M2": _screw(2.0, 2.2, 2.4, 2.6, 3.98),
    "M2.5": _screw(2.5, 2.7, 2.9, 3.1, 4.68),
    "M3": _screw(3.0, 3.2, 3.4, 3.6, 5.68),
    "M4": _screw(4.0, 4.3, 4.5, 4.8, 7.22),
    "M5": _screw(5.0, 5.3, 5.5, 5.8, 8.72),
    "M6": _screw(6.0, 6.4, 6.6, 7.0, 10.22),
    "M8": _screw(8.0, 8.4, 9.0, 10.0, 13.27),
    "M10": _screw(10.0, 10.5, 11.0, 12.0, 16.27),
    "M12": _screw(12.0, 13.0, 13.5, 14.5, 18.27),
}
