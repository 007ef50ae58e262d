"""How large a part can be built, and how it is best turned on the bed."""

from __future__ import annotations

import itertools
import math

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

WORTH_TURNING = 1.001
"""A turn that gains under 0.1 % is not made: nobody would see it, and an unturned part is easier to check."""

SHY = 1.0 - 1e-9
"""A hair under the exact fit, so that rounding never makes a part larger than the room it was given."""


def about_z(turn_deg: float) -> Floats:
    """(4,4) turn about the Z axis, counter-clockwise from above."""
    c, s = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))
    return np.array([[c, -s, 0.0, 0.0], [s, c, 0.0, 0.0], [0.0, 0.0, 1.0, 0.0], [0.0, 0.0, 0.0, 1.0]])


def best_turn(points: Floats, room: tuple[float, float, float]) -> tuple[float, float, float]:
    """Turn about Z (degrees, 0 to 180) and the largest ratio at which points (n,3) fit a room (x, y, z).

    Also the ratio without a turn. Between two directions of hull edges each width of the outline is one
    sine wave (rotating calipers: M. Shamos, "Computational geometry", 1978), so the greater of the two
    relative widths is least at an edge direction or where the two are equal; those are all tried.
    """
    height = float(np.ptp(points[:, 2]))
    by_height = room[2] / height if height > 0.0 else math.inf
    outline = _outline(points[:, :2])
    edges = np.roll(outline, -1, axis=0) - outline
    turns = np.sort(np.mod(-np.arctan2(edges[:, 1], edges[:, 0]), math.pi / 2))
    turns = np.unique(np.concatenate([[0.0], turns, turns + math.pi / 2, [math.pi]]))
    candidates = np.unique(np.concatenate([turns, _balanced(outline, turns, room)]))
    ratios = [min(_flat_fit(outline, turn, room), by_height) for turn in candidates]
    unturned = min(_flat_fit(outline, 0.0, room), by_height)
    best = int(np.argmax(ratios))
    if ratios[best] <= unturned * WORTH_TURNING:
        return 0.0, unturned * SHY, unturned * SHY
    return math.degrees(candidates[best]), ratios[best] * SHY, unturned * SHY


def _outline(points: Floats) -> Floats:
    from scipy.spatial import ConvexHull, QhullError

    try:
        return np.asarray(points[ConvexHull(points).vertices], dtype=np.float64)
    except QhullError:  # all points on a line: its two ends are the outline
        middle = points - points.mean(axis=0)
        along = middle @ np.linalg.svd(middle, full_matrices=False)[2][0]
        return np.asarray(points[[int(along.argmin()), int(along.argmax())]], dtype=np.float64)


def _spans(outline: Floats, turn: float) -> tuple[Floats, Floats]:
    """Vectors, not turned, between the outermost points in x and in y of the turned outline."""
    c, s = math.cos(turn), math.sin(turn)
    x, y = outline @ (c, -s), outline @ (s, c)
    return outline[x.argmax()] - outline[x.argmin()], outline[y.argmax()] - outline[y.argmin()]


def _flat_fit(outline: Floats, turn: float, room: tuple[float, float, float]) -> float:
    c, s = math.cos(turn), math.sin(turn)
    width, depth = np.ptp(outline @ (c, -s)), np.ptp(outline @ (s, c))
    return float(min(room[0] / width if width > 0 else math.inf, room[1] / depth if depth > 0 else math.inf))


def _balanced(outline: Floats, turns: Floats, room: tuple[float, float, float]) -> Floats:
    """Turns inside each stretch between edge directions at which both relative widths are equal."""
    found = []
    for start, end in itertools.pairwise(turns):
        (ax, ay), (bx, by) = _spans(outline, (start + end) / 2)
        # width = ax·cos − ay·sin, depth = bx·sin + by·cos; equal when over room[0] and room[1].
        turn = math.atan2(ax / room[0] - by / room[1], ay / room[0] + bx / room[1]) % math.pi
        if start < turn < end:
            found.append(turn)
    return np.array(found)
