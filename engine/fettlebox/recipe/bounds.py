"""Bounds of facts, in the words of a gate's demands and a few more: `{below: 2 mm}`, `{between: [1, 3]}`,
`{within: 0.5 %, of: 1234 mm3}`.

The end of a fact's name says what it counts in, and so which quantities can bound it. What counts in nothing
is bounded by numbers, or has to be a flag, a text or a whole number exactly.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Annotated, Any, Union

from pydantic import Field, create_model, model_validator

from ..params import QuantityType, Ratio, StepParams, quantity
from ..quantities import (
    ACCELERATION,
    ANGLE,
    AREA,
    DATA,
    DENSITY,
    KINDS,
    LENGTH,
    RATIO,
    SPEED,
    TIME,
    VOLUME,
    Kind,
    write_quantity,
)
from .nodes import Node, Place, Problems
from .validate import validate


@dataclass(frozen=True)
class Unit:
    """What a fact counts in: a kind, how many of its base units one is, and how quantities write it."""

    kind: Kind
    factor: float = 1.0
    name: str = ""

    def written(self, value: float, digits: int) -> str:
        """A fact's value as a quantity, in its own unit."""
        if not math.isfinite(value):
            return str(value)
        if not self.name:
            return write_quantity(float(f"{value * self.factor:.{digits}g}"), self.kind)
        number = f"{float(f'{value:.{digits}g}'):.12f}".rstrip("0").rstrip(".")
        return f"{number} {self.name}"


COUNTED_IN: dict[str, Unit] = {
    "mm": Unit(LENGTH), "cm": Unit(LENGTH, 10.0, "cm"), "m": Unit(LENGTH, 1000.0, "m"),
    "mm2": Unit(AREA), "cm2": Unit(AREA, 100.0, "cm2"),
    "mm3": Unit(VOLUME), "cm3": Unit(VOLUME, 1000.0, "cm3"), "ml": Unit(VOLUME, 1000.0, "ml"),
    "deg": Unit(ANGLE), "rad": Unit(ANGLE, 180.0 / math.pi, "rad"),
    "s": Unit(TIME), "h": Unit(TIME, 3600.0, "h"),
    "ratio": Unit(RATIO), "share": Unit(RATIO), "shares": Unit(RATIO), "percent": Unit(RATIO, 0.01),
    "mm_s": Unit(SPEED), "mm_s2": Unit(ACCELERATION), "g_per_cm3": Unit(DENSITY), "mb": Unit(DATA),
}  # fmt: skip
"""By the ends of facts' names."""
WORDS = ("below", "above", "between", "within", "of")
A_BOUND = "{below: …}, {above: …}, {between: [a, b]} or {within: …, of: …}"
ROUNDING = 1e-12
"""Of `of`: what arithmetic may add to a difference that is exactly as large as `within`."""
DIGITS = 9
"""Of what was found, in a message: enough that it does not look like a bound that it misses."""


class Bounds(StepParams):
    """`below`, `above` or both; or `between` two; or `within` so much `of` a value."""

    below: Any = None
    above: Any = None
    between: Any = None
    within: Any = None
    of: Any = None

    @model_validator(mode="after")
    def _one_way(self) -> Bounds:
        ways = [
            self.below is not None or self.above is not None,
            self.between is not None,
            self.within is not None or self.of is not None,
        ]
        if sum(ways) != 1:
            raise ValueError("expected `below`, `above` or both, `between`, or `within` and `of`")
        if (self.within is None) != (self.of is None):
            raise ValueError("expected `within` and `of` together")
        if self.within is not None and self.within < 0:
            raise ValueError("nothing is within less than nothing; write `within` without a minus sign")
        if self.below is not None and self.above is not None and self.above >= self.below:
            raise ValueError("nothing is above `above` and below `below`; exchange them")
        if self.between is not None and self.between[0] > self.between[1]:
            raise ValueError("`between` has its larger bound first; exchange them")
        return self

    def admits(self, value: float, as_share: bool) -> bool:
        """Whether a value keeps to the bounds. `as_share`: `within` is a share of `of`."""
        if self.between is not None:
            return bool(self.between[0] <= value <= self.between[1])
        if self.within is not None:
            apart = self.within * abs(self.of) if as_share else self.within
            return bool(abs(value - self.of) <= apart + ROUNDING * abs(self.of))
        return (self.below is None or value < self.below) and (self.above is None or value > self.above)


