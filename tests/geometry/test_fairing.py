from __future__ import annotations

import numpy as np
import pytest
from fettlebox_steps.geometry.fairing import bend_least
from numpy.typing import NDArray
from scipy.spatial import Delaunay


def disc(step: float) -> tuple[NDArray[np.float64], NDArray[np.int64], NDArray[np.float64]]:
    """A flat disc of radius 1 in triangles of about `step`, and each vertex's distance from the middle."""
    rows = np.arange(-1, 1 + step, step * np.sqrt(0.75))
    points = np.concatenate(
        [
            np.c_[
                np.arange(-1, 1 + step, step) + (i % 2) * step / 2,
                np.full(len(np.arange(-1, 1 + step, step)), y),
            ]
            for i, y in enumerate(rows)
        ]
    )
    points = points[np.linalg.norm(points, axis=1) < 1]
    faces = Delaunay(points).simplices.astype(np.int64)
    return np.c_[points, np.zeros(len(points))], faces, np.linalg.norm(points, axis=1)


def test_a_clamped_plate_takes_the_shape_of_the_closed_form() -> None:
    # the plate equation with no load has the solution w = s·(R² − r²)/(2R) for a slope s at the clamped rim
    # (S. Timoshenko, S. Woinowsky-Krieger, "Theory of plates and shells", 1959)
    assert plate_error(0.04) < 0.1
    assert plate_error(0.02) < 0.07


def plate_error(step: float) -> float:
    """Largest error of a plate clamped at R = 0.75 with a slope, as a share of its height."""
    vertices, faces, radius = disc(step)
    outside = radius > 0.75 + 1e-9
    slope = 0.3
    vertices[:, 2] = np.where(outside, slope * (0.75 - radius), 0.0)
    free = radius < 0.75 - 1e-9
    moved = bend_least(vertices, faces, free)
    wanted = slope * (0.75**2 - radius**2) / (2 * 0.75)
    assert (moved[~free] == vertices[~free]).all()
    return float(np.abs(moved[free, 2] - wanted[free]).max() / wanted.max())


def test_a_flat_patch_stays_flat_and_a_tilted_one_tilted() -> None:
    vertices, faces, radius = disc(0.08)
    free = radius < 0.6
    dented = vertices.copy()
    dented[free, 2] += 0.2
    before = dented.tobytes()
    tilted = dented + np.c_[np.zeros((len(dented), 2)), 0.4 * dented[:, 0]]
    assert np.abs(bend_least(dented, faces, free)[:, 2]).max() < 1e-9
    there = bend_least(tilted, faces, free)
    assert np.abs(there[:, 2] - 0.4 * there[:, 0]).max() < 1e-9
    assert dented.tobytes() == before


def test_nothing_free_moves_nothing() -> None:
    vertices, faces, _ = disc(0.3)
    assert bend_least(vertices, faces, np.zeros(len(vertices), bool)).tobytes() == vertices.tobytes()


@pytest.mark.parametrize("seed", [0, 1])
def test_the_same_bytes_twice(seed: int) -> None:
    vertices, faces, radius = disc(0.1)
    vertices = vertices + np.random.default_rng(seed).normal(size=vertices.shape) * 0.01
    one, two = (bend_least(vertices, faces, radius < 0.5) for _ in range(2))
    assert one.tobytes() == two.tobytes()
