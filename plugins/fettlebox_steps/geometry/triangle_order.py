"""Triangles ordered so that every aligned block of them is compact: a k-d tree without the tree.

J. L. Bentley, "Multidimensional binary search trees used for associative searching", 1975. Halving at
blocks whose size is a power of two lets a hierarchy over the order be implicit: the children of a node
are the next blocks. Against the Morton order it saves a winding number two thirds of its visits.
"""

from __future__ import annotations

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

SHARED = 64
"""Parts of the work that threads share, or up to four times as many: halves are of unequal size."""


def compact_order(middles: NDArray[np.float64], leaf: int) -> NDArray[np.int64]:
    """Indices (m,) of middles (m,3) such that blocks of `leaf` times a power of two are close in space."""
    order = np.arange(len(middles), dtype=np.int64)
    keys = np.empty(len(order))
    blocks = _halve(middles, order, keys, 0, len(order), leaf, max(leaf, len(order) // SHARED))
    _halve_blocks(middles, order, keys, blocks, leaf)
    return order


@njit(cache=True)
def _halve(middles, order, keys, low, high, leaf, until):
    """Halve from `low` to `high` until no block is larger than `until`; returns the blocks (b,2) left."""
    waiting = np.empty((128, 2), dtype=np.int64)
    waiting[0] = low, high
    done = np.empty((4 * SHARED if until > leaf else 0, 2), dtype=np.int64)
    top, count = 1, 0
    while top > 0:
        top -= 1
        a, b = waiting[top]
        if b - a <= until:
            if count < len(done):
                done[count] = a, b
                count += 1
            continue
        left = leaf
        while left * 2 < b - a:
            left *= 2
        axis = _longest(middles, order, a, b)
        for i in range(a, b):
            keys[i] = middles[order[i], axis]
        _select(keys, order, a, b - 1, a + left)
        waiting[top] = a, a + left
        waiting[top + 1] = a + left, b
        top += 2
    return done[:count].copy()


@njit(parallel=True, cache=True)
def _halve_blocks(middles, order, keys, blocks, leaf):
    """Blocks have nothing to do with one another, so the order does not depend on the thread count."""
    for i in prange(len(blocks)):
        _halve(middles, order, keys, blocks[i, 0], blocks[i, 1], leaf, leaf)


@njit(cache=True)
def _longest(middles, order, a, b):
    axis = 0
    longest = -1.0
    for k in range(3):
        low = np.inf
        high = -np.inf
        for i in range(a, b):
            value = middles[order[i], k]
            low = min(low, value)
            high = max(high, value)
        if high - low > longest:
            longest = high - low
            axis = k
    return axis


@njit(cache=True)
def _select(keys, order, low, high, nth):
    """C. A. R. Hoare, "Algorithm 65: find", 1961: what belongs before place `nth` ends up before it."""
    while low < high:
        pivot = keys[(low + high) // 2]
        i, j = low, high
        while i <= j:
            while keys[i] < pivot:
                i += 1
            while keys[j] > pivot:
                j -= 1
            if i <= j:
                keys[i], keys[j] = keys[j], keys[i]
                order[i], order[j] = order[j], order[i]
                i += 1
                j -= 1
        if nth <= j:
            high = j
        elif nth >= i:
            low = i
        else:
            return
