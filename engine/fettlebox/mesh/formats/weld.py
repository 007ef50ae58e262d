"""Weld corners that lie at exactly one float32 position, as an STL needs.

An own hash table: on 1.6M facets as fast as `stl_reader`, whose welder takes only a path, ends the
process on a file of no facets, and keeps 0.0 and -0.0 apart, which tears surfaces open along x = 0.
"""

# mypy: allow-untyped-defs, allow-untyped-calls, allow-untyped-decorators
from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

_EMPTY = np.int32(-1)
_MINUS_ZERO = np.uint32(0x80000000)


@njit(cache=True)
def _slot(x, y, z, mask):
    """A table slot for three words; the constants are those of S. Vigna's splitmix64 (2015)."""
    h = np.uint64(x) * np.uint64(0x9E3779B97F4A7C15)
    h ^= np.uint64(y) * np.uint64(0xBF58476D1CE4E5B9)
    h ^= np.uint64(z) * np.uint64(0x94D049BB133111EB)
    h ^= h >> np.uint64(29)
    h *= np.uint64(0xBF58476D1CE4E5B9)
    return (h >> np.uint64(32)) & mask


@njit(cache=True)
def _weld_bits(bits):
    n = bits.shape[0]
    size = 1024
    while size < n // 3:  # a closed surface has about one vertex for six corners
        size *= 2
    mask = np.uint64(size - 1)
    table = np.full(size, _EMPTY, np.int32)
    kept = np.empty((n, 3), np.uint32)
    index = np.empty(n, np.int32)
    count = 0
    for i in range(n):
        x, y, z = bits[i, 0], bits[i, 1], bits[i, 2]
        x = np.uint32(0) if x == _MINUS_ZERO else x
        y = np.uint32(0) if y == _MINUS_ZERO else y
        z = np.uint32(0) if z == _MINUS_ZERO else z
        slot = _slot(x, y, z, mask)
        while True:
            j = table[slot]
            if j == _EMPTY:
                table[slot] = count
                index[i] = count
                kept[count, 0], kept[count, 1], kept[count, 2] = x, y, z
                count += 1
                break
            if kept[j, 0] == x and kept[j, 1] == y and kept[j, 2] == z:
                index[i] = j
                break
            slot = (slot + np.uint64(1)) & mask
        if count * 2 > size:
            size *= 2
            mask = np.uint64(size - 1)
            table = np.full(size, _EMPTY, np.int32)
            for k in range(count):
                slot = _slot(kept[k, 0], kept[k, 1], kept[k, 2], mask)
                while table[slot] != _EMPTY:
                    slot = (slot + np.uint64(1)) & mask
                table[slot] = k
    return kept[:count].copy(), index


def weld(corners: NDArray[np.float32]) -> tuple[NDArray[np.float32], NDArray[np.int32]]:
    """Distinct positions (n,3) float32 in order of first use, and the index (k,) int32 of each corner.

    `corners` (k,3) float32, contiguous, without NaN. Deterministic; -0.0 becomes 0.0.
    """
    bits = np.ascontiguousarray(corners, dtype=np.float32).view(np.uint32)
    kept, index = _weld_bits(bits)
    return kept.view(np.float32), index
