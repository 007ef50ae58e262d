"""Weighted quantiles against sorting, and against numpy's where all weigh the same."""

from __future__ import annotations

import numpy as np
import pytest
from fettlebox_steps.geometry.noise import weighted_median, weighted_quantile


@pytest.mark.parametrize("share", [0.01, 0.5, 0.99])
@pytest.mark.parametrize("count", [1, 2, 7, 1000, 50_000])
def test_a_quantile_is_what_sorting_finds(share: float, count: int) -> None:
    """Over ten decades of both signs, which is where telling apart by digits could go wrong."""
    rng = np.random.default_rng(count)
    values = rng.normal(size=count) * 10.0 ** rng.uniform(-5, 5, count)
    weights = rng.uniform(size=count)
    order = np.argsort(values)
    reached = np.cumsum(weights[order])
    expected = values[order][np.searchsorted(reached, share * reached[-1])]
    assert weighted_quantile(values, weights, share) == expected


def test_of_equal_weights_it_is_numpys() -> None:
    values = np.random.default_rng(5).normal(size=1001)
    assert weighted_median(values, np.ones(1001)) == np.median(values)
    lowest = np.quantile(values, 0.1, method="inverted_cdf")
    assert weighted_quantile(values, np.ones(1001), 0.1) == lowest


def test_values_in_a_row_share_a_weight_and_nothing_weighs_nothing() -> None:
    values = np.array([5.0, -1.0, 3.0, 2.0, 0.0, -0.0])
    assert weighted_quantile(values, np.array([3.0, 1.0]), 0.5) == weighted_quantile(
        values, np.repeat([3.0, 1.0], 3), 0.5
    )
    assert weighted_median(np.zeros(0), np.zeros(0)) == 0.0
    assert weighted_median(values, np.zeros(6)) == 0.0