def _bounds_of(kind: Kind | None) -> type[Bounds]:
    """The bounds of facts of one kind; None for numbers that count in nothing."""
    what = kind.name if kind is not None else "number"
    value = float if kind is None else Annotated[float, QuantityType(kind)]

    def one(about: str) -> Any:
        return Field(None, description=about) if kind is None else quantity(None, about=about)

    near = "Not farther than this from `of`" + (
        ", in points of the share." if kind is RATIO else "; a share is a share of it."
    )
    optional: Any = value | None
    pair: Any = Annotated[list[value], Field(min_length=2, max_length=2)] | None  # type: ignore[valid-type]
    # Written with a bar they may come out in the order in which another module wrote them: typing caches.
    apart: Any = optional if kind is RATIO else Union[value, Ratio, None]  # noqa: UP007
    about_pair = "Not less than the first, and not more than the second."
    made: type[Bounds] = create_model(
        f"{what.title().replace(' ', '')}Bounds",
        __base__=Bounds,
        __doc__=f"Bounds of {kind.phrase.partition(' such')[0] if kind else 'a number'}.",
        below=(optional, one("Less than this.")),
        above=(optional, one("More than this.")),
        between=(pair, Field(None, description=about_pair)),
        within=(apart, one(near) if kind is RATIO else Field(None, description=near)),
        of=(optional, one("What is aimed at.")),
    )
    return made


_MODELS: dict[str, type[Bounds]] = {}


def bounds_model(kind: Kind | None) -> type[Bounds]:
    """The model of bounds for a kind of facts; made when it is first asked for."""
    key = kind.name if kind is not None else ""
    if key not in _MODELS:
        _MODELS[key] = _bounds_of(kind)
    return _MODELS[key]


@dataclass(frozen=True)
class Wanted:
    """One value that a fact has to have, or bounds of it.

    path    from the top of the file to the fact, with the places in lists
    key     where its name stands, which a fact that is not there is told by
    unit    what it counts in; None for nothing
    """

    path: Place
    node: Node
    key: Node
    unit: Unit | None
    bounds: Bounds | None

    def judge(self, found: Any) -> tuple[str, str] | None:
        """What was found and what was expected, as phrases; None if it is as it has to be."""
        if self.bounds is None:
            same = type(found) is type(self.node.value) and found == self.node.value
            return None if same or _same_number(found, self.node.value) else (as_found(found), self.said())
        if isinstance(found, bool) or not isinstance(found, (int, float)):
            return as_found(found), self.said()
        base = found if self.unit is None else found * self.unit.factor
        near = self.node.get("within")
        is_share = near is not None and near.written.rstrip().endswith("%")
        if self.bounds.admits(base, is_share and (self.unit is None or self.unit.kind is not RATIO)):
            return None
        shown = f"{found:.{DIGITS}g}" if self.unit is None else self.unit.written(found, DIGITS)
        return f"is {shown}", self.said()

    def said(self) -> str:
        """What is wanted, as it is written: `true`; `above 3 mm and below 5 mm`; `within 0.5 % of 12 cm3`."""
        if self.bounds is None:
            return self.node.written
        given = {word: self.node.get(word) for word in WORDS}
        said = {word: node for word, node in given.items() if node is not None}
        if "between" in said:
            low, high = (node.written for node in said["between"].value)
            return f"between {low} and {high}"
        if "within" in said:
            return f"within {said['within'].written} of {said['of'].written}"
        return " and ".join(f"{word} {said[word].written}" for word in ("above", "below") if word in said)


def _same_number(found: Any, wanted: Any) -> bool:
    numbers = all(isinstance(one, (int, float)) and not isinstance(one, bool) for one in (found, wanted))
    return numbers and found == wanted


def as_found(found: Any) -> str:
    """What a fact is, as a phrase."""
    match found:
        case None:
            return "is not measurable"
        case bool():
            return f"is {str(found).lower()}"
        case list() | tuple():
            return f"is a list of {len(found)}"
        case Mapping():
            return f"has facts of its own ({', '.join(map(str, list(found)[:4]))})"
    return f"is {found!r}" if isinstance(found, str) else f"is {found}"


def counted_in(name: str) -> Unit | None:
    """What the end of a fact's name says that it counts in."""
    ends = [end for end in COUNTED_IN if name == end or name.endswith(f"_{end}")]
    return COUNTED_IN[max(ends, key=len)] if ends else None


def read_wanted(
    node: Node, place: Place, problems: Problems, known: Callable[[str], bool] | None = None
) -> list[Wanted]:
    """All that a mapping of facts demands.

    `known` says, with a problem if not, whether there is a fact; facts then have no others below them.
    """
    if not isinstance(node.value, dict):
        return []  # told by the model of the file
    found: list[Wanted] = []
    for name, inner in node.value.items():
        if known is None or known(name):
            key, unit = node.keys[name], counted_in(name)
            found += _wanted(inner, (*place, name), key, unit, problems, nested=known is None)
    return found


