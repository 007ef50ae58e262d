"""Triangles in compact order, against what a k-d tree is by definition."""

from __future__ import annotations

import numba
import numpy as np
import pytest
from fettlebox_steps.geometry.triangle_order import compact_order, middles_of
from numpy.typing import NDArray

LEAF = 8


def _is_kd_tree(middles: NDArray[np.float64]) -> bool:
    """Whether the first `LEAF` times a power of two, the largest below all, lie on one side of a plane across
    the longest side of the box around all of them, and so on in both halves (J. L. Bentley, 1975).
    """
    if len(middles) <= LEAF:
        return True
    left = LEAF
    while left * 2 < len(middles):
        left *= 2
    axis = int(np.argmax(np.ptp(middles, axis=0)))
    apart = middles[:left, axis].max() <= middles[left:, axis].min()
    return bool(apart) and _is_kd_tree(middles[:left]) and _is_kd_tree(middles[left:])


@pytest.mark.parametrize("count", [0, 1, 8, 9, 4_097, 65_537, 100_000])
def test_the_order_is_that_of_a_kd_tree_on_any_number_of_threads(count: int) -> None:
    middles = np.random.default_rng(count).normal(size=(count, 3)).round(2)  # so that many are equal
    threads = numba.get_num_threads()
    order = compact_order(middles, LEAF)
    numba.set_num_threads(1)
    try:
        alone = compact_order(middles, LEAF)
    finally:
        numba.set_num_threads(threads)
    assert (np.sort(order) == np.arange(count)).all()
    assert _is_kd_tree(middles[order])
    assert (order == alone).all()


def test_middles_are_those_of_the_corners() -> None:
    rng = np.random.default_rng(1)
    points, faces = rng.normal(size=(50, 3)), rng.integers(0, 50, (90, 3))
    np.testing.assert_allclose(middles_of(points, faces), points[faces].mean(axis=1), rtol=1e-12, atol=1e-15)
