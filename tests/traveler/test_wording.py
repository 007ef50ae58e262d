"""Facts are read as a person would say them."""

from __future__ import annotations

import pytest
from fettlebox.fact_names import BARE, SHARES, UNITS, unit_in, without_unit
from fettlebox.traveler.wording import named, shown


@pytest.mark.parametrize(
    ("key", "value", "name", "text"),
    [
        ("area_mm2", 5000.0, "area", "50 cm²"),
        ("print_h", 1.4385, "print", "1.44 h"),
        ("overhang_share", 0.0373, "overhang share", "3.73 %"),
        ("wall_speed_mm_s", 40.0, "wall speed", "40 mm/s"),
        ("acceleration_mm_s2", 1000.0, "acceleration", "1\u202f000 mm/s²"),
        ("density_g_per_cm3", 1.24, "density", "1.24 g/cm³"),
        ("layer_change_s", 1.0, "layer change", "1 s"),
        ("islands", 3, "islands", "3"),
        ("removed_percent", 4.86, "removed", "4.86 %"),
        ("liquid_stays_ml", 2.5, "liquid stays", "2.5 ml"),
        ("colour_change_p95_levels", 12.5, "colour change p95", "12.5 levels"),
    ],
)
def test_names_and_units(key: str, value: float, name: str, text: str) -> None:
    assert (named(key), shown(key, value)) == (name, text)


SYMBOLS = {
    # SI Brochure, 9th edition (2019), tables 2, 4 and 8: the symbols of these units
    "mm": "mm", "cm": "cm", "m": "m", "mm2": "mm²", "cm2": "cm²", "mm3": "mm³", "cm3": "cm³", "ml": "ml",
    "deg": "°", "rad": "rad", "s": "s", "min": "min", "h": "h", "g": "g", "kg": "kg",
    # not of the SI: common practice, no published source
    "percent": "%", "px": "px", "dpi": "dpi", "mb": "MB", "levels": "levels",
}  # fmt: skip


@pytest.mark.parametrize("word", sorted(UNITS))
def test_every_word_that_may_stand_for_a_unit_is_read_as_what_it_is(word: str) -> None:
    key = f"wide_{word}"
    assert without_unit({key: 1.5}) == [] and without_unit({"wide": 1.5}) == ["wide"]
    if word in SHARES:
        assert (shown(key, 1.5), unit_in(key)) == ("150 %", "of 1")
    elif word in BARE:
        assert (named(key), shown(key, 1.5), unit_in(key)) == (f"wide {word}", "1.5", "")
    else:
        assert (named(key), unit_in(key)) == ("wide", SYMBOLS[word])
        assert shown(key, 1.5).replace(" ", "") == f"1.5{SYMBOLS[word]}"
