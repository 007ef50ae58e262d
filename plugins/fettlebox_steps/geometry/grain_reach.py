"""Whether what is fine on a surface is a scanner's noise, and over how many edges its errors go together."""

from __future__ import annotations

import numpy as np

from .smoothing import BROAD, FINEST_SHARE, NARROW, STEEP, Fine, deviation
from .spectral import filtered, keeps_longer_than

SQRT_HALF = 0.5**0.5
"""Root mean square of a flat triangle whose corners err independently by one, over its area."""

EACH_FOR_ITSELF = 0.9
"""Share of the fine part that independent errors explain, from which on nothing is looked for. Planted ones
explain 0.9 to 1.5 of it, depending on how even the triangles are."""

EVEN_AT = 1.1
"""Noise whose errors go together over some triangles is even again in waves that are long beside that: there,
independent errors explain as much as this or more, 1.3 to 1.9 in twice the length. Form and texture gain
slowly with length: 0.2 to 0.5 on clean heads and figurines, 0.5 to 0.75 on a raw scan of a carved face."""

LEAST_SHARES = (0.3, 0.8)
"""Shares that such noise has in the finest length and in 1.4 times it: 0.37 and 0.94 in triangles of half the
size. Ripples of one length have 0.02 and 0.5 where they seem even in twice the length."""

LENGTHS = (2.0**0.5, 2.0)
"""Multiples of the finest length that are looked at; the longest is as far as the broad part reaches."""

LONGER_WAVES = 1.06
"""Deviation of even noise over that in waves under seven edges: a ninth of its variance is longer."""


def explained_share(fine: Fine) -> float:
    """What independent errors of the points explain of the fine part, as a share; 0 where there is none."""
    return fine.points_err_mm * SQRT_HALF / fine.grain_mm if fine.grain_mm > 0 else 0.0


def reach(fine: Fine) -> float:
    """Over how many edges errors go together, from 1 to 2; 1 too where that cannot be told.

    A scan that was laid out anew in smaller triangles has its noise at the length of the old ones. In waves
    that are short for it there is less noise than there would be in even noise, in longer ones as much. So
    the finest length is made longer until the shorter half of the waves below it has its share.
    """
    share, length = explained_share(fine), 1.0
    if share >= EACH_FOR_ITSELF:
        return 1.0
    for longer, least in zip(LENGTHS, LEAST_SHARES, strict=True):
        if share < least:
            return 1.0
        wider = _explained_below(fine, longer)
        if wider >= EVEN_AT:
            part = (EVEN_AT - share) / (wider - share)
            return float(length * (longer / length) ** part)
        share, length = wider, longer
    return 1.0


def noise_mm(fine: Fine) -> float:
    """Deviation over the surface of the noise, if the fine part is noise; else more than that, mm."""
    return LONGER_WAVES * fine.grain_mm


def _explained_below(fine: Fine, longer: float) -> float:
    """The share for a finest length so many times longer."""
    length_mm = longer * fine.finest_mm
    shorter = fine.broad - _kept(fine, length_mm * NARROW, STEEP)
    below_mm = fine.broad_mm
    if longer < BROAD:
        below_mm = deviation(fine.broad - _kept(fine, length_mm, 2), fine.faces, fine.areas)
    err_mm = deviation(shorter, fine.faces, fine.areas) / FINEST_SHARE
    return err_mm * SQRT_HALF / below_mm if below_mm > 0 else 0.0


def _kept(fine: Fine, length_mm: float, steepness: int) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    return np.asarray(
        filtered(fine.broad[:, None], fine.operator, keeps_longer_than(length_mm, steepness))[:, 0]
    )
