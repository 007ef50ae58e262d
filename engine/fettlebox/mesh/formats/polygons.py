"""Polygons to triangles, and colours to bytes: what several formats share."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from .source import Source


def fan(
    source: Source, counts: NDArray[Any], starts: NDArray[Any] | None = None
) -> tuple[NDArray[np.int64], tuple[str, ...]]:
    """Where the corners (m,3) of a fan of every polygon stand in the flat list of corners, and notes.

    counts (p,) corners of each polygon; starts (p,) place of its first corner, by default gapless.
    A polygon of fewer than three corners has no area and is left out, which the notes say.
    """
    counts = counts.astype(np.int64)
    if starts is None:
        starts = np.cumsum(counts) - counts
    each = np.maximum(counts - 2, 0)
    total = int(each.sum())
    source.within(triangles=total)
    polygon = np.repeat(np.arange(len(counts)), each)
    place = np.arange(total) - np.repeat(np.cumsum(each) - each, each)
    first = starts[polygon]
    corners = np.stack([first, first + place + 1, first + place + 2], axis=1)
    thin = int((counts < 3).sum())
    notes = (f"{thin} faces of fewer than three corners were left out",) if thin else ()
    return corners, notes


def colour_bytes(channels: NDArray[Any]) -> NDArray[np.uint8]:
    """(n,4) uint8 of (n,3) or (n,4) channels: bytes as they are, 16 bit scaled, floats from 0 to 1."""
    if channels.dtype == np.uint16:
        values = (channels.astype(np.uint32) + 128) // 257
    elif np.issubdtype(channels.dtype, np.integer):
        values = np.clip(channels, 0, 255)
    else:
        values = np.rint(np.clip(np.nan_to_num(channels, nan=0.0), 0.0, 1.0) * 255.0)
    rgba = np.full((len(values), 4), 255, dtype=np.uint8)
    rgba[:, : values.shape[1]] = values
    return rgba
