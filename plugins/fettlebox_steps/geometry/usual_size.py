"""How usual a size is for a subject, and what that says about the unit of a file without one.

Numbers in, numbers out; lengths in mm.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True)
class SizeBand:
    """Sizes that are all equally usual, with tails that fall off as a bell over the logarithm of the size.

    tail_below, tail_above   standard deviation of the tails, in natural logarithms (0.1 is about 10 %)
    """

    low_mm: float
    high_mm: float
    tail_below: float
    tail_above: float

    def usual(self, size_mm: float) -> float:
        """From 1 (inside the band) towards 0 (never seen)."""
        if not size_mm > 0.0:
            return 0.0
        if size_mm < self.low_mm:
            off = math.log(self.low_mm / size_mm) / self.tail_below
        elif size_mm > self.high_mm:
            off = math.log(size_mm / self.high_mm) / self.tail_above
        else:
            return 1.0
        return math.exp(-0.5 * off * off)


LIFE_SIZE_HEAD = SizeBand(165.0, 510.0, tail_below=0.15, tail_above=0.10)
"""Largest extent of a scan of a head in life size, from a face alone to a bust with both shoulders.

Low end: 165 mm, the 5th percentile of women's head length, glabella to occiput (S. Pheasant, C. Haslegrave,
"Bodyspace", British adults 19-65: women 165/180/190 mm, men 180/195/205 mm); a face from chin to hairline is
about as tall as the head is long, so a face alone is hardly smaller. The tail of 15 % below lets in
children and masks that were trimmed.
High end: 510 mm, men's shoulder breadth at the 95th percentile (same table; value from memory). Busts are
rarely taller than the shoulders are wide, so the tail above is short."""

FIGURINE = SizeBand(50.0, 200.0, tail_below=0.5, tail_above=0.5)
"""Largest extent of a figurine (common practice, no published source): most are 5 to 20 cm. Gaming figures of
28 mm and statuettes of half a metre are rarer, not absurd, so the tails are wide."""

UNIT_MM: Mapping[str, float] = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4}

UNIT_SHARE: Mapping[str, float] = {"mm": 0.60, "m": 0.20, "cm": 0.12, "in": 0.08}
"""How often scans without a declared unit come in each (common practice, no published source): scanners for
parts and heads write mm, phones and photogrammetry m, tools for animation cm, some shops inches."""

NONE_SHARE = 0.005
"""Share of files in none of these units (photogrammetry without a scale). Small against the rarest unit,
so that a usual size decides; large against a size out of every band, so that a poor best fit never wins."""


def height_band(height_mm: float) -> SizeBand:
    """The band of a subject whose height is known as people measure: to some five per cent."""
    return SizeBand(height_mm * 0.95, height_mm * 1.05, tail_below=0.05, tail_above=0.05)


def unit_posterior(sizes: tuple[float, ...], band: SizeBand) -> dict[str, float]:
    """Probability of each unit, and of `none` of them, for a mesh with the given extents in file numbers.

    Bayes' rule with UNIT_SHARE as the prior and the band as the likelihood. Of several extents the most
    usual one counts: with a height alone, any of the three may be the upright one.
    """
    weights = {
        unit: UNIT_SHARE[unit] * max(band.usual(size * mm) for size in sizes) for unit, mm in UNIT_MM.items()
    }
    weights["none"] = NONE_SHARE
    total = sum(weights.values())
    return {unit: weight / total for unit, weight in weights.items()}
