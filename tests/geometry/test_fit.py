"""The turn about Z that lets a part be largest, against closed forms of plane geometry."""

from __future__ import annotations

import numpy as np
import pytest
from fettlebox_steps.geometry.fit import about_z, best_turn
from numpy.typing import NDArray


def box(x: float, y: float, z: float) -> NDArray[np.float64]:
    corners = np.stack(np.meshgrid([-0.5, 0.5], [-0.5, 0.5], [0.0, 1.0], indexing="ij"), -1).reshape(-1, 3)
    return np.asarray(corners * [x, y, z])


@pytest.mark.parametrize("thick_mm", [1.0, 10.0, 30.0])
def test_a_bar_lies_along_the_diagonal_of_a_square(thick_mm: float) -> None:
    # At 45 degrees a bar of length l and thickness t is (l + t)/√2 wide either way.
    turn_deg, fits, unturned = best_turn(box(200.0, thick_mm, 5.0), (100.0, 100.0, 100.0))
    assert unturned == pytest.approx(0.5)
    assert fits == pytest.approx(100.0 * np.sqrt(2.0) / (200.0 + thick_mm), rel=1e-4)
    assert abs(turn_deg) % 90.0 == pytest.approx(45.0, abs=0.2)


def test_a_bar_across_the_longer_side_is_turned_by_a_right_angle() -> None:
    turn_deg, fits, unturned = best_turn(box(20.0, 100.0, 5.0), (200.0, 30.0, 50.0))
    assert unturned == pytest.approx(0.3)
    across = about_z(turn_deg)[:2, :2] @ [0.0, 1.0]
    assert abs(across[0]) > 0.98 and fits >= 1.5 * (1 - 1e-6)


def test_what_height_limits_is_not_turned() -> None:
    turn_deg, fits, unturned = best_turn(box(100.0, 90.0, 80.0), (400.0, 400.0, 40.0))
    assert turn_deg == 0.0 and fits == unturned == pytest.approx(0.5)


def test_the_turn_fits_what_it_says() -> None:
    points = np.random.default_rng(3).normal(size=(200, 3)) * [60.0, 12.0, 9.0]
    room = (120.0, 90.0, 80.0)
    turn_deg, fits, unturned = best_turn(points, room)
    turned = points @ about_z(turn_deg)[:3, :3].T * fits
    assert (np.ptp(turned, axis=0) <= np.array(room) * (1 + 1e-9)).all()
    assert fits >= unturned
