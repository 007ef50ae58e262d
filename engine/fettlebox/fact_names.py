"""How facts are named: a number that measures says in its name what it counts in."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

SHOWN_AS = {
    "mm": "mm", "cm": "cm", "m": "m", "mm2": "mm²", "cm2": "cm²", "mm3": "mm³", "cm3": "cm³", "ml": "ml",
    "deg": "°", "rad": "rad", "s": "s", "min": "min", "h": "h", "g": "g", "kg": "kg", "percent": "%",
    "px": "px", "dpi": "dpi", "mb": "MB", "levels": "levels",
}  # fmt: skip
"""Units as names say them, and as people read them: symbols of the SI Brochure (2019), where it has one."""

SHARES = frozenset({"share", "shares", "ratio"})
"""Plain numbers, which people read in percent."""

BARE = frozenset(
    ("count", "per", "cost", "price", "scale", "direction", "normal", "up", "front", "axis", "turn", "facing",
     "to", "score")
)  # fmt: skip
"""Words that say that a number has no unit. Money is the shop's own."""

UNITS = SHOWN_AS.keys() | SHARES | BARE
"""One of these has to be among the words of a measured fact's name."""


def without_unit(facts: Mapping[str, Any]) -> list[str]:
    """The facts, as `outer.inner`, that measure and do not say what in. Whole numbers are counts."""
    found = []
    for key, value in leaves(facts):
        words = {word for part in key for word in part.replace("-", "_").split("_")}
        if isinstance(value, float) and not words & UNITS:
            found.append(".".join(key))
    return list(dict.fromkeys(found))


def unit_in(name: str) -> str:
    """The unit that a fact's name says, as people read it: `mm²`; "of 1" for a share; "" for none."""
    words = name.replace("-", "_").split("_")[::-1]
    shown = next((SHOWN_AS[word] for word in words if word in SHOWN_AS), "")
    return shown or ("of 1" if SHARES & set(words) else "")


def with_units(facts: Mapping[str, Any]) -> tuple[dict[str, Any], list[str]]:
    """The facts whose numbers say what they count in, and a sentence on each of the others."""
    nameless = {name.partition(".")[0] for name in without_unit(facts)}
    said = [f"{name!r} has no unit in its name, such as _mm, and was left out" for name in sorted(nameless)]
    return {name: value for name, value in facts.items() if name not in nameless}, said


def leaves(value: Any, key: tuple[str, ...] = ()) -> Iterator[tuple[tuple[str, ...], Any]]:
    """Every single value of nested mappings and lists, with the names that lead to it."""
    if isinstance(value, Mapping):
        for name, inner in value.items():
            yield from leaves(inner, (*key, str(name)))
    elif isinstance(value, (list, tuple)):
        for inner in value:
            yield from leaves(inner, key)
    else:
        yield key, value
