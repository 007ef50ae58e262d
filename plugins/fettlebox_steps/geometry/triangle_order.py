"""Triangles ordered so that every aligned block of them is compact: a k-d tree without the tree.

J. L. Bentley, "Multidimensional binary search trees used for associative searching", 1975. Halving at
blocks whose size is a power of two lets a hierarchy over the order be implicit: the children of a node
are the next blocks. Against the Morton order it saves a winding number two thirds of its visits.
"""

from __future__ import annotations

import numpy as np
from numba import get_num_threads, njit, prange
from numpy.typing import NDArray

SHARED = 64
"""Parts of the work that threads share, at least, where there is enough of it."""

WORTH_SHARING = 4_096
"""Triangles of a part, at most, that no second thread is woken for."""


def compact_order(middles: NDArray[np.float64], leaf: int) -> NDArray[np.int64]:
    """Indices (m,) of middles (m,3) such that blocks of `leaf` times a power of two are close in space."""
    order = np.arange(len(middles), dtype=np.int64)
    keys = np.empty(len(order))
    blocks = np.array([[0, len(order)]])
    while len(blocks) < SHARED and len(order) > max(WORTH_SHARING, leaf) * len(blocks):
        blocks = _halve_each(middles, order, keys, blocks, _dealt(blocks), leaf)
    _halve_blocks(middles, order, keys, blocks, _dealt(blocks), leaf)
    return order


def _dealt(blocks: NDArray[np.int64]) -> NDArray[np.int64]:
    """Indices (b,) of blocks (b,2), the largest first, dealt out to the threads, of which each takes as many
    as stand next to one another.
    """
    threads = get_num_threads()
    largest_first = np.argsort(blocks[:, 0] - blocks[:, 1], kind="stable")
    return np.concatenate([largest_first[thread::threads] for thread in range(threads)])


@njit(parallel=True, cache=True)
def middles_of(points, faces):
    """(m,3) middles of faces (m,3) over points (n,3)."""
    middles = np.empty((len(faces), 3))
    for f in prange(len(faces)):
        for k in range(3):
            middles[f, k] = (points[faces[f, 0], k] + points[faces[f, 1], k] + points[faces[f, 2], k]) / 3
    return middles


@njit(inline="always")
def _left(count, leaf):
    """Of so many triangles, how many come into the first half: `leaf` times a power of two."""
    left = leaf
    while left * 2 < count:
        left *= 2
    return left


@njit(parallel=True, cache=True)
def _halve_each(middles, order, keys, blocks, dealt, leaf):
    """Halve each of blocks (b,2), from where to where in the order, once; those there are then."""
    halves = np.empty((len(blocks), 2, 2), np.int64)
    for n in prange(len(blocks)):
        i = dealt[n]
        a, b = blocks[i, 0], blocks[i, 1]
        left = min(_left(b - a, leaf), b - a)
        if left < b - a:
            axis = _longest(middles, order, a, b)
            for j in range(a, b):
                keys[j] = middles[order[j], axis]
            _select(keys, order, a, b - 1, a + left)
        halves[i, 0, 0], halves[i, 0, 1] = a, a + left
        halves[i, 1, 0], halves[i, 1, 1] = a + left, b
    found = halves.reshape(-1, 2)
    return found[found[:, 1] > found[:, 0]]


@njit(parallel=True, cache=True)
def _halve_blocks(middles, order, keys, blocks, dealt, leaf):
    """Halve to leaves what each of blocks (b,2) holds. They have nothing to do with one another, so the order
    does not depend on the number of threads. A block's middles are laid side by side first: in the cache.
    """
    for n in prange(len(blocks)):
        a, b = blocks[dealt[n]]
        own = order[a:b].copy()
        near = np.empty((b - a, 3))
        for j in range(b - a):
            near[j] = middles[own[j]]
        within = np.arange(b - a)
        _halve(near, within, keys[a:b], leaf)
        for j in range(b - a):
            order[a + j] = own[within[j]]


@njit(cache=True)
def _halve(middles, order, keys, leaf):
    waiting = np.empty((128, 2), dtype=np.int64)
    waiting[0] = 0, len(order)
    top = 1
    while top > 0:
        top -= 1
        a, b = waiting[top]
        if b - a <= leaf:
            continue
        left = _left(b - a, leaf)
        axis = _longest(middles, order, a, b)
        for i in range(a, b):
            keys[i] = middles[order[i], axis]
        _select(keys, order, a, b - 1, a + left)
        waiting[top] = a, a + left
        waiting[top + 1] = a + left, b
        top += 2


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
