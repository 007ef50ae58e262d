"""The best of many cuts that lie close together, where what each is measured to cost is a little off."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .plane_cut import plane_axes

Floats = NDArray[np.float64]

RINGS_DEG = (2.0, 4.0, 6.0)
"""Directions are measured on rings so far from the best so far, six more on each. About a nearly round part a
turn of four degrees changes the support by half a percent, and columns and triangles are off by as much."""

LEAST_POINTS = 12
"""A bowl has six unknowns; with fewer than two measurements each it follows their errors."""

NEARLY = 0.02
"""The cost is a bowl if the measurements are no further from one, root mean square, than this share of it. It
is none where a cut goes past an edge or a limit: there only what is measured counts."""


def turned_about(up: Floats, turn_deg: float, sides: int, most_tilt_deg: float) -> Floats:
    """(k,3) a direction turned by an angle to evenly spread sides, as far as the tilt stays within bounds."""
    turn = 2.0 * np.pi * np.arange(sides) / sides
    tip = np.tan(np.radians(turn_deg))
    found = _direction(up, tip * np.column_stack([np.cos(turn), np.sin(turn)]))
    return np.asarray(found[found[:, 2] >= np.cos(np.radians(most_tilt_deg)) - 1e-12])


def directions_about(up: Floats, most_tilt_deg: float) -> Floats:
    """(k,3) unit vectors on rings about a direction, itself first, as far as the tilt stays within bounds."""
    rings = [turned_about(up, turn, 6 * (k + 1), most_tilt_deg) for k, turn in enumerate(RINGS_DEG)]
    return np.concatenate([up[None], *rings])


def bottom_of_bowl(
    up: Floats, ups: Floats, costs: Floats, slack_mm3: float, most_tilt_deg: float
) -> tuple[Floats, float] | None:
    """The direction (3,) where a paraboloid through costs (k,), of directions (k,3) about `up`, is lowest,
    and how far the costs are from it, root mean square; None if they are no bowl with its bottom among them.
    """
    if len(ups) < LEAST_POINTS:
        return None
    x_axis, y_axis = plane_axes(up)
    ahead = ups @ up
    x, y = ups @ x_axis / ahead, ups @ y_axis / ahead
    terms = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=1)
    solution = np.linalg.lstsq(terms, costs, rcond=None)[0]
    off_mm3 = float(np.sqrt(np.square(costs - terms @ solution).sum() / (len(ups) - 6)))
    bend = np.array([[2 * solution[3], solution[4]], [solution[4], 2 * solution[5]]])
    if off_mm3 > slack_mm3 or np.linalg.eigvalsh(bend)[0] <= 0:
        return None
    place = -np.linalg.solve(bend, solution[1:3])
    if np.hypot(*place) > np.tan(np.radians(RINGS_DEG[-1])):
        return None
    found = _direction(up, place[None])[0]
    if found[2] < np.cos(np.radians(most_tilt_deg)):
        return None
    return found, off_mm3


def _direction(up: Floats, places: Floats) -> Floats:
    """(k,3) unit vectors through places (k,2) of the plane that touches the sphere at `up`."""
    x_axis, y_axis = plane_axes(up)
    found = up + places[:, :1] * x_axis + places[:, 1:] * y_axis
    return np.asarray(found / np.linalg.norm(found, axis=1)[:, None])
