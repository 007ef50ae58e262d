from __future__ import annotations

import numpy as np
import pytest
import trimesh
from fettlebox_steps.geometry.base import base_frame
from fettlebox_steps.geometry.footprint import slit_stops, soup_base

DOWN = np.array([0, 0, -1.0])


def rings(*centres: float, radius: float = 10.0, corners: int = 120) -> tuple[np.ndarray, list[np.ndarray]]:
    """Rims of tubes that open downwards, side by side."""
    angle = np.linspace(0, 2 * np.pi, corners, endpoint=False)
    points = [np.c_[x + radius * np.cos(angle), radius * np.sin(angle), np.zeros(corners)] for x in centres]
    return np.concatenate(points), [np.arange(i * corners, (i + 1) * corners) for i in range(len(centres))]


def winding(soup: list[tuple[np.ndarray, np.ndarray]], at: list[float]) -> float:
    """Sum of solid angles over 4π, A. van Oosterom, J. Strackee (1983), written out here for the test."""
    total = 0.0
    for points, faces in soup:
        a, b, c = (points[faces[:, k]] - np.array(at) for k in range(3))
        la, lb, lc = (np.linalg.norm(v, axis=1) for v in (a, b, c))
        top = np.einsum("ij,ij->i", a, np.cross(b, c))
        below = la * lb * lc + (a * b).sum(1) * lc + (b * c).sum(1) * la + (c * a).sum(1) * lb
        total += np.arctan2(top, below).sum()
    return float(total / (2 * np.pi))


def lid(points: np.ndarray, loop: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """A disc that closes a ring from above, wound outward (up)."""
    middle = np.concatenate([points[loop], points[loop].mean(axis=0, keepdims=True)])
    k = len(loop)
    i = np.arange(k)
    return middle, np.stack([i, np.roll(i, -1), np.full(k, k)], axis=1)


def test_walls_and_base_wind_once_around_what_is_inside() -> None:
    points, loops = rings(0.0)
    frame = base_frame(points, loops, DOWN, 8.0)
    soup = [*soup_base(points, loops, frame, 0.3), lid(points, loops[0])]
    assert winding(soup, [0, 0, -4.0]) == pytest.approx(1, abs=0.02)
    assert winding(soup, [0, 0, -8.5]) == pytest.approx(0, abs=0.02)
    assert winding(soup, [14, 0, -4.0]) == pytest.approx(0, abs=0.02)


def test_a_narrow_gap_between_two_openings_is_stopped() -> None:
    points, loops = rings(-10.4, 10.4)
    frame = base_frame(points, loops, DOWN, 8.0)
    soup = [*soup_base(points, loops, frame, 0.3), *(lid(points, loop) for loop in loops)]
    assert winding(soup, [0, 0, -6.0]) > 0.5
    (stop,) = slit_stops(points, loops, frame, 1.0, hang_together=True)
    mesh = trimesh.Trimesh(*stop, process=False)
    assert mesh.is_watertight and mesh.is_winding_consistent and mesh.volume > 0
    assert mesh.contains([[0, 0, -6.0]]).all()
    low, high = mesh.bounds[:, 2]
    assert frame.offset_mm == pytest.approx(8)
    assert (low, high) == (pytest.approx(-8 + 0.8), pytest.approx(-1.0))


def test_a_wide_gap_is_left_open_unless_it_must_hang_together() -> None:
    points, loops = rings(-13.0, 13.0)
    frame = base_frame(points, loops, DOWN, 8.0)
    assert slit_stops(points, loops, frame, 1.0, hang_together=False) == []
    assert len(slit_stops(points, loops, frame, 1.0, hang_together=True)) == 1


def test_a_smooth_round_opening_has_no_slits() -> None:
    points, loops = rings(0.0)
    frame = base_frame(points, loops, DOWN, 8.0)
    assert slit_stops(points, loops, frame, 1.0, hang_together=False) == []
