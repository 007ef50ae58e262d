"""A paraboloid's lowest point is known; costs that are none are refused."""

from __future__ import annotations

import numpy as np
import pytest
from fettlebox_steps.geometry.cut_fit import RINGS_DEG, bottom_of_bowl, directions_about
from fettlebox_steps.geometry.plane_cut import plane_axes
from numpy.typing import NDArray

Floats = NDArray[np.float64]
UP = np.array([0.48, -0.36, 0.8])


def places(ups: Floats) -> Floats:
    x_axis, y_axis = plane_axes(UP)
    return np.asarray(np.column_stack([ups @ x_axis, ups @ y_axis]) / (ups @ UP)[:, None])


def test_directions_lie_on_rings_within_the_tilt() -> None:
    ups = directions_about(UP, 90.0)
    assert np.linalg.norm(ups, axis=1) == pytest.approx(1.0)
    off = np.degrees(np.arccos(np.clip(ups @ UP, -1, 1)))
    assert np.unique(off.round(6)).tolist() == pytest.approx([0.0, *RINGS_DEG], abs=1e-5)
    tilt_deg = float(np.degrees(np.arccos(UP[2])))
    fewer = directions_about(UP, tilt_deg)
    assert 1 < len(fewer) < len(ups)
    assert np.degrees(np.arccos(fewer[:, 2])).max() <= tilt_deg + 1e-6


def test_the_bottom_is_found_through_noise() -> None:
    ups = directions_about(UP, 90.0)
    bottom = np.radians([1.7, -2.2])
    costs = 500.0 + 4000.0 * np.square(places(ups) - bottom).sum(axis=1)
    exact = bottom_of_bowl(UP, ups, costs, 1.0, 90.0)
    assert exact is not None and exact[1] == pytest.approx(0.0, abs=1e-6)
    assert places(exact[0][None])[0] == pytest.approx(bottom, abs=1e-6)
    noise = np.random.default_rng(1).normal(0, 3.0, len(ups))
    near = bottom_of_bowl(UP, ups, costs + noise, 10.0, 90.0)
    assert near is not None and near[1] == pytest.approx(3.0, rel=0.5)
    assert np.degrees(places(near[0][None])[0] - bottom) == pytest.approx([0, 0], abs=1.0)


def test_what_is_no_bowl_is_refused() -> None:
    ups = directions_about(UP, 90.0)
    x, y = places(ups).T
    assert bottom_of_bowl(UP, ups, -x * x - y * y, 1.0, 90.0) is None
    assert bottom_of_bowl(UP, ups, (x - 0.5) ** 2 + y * y, 1.0, 90.0) is None, "the bottom is far away"
    assert bottom_of_bowl(UP, ups, 1000.0 * (x > 0) + x * x + y * y, 1.0, 90.0) is None, "a cliff"
    assert bottom_of_bowl(UP, ups[:9], x[:9] ** 2 + y[:9] ** 2, 1.0, 90.0) is None, "too few"
    beside = (x - np.radians(3.0)) ** 2 + y * y
    assert bottom_of_bowl(UP, ups, beside, 1.0, 90.0) is not None
    assert bottom_of_bowl(UP, ups, beside, 1.0, 20.0) is None, "beyond the tilt"
