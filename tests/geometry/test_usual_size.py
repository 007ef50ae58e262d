"""How usual sizes are, and the probabilities that follow, by hand."""

from __future__ import annotations

import math

import pytest
from fettlebox.quantities import LENGTH
from fettlebox_steps.geometry.usual_size import (
    LIFE_SIZE_HEAD,
    NONE_SHARE,
    UNIT_MM,
    UNIT_SHARE,
    SizeBand,
    height_band,
    unit_posterior,
)


def test_head_lengths_of_bodyspace_are_all_usual() -> None:
    """S. Pheasant, C. Haslegrave, "Bodyspace": glabella to occiput, 5th, 50th and 95th percentiles, mm."""
    for length in (165.0, 180.0, 190.0, 180.0, 195.0, 205.0):
        assert LIFE_SIZE_HEAD.usual(length) == 1.0


def test_tails_are_bells_over_the_logarithm() -> None:
    band = SizeBand(100.0, 200.0, tail_below=0.1, tail_above=0.2)
    assert band.usual(100.0 * math.exp(-0.1)) == pytest.approx(math.exp(-0.5))
    assert band.usual(200.0 * math.exp(0.4)) == pytest.approx(math.exp(-2.0))
    assert band.usual(0.0) == 0.0


def test_a_posterior_by_hand() -> None:
    """300 in the file is a head in mm and in nothing else: 0.6 against the 0.005 of no unit at all."""
    likely = unit_posterior((300.0,), LIFE_SIZE_HEAD)
    assert likely["mm"] == pytest.approx(UNIT_SHARE["mm"] / (UNIT_SHARE["mm"] + NONE_SHARE), rel=1e-6)
    assert math.fsum(likely.values()) == pytest.approx(1.0)


def test_units_are_those_of_recipes() -> None:
    assert all(LENGTH.units[name] == mm for name, mm in UNIT_MM.items())
    assert math.fsum(UNIT_SHARE.values()) == pytest.approx(1.0)


def test_any_side_may_be_the_known_height() -> None:
    assert unit_posterior((0.1, 0.24, 0.15), height_band(240.0))["m"] > 0.9
