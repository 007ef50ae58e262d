"""Shapes raised from a flat face, or sunk into it, by triangulating the face anew: exact, without a boolean.

The face's triangles give way to new ones between its rim and the shape's outlines; walls and lids are added.
Every other vertex stays where it is.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from .flat_fill import fill_outlines
from .flat_places import FlatFace, Frame
from .prisms import outlines, walls
from .topology import boundary_loops

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]


def raised(
    vertices: Floats, faces: Any, face: FlatFace, frame: Frame, shape: Any, height_mm: float
) -> tuple[Floats, Ints, NDArray[np.int64]]:
    """The surface with a shape (shapely, in the frame, well inside the face) raised by `height_mm`, or sunk
    into the material if that is negative.

    Returns vertices (k,3), faces, and for each vertex the old one it was, or -1. Raises ValueError if the
    face's rim touches itself.
    """
    flat, following = outlines(shape)
    count, old = len(flat), len(vertices)
    low, high = np.arange(old, old + count), np.arange(old + count, old + 2 * count)
    points = np.concatenate(
        [vertices, frame.space(flat), frame.space(np.c_[flat, np.full(count, height_mm)])]
    )
    seen_from_behind = frame.flat(points)[:, 1::-1]
    mine = faces[face.faces]
    rims = [np.column_stack([np.roll(loop, -1), loop]) for loop in boundary_loops(mine, old)]
    feet = np.column_stack([low, low[following]])
    ground = fill_outlines(seen_from_behind, np.concatenate([*rims, feet]).astype(np.int32))
    lids = fill_outlines(seen_from_behind, np.column_stack([high[following], high]).astype(np.int32))
    kept = np.delete(np.asarray(faces), face.faces, axis=0)
    whole = np.concatenate([kept, ground, walls(low, high, following), lids])
    used, renamed = np.unique(whole, return_inverse=True)
    return points[used], renamed.reshape(-1, 3).astype(np.int32), np.where(used < old, used, -1)
