"""Quantities as recipes write them: a decimal number and a unit (`2 mm`, `1/8 in`, `30 deg`, `25 %`).

The table is closed on purpose: a recipe reads the same in every shop, and checking one must start
fast. (A general units library takes most of the half second that `check` may take; the tests hold
this table against one.)
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from difflib import get_close_matches

NUMBER = r"[+-]?(?:\d+/[1-9]\d*|\d+(?:\.\d+)?|\.\d+)"


@dataclass(frozen=True, eq=False)
class Kind:
    """A physical kind: its name, the unit that values are kept in, and the factor of every unit."""

    name: str
    base: str
    units: dict[str, float]
    example: str

    @property
    def phrase(self) -> str:
        """`an angle such as '30 deg'`"""
        return f"{'an' if self.name[0] in 'aeiou' else 'a'} {self.name} such as {self.example!r}"

    @property
    def pattern(self) -> str:
        """Regular expression (ECMA-262, as JSON Schema wants) of every way to write a quantity."""
        units = "|".join(re.escape(unit) for unit in self.units)
        return rf"^\s*{NUMBER}\s*(?:{units})\s*$"


LENGTH = Kind(
    "length", "mm", {"mm": 1.0, "cm": 10.0, "m": 1000.0, "um": 0.001, "µm": 0.001, "in": 25.4}, "2 mm"
)
ANGLE = Kind("angle", "deg", {"deg": 1.0, "°": 1.0, "rad": 180.0 / math.pi}, "30 deg")
RATIO = Kind("ratio", "1", {"%": 0.01}, "25 %")
TIME = Kind(
    "time", "s", {"s": 1.0, "ms": 0.001, "min": 60.0, "h": 3600.0, "d": 86400.0, "days": 86400.0}, "2 s"
)
DATA = Kind("data size", "MB", {"MB": 1.0, "GB": 1000.0, "kB": 0.001}, "8 GB")
AREA = Kind("area", "mm2", {"mm2": 1.0, "cm2": 100.0, "mm²": 1.0, "cm²": 100.0}, "50 mm2")
VOLUME = Kind("volume", "mm3", {"mm3": 1.0, "cm3": 1000.0, "ml": 1000.0, "mm³": 1.0, "cm³": 1000.0}, "5 cm3")
SPEED = Kind(
    "speed",
    "mm/s",
    {"mm/s": 1.0, "cm/s": 10.0, "m/s": 1000.0, "mm/min": 1 / 60, "m/min": 1000 / 60},
    "60 mm/s",
)
ACCELERATION = Kind(
    "acceleration", "mm/s2", {"mm/s2": 1.0, "m/s2": 1000.0, "mm/s²": 1.0, "m/s²": 1000.0}, "1000 mm/s2"
)
DENSITY = Kind(
    "density",
    "g/cm3",
    {"g/cm3": 1.0, "g/ml": 1.0, "kg/m3": 0.001, "g/cm³": 1.0, "kg/m³": 0.001},
    "1.24 g/cm3",
)

KINDS = {
    kind.name: kind for kind in (LENGTH, ANGLE, RATIO, TIME, DATA, AREA, VOLUME, SPEED, ACCELERATION, DENSITY)
}

_SHAPE = re.compile(rf"^\s*(?P<number>{NUMBER})\s*(?P<unit>[^\W\d_].*?|[%°].*?)?\s*$")
_COMMA = re.compile(r"^\s*[+-]?\d+,\d+")


def parse_quantity(value: object, kind: Kind) -> float:
    """Value in `kind.base`. Raises ValueError with a sentence that shows the fix."""
    if isinstance(value, bool) or not isinstance(value, (str, int, float)):
        raise ValueError(f"expected {kind.phrase}, found {value!r}")
    if isinstance(value, (int, float)):
        unit = kind.base if kind.base in kind.units else next(iter(kind.units))
        shown = value * 100 if kind is RATIO and 0 < abs(value) <= 1 else value
        raise ValueError(f"{value!r} has no unit; write {f'{shown:g} {unit}'!r} if that is what you mean")
    if _COMMA.match(value):
        fixed = value.strip().replace(",", ".", 1)
        raise ValueError(f"{value!r} has a comma in its number; write a point: {fixed!r}")
    match = _SHAPE.match(value)
    if match is None:
        raise ValueError(f"expected {kind.phrase}, found {value!r}")
    number, unit = match["number"], match["unit"]
    if unit is None:
        raise ValueError(f"{value!r} has no unit; expected {kind.phrase}")
    if unit not in kind.units:
        near = get_close_matches(unit, kind.units, n=1, cutoff=0.5)
        hint = f"; did you mean {near[0]!r}?" if near else ""
        raise ValueError(f"{unit!r} is not a unit of {kind.name} ({', '.join(kind.units)}){hint}")
    top, _, bottom = number.partition("/")
    result = float(top) / float(bottom or 1) * kind.units[unit]
    if not math.isfinite(result):
        raise ValueError(f"{value!r} is too large")
    return result


def write_quantity(value: float, kind: Kind) -> str:
    """The shortest way to write a value that is kept in `kind.base`; `parse_quantity` reads it back."""
    unit, factor = (kind.base, 1.0) if kind.base in kind.units else next(iter(kind.units.items()))
    number = f"{value / factor:.12g}"
    if "e" in number:
        number = f"{value / factor:.12f}".rstrip("0").rstrip(".")
    return f"{number} {unit}"
