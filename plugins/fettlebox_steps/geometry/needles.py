"""Triangles without a height, taken out of a closed surface by turning their longest edge."""

from __future__ import annotations

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

from .flat_fill import halves_across
from .topology import diagonal, touching

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

FLATTEST = 3e-7
"""Lower than this share of the part's diagonal, a triangle may lose its normal in single precision (6e-8)."""

RINGS = 2
"""Of faces around a needle that a turn needs to know: those across its sides, and around their corners."""

MUCH_HIGHER = 10.0
"""A turn that makes a low triangle of one without a height is worth it if the low one is so much higher."""

ROUNDS = 8
"""Needles lie in rows; every round takes out the ends of a row at least."""


def without_needles(vertices: Floats, faces: Ints) -> Ints:
    """Faces (m,3) over the same vertices (n,3), as many as before.

    The third corner of a needle lies on its longest edge. That edge is turned to join it with the corner
    across, which moves the surface by no more than the needle's height. A needle stays if the turn would
    make one that is hardly better, or an edge that there is already.
    """
    faces = np.array(faces, dtype=np.int64)
    height_mm = FLATTEST * diagonal(vertices)
    for _ in range(ROUNDS):
        needles = np.flatnonzero(heights(vertices, faces) <= height_mm)
        if not len(needles):
            break
        near = needles
        for _ in range(RINGS):
            mine = np.zeros(len(vertices), dtype=np.bool_)
            mine[faces[near]] = True
            near = np.flatnonzero(touching(faces, mine))
        few = faces[near]
        start, end = few.ravel(), np.roll(few, -1, axis=1).ravel()
        known = np.sort(np.minimum(start, end) * len(vertices) + np.maximum(start, end))
        across = halves_across(few.astype(np.int32), len(vertices)).astype(np.int64)
        turned = _turn(vertices, few, across, known, np.searchsorted(near, needles), height_mm)
        faces[near] = few
        if not turned:
            break
    return faces


@njit(parallel=True, cache=True)
def heights(p, faces):
    """(m,) height in mm of faces (m,3) over their longest side; 0 if they have none."""
    found = np.empty(len(faces))
    for f in prange(len(faces)):
        found[f] = _height(p, faces[f, 0], faces[f, 1], faces[f, 2])
    return found


@njit(cache=True)
def _height(p, a, b, c):
    ux, uy, uz = p[b, 0] - p[a, 0], p[b, 1] - p[a, 1], p[b, 2] - p[a, 2]
    vx, vy, vz = p[c, 0] - p[a, 0], p[c, 1] - p[a, 1], p[c, 2] - p[a, 2]
    wx, wy, wz = vx - ux, vy - uy, vz - uz
    x, y, z = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
    longest2 = max(ux * ux + uy * uy + uz * uz, vx * vx + vy * vy + vz * vz, wx * wx + wy * wy + wz * wz)
    return np.sqrt((x * x + y * y + z * z) / max(longest2, 1e-300))


@njit(cache=True)
def _turn(p, faces, across, known, needles, height_mm):
    """One turn for a pair of faces in a round, since the table of opposite edges is not kept up to date."""
    touched = np.zeros(len(faces), dtype=np.bool_)
    turned = 0
    for f in needles:
        longest, edge = -1.0, 0
        for e in range(3):
            side = p[faces[f, e]] - p[faces[f, (e + 1) % 3]]
            length = (side * side).sum()
            if length > longest:
                longest, edge = length, e
        half = across[f, edge]
        if half < 0 or touched[f] or touched[half // 3]:
            continue
        g, i = half // 3, half % 3
        a, b, c = faces[f, edge], faces[f, (edge + 1) % 3], faces[f, (edge + 2) % 3]
        d = faces[g, (i + 2) % 3]
        key = min(c, d) * len(p) + max(c, d)
        at = np.searchsorted(known, key)
        if c == d or (at < len(known) and known[at] == key):
            continue
        lowest = min(_height(p, a, d, c), _height(p, d, b, c))
        well_shaped = lowest > min(_height(p, a, b, d), height_mm)
        if not well_shaped and lowest <= MUCH_HIGHER * _height(p, a, b, c):
            continue
        faces[f] = np.array([a, d, c])
        faces[g] = np.array([d, b, c])
        touched[f] = touched[g] = True
        # Neighbours lose their way to this pair; they wait for the next round too.
        for e in range(3):
            if across[f, e] >= 0:
                touched[across[f, e] // 3] = True
            if across[g, e] >= 0:
                touched[across[g, e] // 3] = True
        turned += 1
    return turned
