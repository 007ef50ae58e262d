"""Facts are read as a person would say them."""

from __future__ import annotations

import pytest
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
    ],
)
def test_names_and_units(key: str, value: float, name: str, text: str) -> None:
    assert (named(key), shown(key, value)) == (name, text)
