"""Parameters of a step: pydantic models whose quantities carry units.

    class Params(StepParams):
        wall: Length = quantity("2 mm", at_least="0.4 mm", about="Thickness of the wall.")

The model's JSON Schema is the step's schema. JSON Schema cannot compare quantities, so their bounds
are checked here and noted in the schema as `x-at-least` and `x-at-most`.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field, ValidationInfo, field_validator
from pydantic_core import PydanticSerializationUnexpectedValue, core_schema

from .quantities import (
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
    parse_quantity,
    write_quantity,
)


class Measured(float):
    """A number in the base unit of its kind that remembers the kind.

    A field such as `Length | Ratio` holds it, for 30 mm is not 30 %. Arithmetic gives plain numbers.
    """

    kind: str

    def __new__(cls, value: float, kind: str) -> Measured:
        measured = super().__new__(cls, value)
        measured.kind = kind
        return measured

    def __reduce__(self) -> tuple[type[Measured], tuple[float, str]]:
        return Measured, (float(self), self.kind)


@dataclass(frozen=True)
class QuantityType:
    """Makes pydantic read `2 mm` into a float of the kind's base unit, and write it as a quantity again."""

    kind: Kind

    def __get_pydantic_core_schema__(self, source: Any, handler: Any) -> core_schema.CoreSchema:
        def read(value: object) -> float:
            return Measured(parse_quantity(value, self.kind), self.kind.name)

        def write(value: object) -> str:
            # Of `Length | Ratio | Literal["auto"]` pydantic asks each in turn until one knows the value.
            if not isinstance(value, float) or getattr(value, "kind", self.kind.name) != self.kind.name:
                raise PydanticSerializationUnexpectedValue(f"{value!r} is no {self.kind.name}")
            return write_quantity(value, self.kind)

        return core_schema.no_info_plain_validator_function(
            read, serialization=core_schema.plain_serializer_function_ser_schema(write)
        )

    def __get_pydantic_json_schema__(self, schema: Any, handler: Any) -> dict[str, Any]:
        return {"type": "string", "pattern": self.kind.pattern, "examples": [self.kind.example]}


Length = Annotated[float, QuantityType(LENGTH)]
Angle = Annotated[float, QuantityType(ANGLE)]
Ratio = Annotated[float, QuantityType(RATIO)]
Area = Annotated[float, QuantityType(AREA)]
Volume = Annotated[float, QuantityType(VOLUME)]
Time = Annotated[float, QuantityType(TIME)]
Data = Annotated[float, QuantityType(DATA)]
Speed = Annotated[float, QuantityType(SPEED)]
Acceleration = Annotated[float, QuantityType(ACCELERATION)]
Density = Annotated[float, QuantityType(DENSITY)]


def quantity(
    default: Any = ...,
    *,
    at_least: str | None = None,
    at_most: str | None = None,
    about: str,
    alias: str | None = None,
) -> Any:
    """A field that holds a quantity (or None). `default` and bounds are written as in a recipe."""
    bounds: dict[str, Any] = {}
    if at_least is not None:
        bounds["x-at-least"] = at_least
    if at_most is not None:
        bounds["x-at-most"] = at_most
    return Field(
        default,
        description=about,
        alias=alias,
        validate_default=default not in (None, ...),
        json_schema_extra=bounds,
    )


class StepParams(BaseModel):
    """Base of every step's parameters: unknown keys are errors, values never change."""

    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True, allow_inf_nan=False)

    @field_validator("*", mode="after")
    @classmethod
    def _within_bounds(cls, value: Any, info: ValidationInfo) -> Any:
        if info.field_name is None or not isinstance(value, float):
            return value
        declared = cls.model_fields[info.field_name]
        extra = declared.json_schema_extra
        kinds = _kinds_of(declared.metadata, declared.annotation)
        if not kinds:
            return value
        kind = KINDS[value.kind] if isinstance(value, Measured) else kinds[0]
        for key, wrong, word in (("x-at-least", float.__lt__, "least"), ("x-at-most", float.__gt__, "most")):
            bound = extra.get(key) if isinstance(extra, dict) else None
            # A bound in millimetres says nothing about a share.
            if not isinstance(bound, str) or re.fullmatch(kind.pattern, bound) is None:
                continue
            if wrong(value, parse_quantity(bound, kind)):
                raise ValueError(f"{write_quantity(value, kind)} is out of range; expected at {word} {bound}")
        return value if len(kinds) > 1 else float(value)


def kind_of(metadata: list[Any], annotation: Any = None) -> Kind | None:
    """The physical kind a field's annotation carries, also inside `Length | None`; the first of several."""
    return next(iter(_kinds_of(metadata, annotation)), None)


def _kinds_of(metadata: list[Any], annotation: Any) -> list[Kind]:
    kinds = [item.kind for item in metadata if isinstance(item, QuantityType)]
    for inner in getattr(annotation, "__args__", ()):
        kinds += _kinds_of(list(getattr(inner, "__metadata__", ())), None)
    return kinds
