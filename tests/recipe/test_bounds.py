"""Bounds of facts: what a fact's name says it counts in, and which values keep to what is written."""

from __future__ import annotations

import math
import re
from typing import Any

import pint
import pytest
from fettlebox.errors import RecipeError
from fettlebox.mesh import Part
from fettlebox.mesh.facts import measure
from fettlebox.mesh.fidelity import compare
from fettlebox.recipe.bounds import COUNTED_IN, Wanted, by_name, counted_in
from fettlebox.recipe.expect import FACTS, FIDELITY, parse_expectation
from fettlebox.testing.shapes import brick


def wanted(bounds: str, name: str = "some_mm3") -> Wanted:
    (found,) = parse_expectation(f"recipe: r\nsteps: {{s: {{{name}: {bounds}}}}}\n", "e").wanted
    return found


@pytest.mark.parametrize(
    ("name", "bounds", "inside", "outside"),
    [
        ("a_mm3", "{below: 5 cm3}", [0.0, 4999.9], [5000.0, 6000.0]),
        ("a_mm3", "{above: 5 cm3}", [5000.1], [5000.0, -1.0]),
        ("a_mm3", "{above: 1 mm3, below: 2 mm3}", [1.5], [1.0, 2.0, 3.0]),
        ("a_mm3", "{between: [1 mm3, 2 mm3]}", [1.0, 2.0], [0.999, 2.001]),
        ("a_cm3", "{below: 5 ml}", [4.9], [5.1]),
        ("a_mm", "{within: 0.5 %, of: 10 cm}", [99.5, 100.5], [99.49, 100.51]),
        ("a_mm", "{within: 1/8 in, of: 1 in}", [22.3, 28.5], [22.2, 28.6]),  # 25.4 mm, 3.175 either way
        ("a_mm", "{within: 10 %, of: -10 mm}", [-9.0, -11.0], [-8.9, -11.1, 10.0]),
        ("a_deg", "{below: 1 rad}", [57.29], [57.30]),
        ("a_rad", "{below: 180 deg}", [3.14], [3.15]),
        ("a_ratio", "{within: 2 %, of: 30 %}", [0.281, 0.319], [0.279, 0.321]),  # points, not a share of 30 %
        ("a_percent", "{below: 12 %}", [11.9], [12.1]),
        ("print_h", "{below: 90 min}", [1.49], [1.51]),
        ("count", "{within: 2 %, of: 1000}", [980, 1020], [979, 1021]),
        ("count", "{within: 3, of: 1000}", [997, 1003], [996, 1004]),
        ("count", "7", [7, 7.0], [8, True, None, "7"]),
        ("closed", "true", [True], [False, 1, None]),
        ("grade", "good", ["good"], ["bad", None, True]),
    ],
)  # fmt: skip
def test_what_keeps_to_them(name: str, bounds: str, inside: list[Any], outside: list[Any]) -> None:
    one = wanted(bounds, name)
    assert [one.judge(value) for value in inside] == [None] * len(inside)
    assert None not in [one.judge(value) for value in outside]


@pytest.mark.parametrize("value", [None, "much", True, [1.0], {"a": 1}, math.nan])
def test_what_is_no_number_keeps_to_no_bounds(value: Any) -> None:
    said = wanted("{below: 5 cm3}").judge(value)
    assert said is not None and said[1] == "below 5 cm3"


def test_a_finding_is_told_in_the_fact_s_unit_and_the_bounds_as_written() -> None:
    assert wanted("{within: 0.5 %, of: 4.2 cm3}").judge(4300.25) == (
        "is 4300.25 mm3",
        "within 0.5 % of 4.2 cm3",
    )
    assert wanted("{below: 90 min}", "print_h").judge(2.5) == ("is 2.5 h", "below 90 min")
    assert wanted("{above: 1/3 mm, below: 9 mm}", "a_mm").judge(0.25) == (
        "is 0.25 mm",
        "above 1/3 mm and below 9 mm",
    )
    assert wanted("{below: 3 %}", "a_share").judge(0.035) == ("is 3.5 %", "below 3 %")
    close = wanted("{below: 33510.32 mm3}").judge(33510.3216)
    assert close is not None and close[0] == "is 33510.3216 mm3", "it must not look as if it kept to it"


