"""Shares of a scan's surface that a cut takes, against closed forms."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from fettlebox_steps.geometry.scan_surface import ScanSurface
from numpy.typing import NDArray

Floats = NDArray[np.float64]
UP = np.array([0.0, 0.0, 1.0])
ASLANT = np.array([0.48, -0.36, 0.8])


def ball_points(count: int = 40_000) -> Floats:
    """Evenly spread over the unit sphere: R. Swinbank, R. Purser, "Fibonacci grids", 2006."""
    k = np.arange(count) + 0.5
    z = 1.0 - 2.0 * k / count
    turn = np.pi * (1.0 + np.sqrt(5.0)) * k
    flat = np.sqrt(1.0 - z * z)
    return np.column_stack([flat * np.cos(turn), flat * np.sin(turn), z])


@pytest.mark.parametrize("up", [UP, ASLANT])
def test_a_ball(up: Floats) -> None:
    """Archimedes, On the Sphere and Cylinder: a zone between two heights has 2πr·h, wherever it is. What is
    seen is the zone above -√½; of it a cut at z takes what lies between."""
    points = ball_points()
    surface = ScanSurface(points, points)
    heights = np.linspace(-0.99, 0.99, 34)
    taken = surface.taken(up[None], heights[None])[0]
    steep = np.sqrt(0.5)
    assert taken == pytest.approx(np.clip((heights + steep) / (1 + steep), 0, 1), abs=2e-3)
    assert surface.is_seen(up).mean() == pytest.approx((1 + steep) / 2, abs=1e-3)


def test_each_direction_is_measured_for_itself() -> None:
    """A box's points, counted one by one."""
    box = trimesh.creation.box((2.0, 3.0, 4.0))
    points, face = trimesh.sample.sample_surface(box, 3000, seed=4)
    points, normals = np.asarray(points), np.asarray(box.face_normals)[face]
    ups = np.array([UP, ASLANT, [0.0, 1.0, 0.0]])
    heights = np.array([np.linspace(low, 1.0, 9) for low in (-1.9, -1.0, -1.4)])
    taken = ScanSurface(points, normals).taken(ups, heights)
    for up, row, found in zip(ups, heights, taken, strict=True):
        seen = normals @ up >= -np.sqrt(0.5)
        assert found == pytest.approx([((points @ up < h) & seen).sum() / seen.sum() for h in row])


@pytest.mark.parametrize("up", [UP, ASLANT])
def test_what_is_gone_already_counts_once(up: Floats) -> None:
    """By the same law: of the zone above -√½, a cut at -0.2 left that above -0.2; one below takes no more
    than that, one above all up to itself. Across, half is gone, and of every zone half is left to take."""
    points, steep = ball_points(), np.sqrt(0.5)
    heights = np.linspace(-0.99, 0.99, 34)
    same = ScanSurface(points, points, points @ up < -0.2)
    found = same.taken(up[None], heights[None])[0]
    assert found == pytest.approx((np.maximum(heights, -0.2) + steep) / (1 + steep), abs=2e-3)
    assert same.taken_before(up[None])[0] == pytest.approx([(steep - 0.2) / (1 + steep)], abs=2e-3)
    across = ScanSurface(points, points, points @ np.cross(up, [1.0, 0.0, 0.0]) < 0)
    alone = np.clip((heights + steep) / (1 + steep), 0, 1)
    assert across.taken(up[None], heights[None])[0] == pytest.approx(0.5 + 0.5 * alone, abs=3e-3)
    assert across.taken_before(up[None])[0] == pytest.approx([0.5], abs=3e-3)
    assert ScanSurface(points, points).taken_before(up[None]).tolist() == [[0.0]]


def test_nothing_is_taken_of_nothing() -> None:
    nothing = ScanSurface(np.zeros((0, 3)), np.zeros((0, 3)))
    assert nothing.taken(UP[None], np.array([[0.0, 1.0]])).tolist() == [[0.0, 0.0]]
