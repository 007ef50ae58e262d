"""Quantities, held against pint (an independent library of units) and the pattern that JSON Schema gets."""

from __future__ import annotations

import re
from fractions import Fraction

import pint
import pytest
from fettlebox.quantities import ANGLE, KINDS, LENGTH, RATIO, Kind, parse_quantity, write_quantity
from hypothesis import given
from hypothesis import strategies as st

# What our spelling is called there. `days` and `kB` it knows; `%` and the micro sign need a name.
PINT_NAME = {"%": "percent", "°": "degree", "um": "micrometer", "µm": "micrometer", "in": "inch",
             "mm²": "mm**2", "cm²": "cm**2", "mm2": "mm**2", "cm2": "cm**2", "mm³": "mm**3", "cm³": "cm**3",
             "mm3": "mm**3", "cm3": "cm**3", "MB": "megabyte", "GB": "gigabyte", "kB": "kilobyte",
             "d": "day", "ml": "milliliter", "deg": "degree"}  # fmt: skip
for mass in ("g", "kg"):
    PINT_NAME |= {f"{mass}/{volume}": f"{mass}/{volume[:-1]}**3" for volume in ("cm3", "cm³", "m3", "m³")}
for length in ("mm", "m"):
    PINT_NAME |= {f"{length}/s{two}": f"{length}/s**2" for two in ("2", "²")}
BASE = {"1": "dimensionless", "mm2": "mm**2", "mm3": "mm**3", "MB": "megabyte", "deg": "degree",
        "mm/s2": "mm/s**2", "g/cm3": "g/cm**3"}  # fmt: skip
UNITS = [(kind, unit) for kind in KINDS.values() for unit in kind.units]


@pytest.fixture(scope="module")
def registry() -> pint.UnitRegistry:
    return pint.UnitRegistry()


@pytest.mark.parametrize(("kind", "unit"), UNITS, ids=[f"{kind.name}-{unit}" for kind, unit in UNITS])
def test_every_unit_is_worth_what_pint_says(kind: Kind, unit: str, registry: pint.UnitRegistry) -> None:
    base = registry.Unit(BASE.get(kind.base, kind.base))
    for number in ("1", "2.5", "-3", "1/8", ".5", "+7"):
        value = float(Fraction(number))
        expected = registry.Quantity(value, PINT_NAME.get(unit, unit)).to(base).magnitude
        assert parse_quantity(f"{number} {unit}", kind) == pytest.approx(expected, rel=1e-12)
        assert parse_quantity(f"  {number}{unit} ", kind) == pytest.approx(expected, rel=1e-12)


@given(st.floats(-1e9, 1e9), st.sampled_from(list(KINDS.values())))
def test_what_is_written_reads_back(value: float, kind: Kind) -> None:
    assert parse_quantity(write_quantity(value, kind), kind) == pytest.approx(value, rel=1e-11, abs=1e-11)


@given(
    st.one_of(
        st.text(max_size=12),
        st.from_regex(LENGTH.pattern, fullmatch=True),
        st.from_regex(r"[+-]?[0-9]{0,3}[.,/]?[0-9]{0,2} ?(mm|cm|in|deg|%|)", fullmatch=True),
    )
)
def test_the_pattern_of_the_schema_admits_what_is_read(text: str) -> None:
    # ECMA-262 reads \\d and \\s much as Python does in ASCII; texts beyond it are refused by both.
    for kind in (LENGTH, ANGLE, RATIO):
        try:
            parse_quantity(text, kind)
            reads = True
        except ValueError as error:
            reads = "too large" in str(error)
        assert reads == (re.fullmatch(kind.pattern, text) is not None)


@pytest.mark.parametrize(
    ("value", "kind", "sentence"),
    [
        (2, LENGTH, "2 has no unit; write '2 mm' if that is what you mean"),
        (0.25, RATIO, "0.25 has no unit; write '25 %' if that is what you mean"),
        (25, RATIO, "25 has no unit; write '25 %' if that is what you mean"),
        ("2", LENGTH, "'2' has no unit; expected a length such as '2 mm'"),
        ("2 m m", LENGTH, "'m m' is not a unit of length (mm, cm, m, um, µm, in); did you mean 'mm'?"),
        ("2 inch", LENGTH, "'inch' is not a unit of length (mm, cm, m, um, µm, in); did you mean 'in'?"),
        ("0,5 mm", LENGTH, "'0,5 mm' has a comma in its number; write a point: '0.5 mm'"),
        ("1/0 in", LENGTH, "expected a length such as '2 mm', found '1/0 in'"),
        ("1:30", ANGLE, "expected an angle such as '30 deg', found '1:30'"),
        ("wide", LENGTH, "expected a length such as '2 mm', found 'wide'"),
        (True, LENGTH, "expected a length such as '2 mm', found True"),
        (None, LENGTH, "expected a length such as '2 mm', found None"),
        ("9" * 400 + " m", LENGTH, f"'{'9' * 400} m' is too large"),
    ],
)
def test_a_wrong_quantity_is_told_with_its_fix(value: object, kind: Kind, sentence: str) -> None:
    with pytest.raises(ValueError) as caught:
        parse_quantity(value, kind)
    assert str(caught.value) == sentence
