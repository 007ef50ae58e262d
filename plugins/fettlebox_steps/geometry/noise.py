"""How grainy a surface is, in millimetres."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

TO_DEVIATION = 1.4826
"""Standard deviation over median absolute deviation of a normal distribution, 1/Φ⁻¹(3/4)."""


def weighted_median(values: Floats, weights: Floats) -> float:
    """The value (of values (n,)) that half of the weight (n,) lies below."""
    order = np.argsort(values, kind="stable")
    reached = np.cumsum(weights[order])
    if not len(reached) or reached[-1] <= 0:
        return 0.0
    return float(values[order][np.searchsorted(reached, reached[-1] / 2.0)])


def grain_mm(residual: Floats, areas: Floats) -> float:
    """Standard deviation of the grain, robustly: 1.4826 times the median absolute residual.

    residual (n,): how far each vertex stands off the surface without its fine part, along the normal;
    areas (n,): the surface each vertex stands for. Features, being rare, hardly move a median
    (F. Hampel, "The influence curve and its role in robust estimation", 1974).
    """
    return TO_DEVIATION * weighted_median(np.abs(residual), areas)
