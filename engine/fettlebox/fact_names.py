"""How facts are named: a number that measures says in its name what it counts in."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

UNITS = frozenset(
    ("mm", "cm", "m", "mm2", "mm3", "cm3", "ml", "deg", "rad", "s", "min", "h", "g", "kg", "percent", "share",
     "ratio", "px", "dpi", "mb", "count", "per", "cost", "price", "scale", "direction", "normal",
     "up", "axis", "turn", "facing", "to", "score")
)  # fmt: skip
"""Words that say what a number in a fact counts in, or that it has no unit. Money is the shop's own."""


def without_unit(facts: Mapping[str, Any]) -> list[str]:
    """The facts, as `outer.inner`, that measure and do not say what in. Whole numbers are counts."""
    found = []
    for key, value in leaves(facts):
        words = {word for part in key for word in part.replace("-", "_").split("_")}
        if isinstance(value, float) and not words & UNITS:
            found.append(".".join(key))
    return list(dict.fromkeys(found))


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
