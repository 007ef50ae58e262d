"""Bodies with a flat outline: the same shape at two heights, with walls and lids."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from .flat_fill import fill_outlines

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


def outlines(shape: Any) -> tuple[Floats, Ints]:
    """Corners (k,2) of all outlines of a shape (shapely), material to the left, and which (k,) comes next."""
    import shapely

    rings = [
        np.array(ring.coords)[:-1, :2]
        for part in shapely.get_parts(shapely.orient_polygons(shape))
        for ring in (part.exterior, *part.interiors)
    ]
    following, start = [], 0
    for ring in rings:
        following.append(start + np.roll(np.arange(len(ring)), -1))
        start += len(ring)
    return np.concatenate(rings), np.concatenate(following)


def walls(low: Ints, high: Ints, following: Ints) -> Ints:
    """(2k,3) faces between two rows of corners (k,), outward where the high row lies above the low one."""
    return np.concatenate([np.c_[low, low[following], high[following]], np.c_[low, high[following], high]])


def prism(shape: Any, low_mm: float, high_mm: float) -> tuple[Floats, Ints]:
    """A closed body over a shape (shapely), from one height to another: vertices (n,3) and faces (m,3)."""
    flat, following = outlines(shape)
    count = len(flat)
    low, high = np.arange(count), np.arange(count, 2 * count)
    points = np.concatenate([np.c_[flat, np.full(count, low_mm)], np.c_[flat, np.full(count, high_mm)]])
    floor = fill_outlines(points[:, :2], np.column_stack([low, low[following]]).astype(np.int32))
    lid = fill_outlines(points[:, 1::-1], np.column_stack([high[following], high]).astype(np.int32))
    return points, np.concatenate([floor, lid, walls(low, high, following)]).astype(np.int64)