def _wanted(
    node: Node, place: Place, key: Node, unit: Unit | None, problems: Problems, nested: bool
) -> Iterator[Wanted]:
    kind = unit.kind if unit is not None else None
    match node.value:
        case dict() if not nested or not node.value or not set(WORDS).isdisjoint(node.value):
            bounds = validate(bounds_model(kind), node, place, problems)
            if bounds is not None:
                yield Wanted(place, node, key, unit, bounds)
        case dict():
            for name, inner in node.value.items():
                own = counted_in(name) or unit
                yield from _wanted(inner, (*place, name), node.keys[name], own, problems, nested)
        case list():
            for index, inner in enumerate(node.value):
                yield from _wanted(inner, (*place, index), inner, unit, problems, nested)
        case bool() if kind is None:
            yield Wanted(place, node, key, None, None)
        case str() if kind is None:
            yield Wanted(place, node, key, None, None)
        case int() | float() if kind is None and not isinstance(node.value, bool) and _whole(node.value):
            yield Wanted(place, node, key, None, None)
        case _:
            example = kind.example if kind is not None else node.written or "1.5"
            exact = "" if kind is not None else "true, false, a text, a whole number, or "
            hint = (
                f"write {{within: 1 %, of: {example}}} for what is measured" if node.value is not None else ""
            )
            problems.add(node, place, node.shown(), f"{exact}bounds: {A_BOUND}", hint)


def _whole(value: float) -> bool:
    return float(value).is_integer()


def definitions() -> dict[str, Any]:
    """JSON Schema definitions, for each kind of facts: `bounds-KIND`; `wanted-KIND`, what a fact may have to
    be; `told-KIND`, the same for a fact that may have others below it.
    """
    made: dict[str, Any] = {}
    below = {"type": "object", "minProperties": 1, "propertyNames": {"not": {"enum": list(WORDS)}}}
    kinds: list[Kind | None] = [None, *dict.fromkeys(unit.kind for unit in COUNTED_IN.values())]
    for kind in kinds:
        key = _key(kind)
        schema = bounds_model(kind).model_json_schema(by_alias=True)
        said = {word: _without_null(one) for word, one in schema["properties"].items()}
        made[f"bounds-{key}"] = {**schema, "properties": said, "oneOf": _ways()}
        exact: list[dict[str, Any]] = [{"type": ["boolean", "string", "integer"]}] if kind is None else []
        flat = [{"$ref": f"#/$defs/bounds-{key}"}, *exact]
        wanted, told = {"$ref": f"#/$defs/wanted-{key}"}, {"$ref": f"#/$defs/told-{key}"}
        deeper = {**below, "patternProperties": _patterns(), "additionalProperties": told}
        made[f"wanted-{key}"] = {"anyOf": [*flat, {"type": "array", "items": wanted}]}
        made[f"told-{key}"] = {"anyOf": [*flat, {"type": "array", "items": told}, deeper]}
    return made


def _without_null(schema: dict[str, Any]) -> dict[str, Any]:
    """A bound is written with a value or left out."""
    kept = {word: value for word, value in schema.items() if word not in ("anyOf", "default")}
    return {**kept, "anyOf": [one for one in schema["anyOf"] if one.get("type") != "null"]}


def by_name() -> dict[str, Any]:
    """The keywords of a JSON Schema that give every fact the definition that the end of its name asks for."""
    return {"patternProperties": _patterns(), "additionalProperties": {"$ref": "#/$defs/told-number"}}


def wanted_ref(name: str) -> dict[str, str]:
    """The definition for a fact of that name."""
    unit = counted_in(name)
    return {"$ref": f"#/$defs/wanted-{_key(unit.kind if unit else None)}"}


def _key(kind: Kind | None) -> str:
    return "number" if kind is None else kind.name.replace(" ", "-")


def _patterns() -> dict[str, Any]:
    """One pattern a kind, such that a name has one at most: `_mm_s` is no `_s`."""
    patterns = {}
    for kind in KINDS.values():
        ends = [end for end, unit in COUNTED_IN.items() if unit.kind is kind]
        longer = [
            other
            for end in ends
            for other, unit in COUNTED_IN.items()
            if other.endswith(f"_{end}") and unit.kind is not kind
        ]
        but = f"(?!(?:.*_)?(?:{'|'.join(longer)})$)" if longer else ""
        if ends:
            patterns[f"^{but}(?:.*_)?(?:{'|'.join(ends)})$"] = {"$ref": f"#/$defs/told-{_key(kind)}"}
    return patterns


def _ways() -> list[dict[str, Any]]:
    one_sided: dict[str, Any] = {
        "anyOf": [{"required": ["below"]}, {"required": ["above"]}],
        "not": {"anyOf": [{"required": [word]} for word in ("between", "within", "of")]},
    }
    pair = {"required": ["between"], "maxProperties": 1}
    near = {"required": ["within", "of"], "maxProperties": 2}
    return [one_sided, pair, near]
