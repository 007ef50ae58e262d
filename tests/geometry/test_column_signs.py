"""Columns enter and leave a closed surface equally often, wherever they pass."""

from __future__ import annotations

import numpy as np
import trimesh
from fettlebox_steps.geometry.column_signs import columns


def test_columns_exactly_through_edges_and_corners_are_neither_lost_nor_doubled() -> None:
    box = trimesh.creation.box((8.0, 6.0, 4.0))  # its corners, edges and diagonals lie on the columns
    vertices, faces = np.array(box.vertices), np.array(box.faces, np.int64)
    found = columns(vertices, faces, np.array([-6.0, -6.0, -6.0]), 1.0, 13, 13)
    count = np.diff(found.start).reshape(13, 13)
    assert set(np.unique(count)) == {0, 2}
    # of the two opposite rims of a half-open rectangle one belongs to it: 8 x 6 columns
    assert (count == 2).sum() == 8 * 6
    assert np.array_equal(found.into.reshape(-1, 2), np.tile([1, -1], (48, 1)))
    assert np.allclose(found.height.reshape(-1, 2), [4.0, 8.0])


def test_a_ball_is_as_tall_as_the_formula_says() -> None:
    ball = trimesh.creation.icosphere(5, radius=10.0)
    found = columns(
        np.array(ball.vertices), np.array(ball.faces, np.int64), np.array([-10.3, -10.1, 0.0]), 0.5, 42, 42
    )
    bars = found.height.reshape(-1, 2)
    # Cavalieri: the columns' lengths times their area add up to 4/3·π·r³
    assert np.isclose((bars[:, 1] - bars[:, 0]).sum() * 0.5**3, 4 / 3 * np.pi * 1000, rtol=0.01)
