"""How grainy a surface is, in millimetres."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

Floats = NDArray[np.float64]

TO_DEVIATION = 1.4826
"""Standard deviation over median absolute deviation of a normal distribution, 1/Φ⁻¹(3/4)."""

KEPT_BITS = 16
"""Values are told apart by sign, exponent and four digits first, to 6 %; only those at the quantile are
sorted."""


def weighted_median(values: Floats, weights: Floats) -> float:
    """The value (of values (n,)) that half of the weight (n,) lies below."""
    return weighted_quantile(values, weights, 0.5)


def weighted_quantile(values: Floats, weights: Floats, share: float) -> float:
    """The value (of values (n,)) that this share of the weight lies below; 0 where nothing weighs.

    weights: (n,), or (m,) with n a multiple of m: as many values in a row have one weight.
    """
    values = np.ascontiguousarray(values, dtype=np.float64)
    if not len(values):
        return 0.0
    each = len(values) // len(weights)
    rank = _ranks(values.view(np.int64))
    heaps = _heaps(rank, weights, each)
    reached = np.cumsum(heaps)
    if reached[-1] <= 0:
        return 0.0
    aim = share * reached[-1]
    heap = int(np.searchsorted(reached, aim))
    inside = np.flatnonzero(rank == heap)
    order = inside[np.argsort(values[inside], kind="stable")]
    below = reached[heap - 1] if heap else 0.0
    at = np.searchsorted(below + np.cumsum(weights[order // each]), aim)
    return float(values[order[min(int(at), len(order) - 1)]])


def grain_mm(residual: Floats, areas: Floats) -> float:
    """Standard deviation of the grain, robustly: 1.4826 times the median absolute residual.

    residual (n,): how far each vertex stands off the surface without its fine part, along the normal;
    areas (n,): the surface each vertex stands for, or fewer, as `weighted_quantile` takes them. Features,
    being rare, hardly move a median (F. Hampel, "The influence curve and its role in robust estimation",
    1974).
    """
    return TO_DEVIATION * weighted_median(np.abs(residual), areas)


@njit(cache=True)
def _ranks(bits):
    """(n,) numbers that ascend as the doubles of these bits do, from 0 to 2^KEPT_BITS - 1."""
    rank = np.empty(len(bits), np.int32)
    for i in range(len(bits)):
        top = bits[i] >> (64 - KEPT_BITS)
        half = 1 << (KEPT_BITS - 1)
        rank[i] = top + half if top >= 0 else -1 - top
    return rank


@njit(cache=True)
def _heaps(rank, weights, each):
    heaps = np.zeros(1 << KEPT_BITS)
    for i in range(len(rank)):
        heaps[rank[i]] += weights[i // each]
    return heaps
