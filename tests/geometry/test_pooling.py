"""pooling: what stays in shapes whose puddles are known from solid geometry."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from fettlebox_steps.geometry.drain_places import Hole
from fettlebox_steps.geometry.pooling import HollowGrid


def _grid(hollow: trimesh.Trimesh, turn: np.ndarray | None = None) -> HollowGrid:
    faces = np.array(hollow.faces, np.int64)[:, ::-1]
    return HollowGrid.of(
        np.array(hollow.vertices), np.ascontiguousarray(faces), np.eye(3) if turn is None else turn
    )


def _hole(at: tuple[float, float, float], axis: tuple[float, float, float], length: float = 4.0) -> Hole:
    way = np.array(axis, float)
    return Hole(np.array(at, float) - 0.5 * way, way, length, np.array(at) + way, at[2])


def test_a_ball_drained_at_its_side_keeps_half_of_what_it_holds() -> None:
    ball = trimesh.creation.icosphere(4, radius=10.0)
    pockets = _grid(ball).pockets([_hole((10.0, 0, 0), (1.0, 0, 0))], 0.5)
    # spherical cap π·h²·(3r−h)/3 below the hole's lower edge (CRC Standard Mathematical Tables)
    h = 9.5
    assert len(pockets) == 1
    assert pockets[0].volume_mm3 == pytest.approx(np.pi * h**2 * (30 - h) / 3, rel=0.04)
    assert pockets[0].deep_mm == pytest.approx(h, abs=0.5)
    assert pockets[0].lowest[2] == pytest.approx(-10.0, abs=0.4)


def test_a_ball_drained_at_its_lowest_place_is_empty() -> None:
    ball = trimesh.creation.icosphere(4, radius=10.0)
    left = sum(p.volume_mm3 for p in _grid(ball).pockets([_hole((0, 0, -10.0), (0, 0, -1.0))], 1.5))
    assert left < 0.01 * 4 / 3 * np.pi * 10**3


def _two_cups() -> trimesh.Trimesh:
    """Two boxes that a third joins above: each is a cup of 10 × 10 × 12."""
    boxes = [
        trimesh.creation.box((10, 10, 20)),
        trimesh.creation.box((10, 10, 20)),
        trimesh.creation.box((40, 10, 8)),
    ]
    for box, x, z in zip(boxes, (-15, 15, 0), (10, 10, 16), strict=True):
        box.apply_translation((x, 0, z))
    return trimesh.boolean.union(boxes, engine="manifold")


def test_a_second_cup_that_no_hole_reaches_stays_full_to_its_brim() -> None:
    cups = _two_cups()
    one = _hole((-15.0, 0, 0), (0, 0, -1.0))
    (pocket,) = _grid(cups).pockets([one], 1.5)
    assert pocket.volume_mm3 == pytest.approx(10 * 10 * 12, rel=0.03)
    assert pocket.deep_mm == pytest.approx(12.0, abs=0.3)
    assert pocket.lowest[0] == pytest.approx(15, abs=5)
    assert sum(p.volume_mm3 for p in _grid(cups).pockets([one, _hole((15.0, 0, 0), (0, 0, -1.0))], 1.5)) < 5


def test_another_stance_keeps_something_else() -> None:
    """Stood on its head, the joined cups have one floor, and the hole that was in the lid is in it."""
    turn = np.diag([1.0, -1.0, -1.0])
    top = _hole((0.0, 0, 20.0), (0, 0, 1.0))
    assert sum(p.volume_mm3 for p in _grid(_two_cups(), turn).pockets([top], 1.5)) < 5
    brim = 20.0 - 0.5 - 2 * 0.2  # where the drill begins, and two cells more
    full = 10 * 10 * 12 * 2 + 40 * 10 * (brim - 12)
    assert sum(p.volume_mm3 for p in _grid(_two_cups()).pockets([top], 1.5)) == pytest.approx(full, rel=0.03)
