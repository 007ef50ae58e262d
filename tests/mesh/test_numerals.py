"""Decimal numbers, held against Python's own correctly rounded conversions."""

from __future__ import annotations

import numpy as np
import pytest
from fettlebox.mesh.formats.numerals import put_single, read_number
from hypothesis import given, settings
from hypothesis import strategies as st


def as_read(text: str) -> tuple[float, int]:
    data = np.frombuffer(text.encode(), np.uint8)
    value, behind = read_number(data, 0, len(data))
    return float(value), int(behind)


@settings(max_examples=1000, deadline=None)
@given(st.floats(-1e9, 1e9, allow_subnormal=False))
def test_every_double_is_read_to_the_last_bit(value: float) -> None:
    if value and abs(value) < 1e-40:  # smaller numbers are as good as zero in a scan
        return
    for text in (repr(value), f"{value:.17e}", f"{value:.9g}"):
        assert as_read(text) == (float(text), len(text))


@pytest.mark.parametrize(
    "text", ["0", "-0", "+1", "1.", ".5", "1e5", "1E-5", "007", "0.00000000000000000001"]
)
def test_every_way_to_write_a_number(text: str) -> None:
    assert as_read(text)[0] == float(text)


@pytest.mark.parametrize(
    "text",
    ["", "-", ".", "e5", "1e", "1e+", "nan", "-inf", "1,5", "0x10", "1_0", "1.2.3", "--1", "1f"],
)
def test_what_is_no_number(text: str) -> None:
    assert as_read(text)[1] == -1


@settings(max_examples=1000, deadline=None)
@given(st.floats(width=32, allow_nan=False, allow_infinity=False))
def test_every_single_is_written_so_that_it_reads_back(value: float) -> None:
    out = np.zeros(32, np.uint8)
    text = bytes(out[: put_single(out, 0, value)]).decode()
    assert len(text) <= 24
    if value and abs(value) < 1.2e-38:  # subnormal: nine digits may miss the last bit
        assert abs(float(text) - value) < 1e-44
    else:
        assert np.float32(float(text)) == np.float32(value)


@pytest.mark.parametrize(
    ("value", "text"), [(0.1, "0.1"), (-2.5, "-2.5"), (100.0, "100"), (1 / 3, "0.33333334"), (-0.0, "0")]
)
def test_the_fewest_decimals_are_written(value: float, text: str) -> None:
    out = np.zeros(32, np.uint8)
    assert bytes(out[: put_single(out, 0, value)]).decode() == text
