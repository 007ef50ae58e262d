from __future__ import annotations

import numpy as np
import pytest
from fettlebox_steps.geometry.refine import refine
from fettlebox_steps.geometry.topology import boundary_loops, twins


def polygon(corners: int) -> tuple[np.ndarray, np.ndarray]:
    angle = np.linspace(0, 2 * np.pi, corners, endpoint=False)
    points = np.c_[10 * np.cos(angle), 10 * np.sin(angle), np.zeros(corners)]
    fan = np.array([[0, i, i + 1] for i in range(1, corners - 1)])
    return points, fan


def signed_areas(points: np.ndarray, faces: np.ndarray) -> np.ndarray:
    a, b, c = (points[faces[:, k], :2] for k in range(3))
    u, v = b - a, c - a
    return (u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0]) / 2


@pytest.mark.parametrize("corners", [12, 60, 200])
def test_a_flat_patch_stays_flat_whole_and_unfolded(corners: int) -> None:
    points, fan = polygon(corners)
    spacing = np.full(corners, 20 * np.pi / corners)
    fine, faces = refine(points, fan, spacing)
    np.testing.assert_array_equal(fine[:corners], points)
    areas = signed_areas(fine, faces)
    assert (areas > 0).all()
    # area of a regular polygon: n/2 · R² · sin(2π/n)
    assert areas.sum() == pytest.approx(corners / 2 * 100 * np.sin(2 * np.pi / corners), rel=1e-12)
    assert np.isin(np.arange(corners), boundary_loops(faces, len(fine))[0]).all()
    # Euler for a disc: F = 2 V − 2 − (vertices of the rim)
    assert len(faces) == 2 * len(fine) - 2 - corners


def test_points_are_as_dense_as_the_rim_or_sparser_on_demand() -> None:
    points, fan = polygon(100)
    spacing = np.full(100, 20 * np.pi / 100)
    fine, faces = refine(points, fan, spacing)
    side = np.linalg.norm(fine[faces[:, 0]] - fine[faces[:, 1]], axis=1)
    assert 0.6 * spacing[0] < np.median(side) < 2 * spacing[0]
    sparse, _ = refine(points, fan, spacing, grow=0.6)
    assert len(points) < len(sparse) < 0.8 * len(fine)


def test_no_new_edge_joins_two_rim_points() -> None:
    points, fan = polygon(40)
    had = {tuple(sorted(e)) for f in fan.tolist() for e in zip(f, f[1:] + f[:1], strict=True)}
    _, faces = refine(points, fan, np.full(40, 1.5))
    rim = {
        tuple(sorted(e)) for f in faces.tolist() for e in zip(f, f[1:] + f[:1], strict=True) if max(e) < 40
    }
    assert rim <= had
    assert (twins(faces, int(faces.max()) + 1) >= -1).all()


def test_the_limit_holds() -> None:
    points, fan = polygon(20)
    fine, _ = refine(points, fan, np.full(20, 0.01), limit=500)
    assert len(fine) <= 520


@pytest.mark.parametrize("corners", [24, 60, 100])
def test_no_edge_is_left_that_ought_to_be_turned(corners: int) -> None:
    # Delaunay's criterion, local form: the two angles across an edge add up to no more than half a turn
    points, fan = polygon(corners)
    fine, faces = refine(points, fan, np.full(corners, 20 * np.pi / corners))
    twin = twins(faces, len(fine))
    half = np.flatnonzero(twin > np.arange(len(twin)))
    sums = np.zeros(len(half))
    tips = []
    for side in (half, twin[half]):
        f, k = side // 3, side % 3
        a, b, tip = faces[f, k], faces[f, (k + 1) % 3], faces[f, (k + 2) % 3]
        u, v = fine[a] - fine[tip], fine[b] - fine[tip]
        sums += np.arctan2(np.linalg.norm(np.cross(u, v), axis=1), np.einsum("ij,ij->i", u, v))
        tips.append(tip)
    may_turn = np.maximum(*tips) >= corners  # an edge between two points of the rim could double one outside
    assert may_turn.sum() > corners
    assert sums[may_turn].max() <= np.pi + 2e-6