def test_units_of_facts_are_those_of_a_library_of_units() -> None:
    """Held against pint: the factor from a fact's unit to the base unit of its kind."""
    units = pint.UnitRegistry()
    words = {
        "mm2": "mm**2", "cm2": "cm**2", "mm3": "mm**3", "cm3": "cm**3", "mm_s": "mm/s", "mm_s2": "mm/s**2",
        "g_per_cm3": "g/cm**3", "mb": "megabyte", "ratio": "", "share": "", "shares": "",
    }  # fmt: skip
    bases = {
        "mm2": "mm**2",
        "mm3": "mm**3",
        "g/cm3": "g/cm**3",
        "MB": "megabyte",
        "1": "",
        "mm/s2": "mm/s**2",
    }
    for end, unit in COUNTED_IN.items():
        one = units.Quantity(1.0, words.get(end, end)).to(bases.get(unit.kind.base, unit.kind.base))
        assert one.magnitude == pytest.approx(unit.factor, rel=1e-12), end


@pytest.mark.parametrize(
    ("name", "kind"),
    [
        ("size_mm", "length"), ("mm", "length"), ("first_layer_mm_s", "speed"), ("print_s", "time"),
        ("density_g_per_cm3", "density"), ("x_mm_s2", "acceleration"), ("bodies", None), ("items", None),
        ("comm", None), ("wall_mm_least", None), ("ratios", None),
    ],
)  # fmt: skip
def test_the_end_of_a_name_says_the_kind_and_the_schema_agrees(name: str, kind: str | None) -> None:
    unit = counted_in(name)
    assert (unit.kind.name if unit else None) == kind
    matching = [
        reference["$ref"].removeprefix("#/$defs/told-")
        for pattern, reference in by_name()["patternProperties"].items()
        if re.search(pattern, name)
    ]
    assert matching == ([kind] if kind else [])


def test_the_names_of_facts_are_those_that_are_measured() -> None:
    part: Part = brick()
    assert tuple(measure(part)) == FACTS
    assert tuple(compare(part, part).as_facts()) == FIDELITY


@pytest.mark.parametrize(
    ("bounds", "said"),
    [
        ("{}", "expected `below`, `above` or both, `between`, or `within` and `of`"),
        ("{below: 1 mm3, between: [1 mm3, 2 mm3]}", "expected `below`, `above` or both, `between`"),
        ("{within: 1 %}", "expected `within` and `of` together"),
        ("{of: 1 mm3}", "expected `within` and `of` together"),
        ("{within: -1 %, of: 1 mm3}", "nothing is within less than nothing"),
        ("{above: 2 mm3, below: 1 mm3}", "nothing is above `above` and below `below`"),
        ("{between: [2 mm3, 1 mm3]}", "`between` has its larger bound first"),
        ("{between: [1 mm3]}", "found a list of 1"),
        ("{below: 3}", "3 has no unit"),
        ("{below: 3 mm2}", "'mm2' is not a unit of volume"),
        ("{bellow: 3 mm3, below: 1 mm3}", "did you mean 'below'?"),
        ("3 mm3", "write {within: 1 %, of: 5 cm3}"),
        ("true", "found true"),
        ("", "found nothing"),
    ],
)
def test_what_bounds_nothing_is_said(bounds: str, said: str) -> None:
    with pytest.raises(RecipeError) as error:
        wanted(bounds)
    assert said in str(error.value)


def test_facts_below_facts_and_lists_have_bounds_each() -> None:
    text = (
        "recipe: r\nsteps:\n  s:\n    layers: {first: {area_mm2: {below: 2 mm2}}, count: 3}\n"
        "    sides_mm: [{below: 1 mm}, {thin: {above: 1 mm}}]\n"
    )
    found = {one.path[2:]: one for one in parse_expectation(text, "e").wanted}
    assert list(found) == [
        ("layers", "first", "area_mm2"),
        ("layers", "count"),
        ("sides_mm", 0),
        ("sides_mm", 1, "thin"),
    ]
    assert found["sides_mm", 1, "thin"].judge(2.0) is None, "what a name says holds for what is below it"
