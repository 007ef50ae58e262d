"""What a recipe asks of a ticket: a name, a type, and the bounds of the answer.

Answers stay as they were written (`25 %`, not 0.25): that is what `${name}` puts in its place.
"""

from __future__ import annotations

import math
from abc import abstractmethod
from dataclasses import dataclass
from typing import Annotated, Any, ClassVar, Literal, Self

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, model_validator
from pydantic_core import core_schema

from ..quantities import ANGLE, LENGTH, RATIO, Kind, parse_quantity
from .nodes import is_control, quoted


class AskBase(BaseModel):
    """One entry of `ask`. Without a default, a ticket has to answer."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, defer_build=True)

    about: str = Field("", description="What this is for, in words for whoever writes tickets.")

    @abstractmethod
    def read(self, value: Any) -> Any:
        """The answer as it goes into the recipe. Raises ValueError with a sentence."""

    @abstractmethod
    def samples(self) -> list[Any]:
        """Answers to try a recipe with, where there is no default."""

    def says_yes(self, value: Any) -> bool:
        """Whether `when` is met by this answer."""
        return bool(value)

    @property
    def required(self) -> bool:
        return getattr(self, "default", None) is None

    @model_validator(mode="after")
    def _agrees_with_itself(self) -> Self:
        for key in ("min", "max", "default"):
            value = getattr(self, key, None)
            if value is None:
                continue
            try:
                self.read(value)
            except ValueError as error:
                raise ValueError(f"{key}: {error}") from None
        return self


@dataclass(frozen=True)
class _Written:
    """A quantity that is checked and kept as it was written."""

    kind: Kind

    def __get_pydantic_core_schema__(self, source: Any, handler: Any) -> core_schema.CoreSchema:
        def check(value: object) -> object:
            parse_quantity(value, self.kind)
            return value

        return core_schema.no_info_plain_validator_function(check)

    def __get_pydantic_json_schema__(self, schema: Any, handler: Any) -> dict[str, Any]:
        return {"type": "string", "pattern": self.kind.pattern, "examples": [self.kind.example]}


WrittenLength = Annotated[str, _Written(LENGTH)]
WrittenAngle = Annotated[str, _Written(ANGLE)]
WrittenRatio = Annotated[str, _Written(RATIO)]


class _QuantityAsk(AskBase):
    kind: ClassVar[Kind]
    tries: ClassVar[tuple[str, ...]]

    def read(self, value: Any) -> str:
        size = parse_quantity(value, self.kind)
        least, most = getattr(self, "min", None), getattr(self, "max", None)
        _refuse_outside(value, size, least, most, lambda bound: parse_quantity(bound, self.kind))
        return str(value).strip()

    def samples(self) -> list[Any]:
        bounds = [getattr(self, "min", None), getattr(self, "max", None)]
        return [bound for bound in bounds if bound is not None] + list(self.tries)

    def says_yes(self, value: Any) -> bool:
        return parse_quantity(value, self.kind) != 0


class LengthAsk(_QuantityAsk):
    """A length, such as `2 mm`."""

    kind = LENGTH
    tries = ("0.1 mm", "0.5 mm", "2 mm", "10 mm", "100 mm", "1 m")
    type: Literal["length"]
    default: WrittenLength | None = None
    min: WrittenLength | None = None
    max: WrittenLength | None = None


class AngleAsk(_QuantityAsk):
    """An angle, such as `30 deg`."""

    kind = ANGLE
    tries = ("1 deg", "10 deg", "45 deg", "90 deg", "180 deg")
    type: Literal["angle"]
    default: WrittenAngle | None = None
    min: WrittenAngle | None = None
    max: WrittenAngle | None = None


class RatioAsk(_QuantityAsk):
    """A ratio, such as `25 %`."""

    kind = RATIO
    tries = ("1 %", "10 %", "50 %", "100 %", "200 %")
    type: Literal["ratio"]
    default: WrittenRatio | None = None
    min: WrittenRatio | None = None
    max: WrittenRatio | None = None


class NumberAsk(AskBase):
    """A plain number without a unit."""

    type: Literal["number"]
    default: float | None = None
    min: float | None = None
    max: float | None = None

    def read(self, value: Any) -> float:
        number = _number(value, "a number")
        _refuse_outside(value, number, self.min, self.max)
        return int(number) if isinstance(value, int) else number

    def samples(self) -> list[Any]:
        return [bound for bound in (self.min, self.max) if bound is not None] + [0, 0.5, 1, 10, 100]


class CountAsk(AskBase):
    """A whole number."""

    type: Literal["count"]
    default: int | None = Field(None, ge=0)
    min: int | None = Field(None, ge=0)
    max: int | None = Field(None, ge=0)

    def read(self, value: Any) -> int:
        number = _number(value, "a whole number")
        if number != int(number) or number < 0:
            raise ValueError(f"expected a whole number, found {value}")
        _refuse_outside(value, number, self.min, self.max)
        return int(number)

    def samples(self) -> list[Any]:
        return [bound for bound in (self.min, self.max) if bound is not None] + [0, 1, 2, 10, 1000, 100_000]


class TextAsk(AskBase):
    """A text, such as a name to put on the part."""

    type: Literal["text"]
    default: str | None = None
    longest: int = Field(200, ge=1, le=2000, description="How many letters it may have.")

    def read(self, value: Any) -> str:
        if isinstance(value, bool) or not isinstance(value, (str, int, float)):
            raise ValueError(f"expected text, found {_plain(value)}")
        text = str(value)
        if len(text) > self.longest:
            raise ValueError(f"{quoted(text)} has {len(text)} letters; expected at most {self.longest}")
        if any(is_control(character) for character in text):
            raise ValueError("the text has a line break or an invisible character; expected one line")
        return text

    def samples(self) -> list[Any]:
        return ["A", "", "A12"]


def _all_different(choices: list[str]) -> list[str]:
    twice = next((choice for choice in choices if choices.count(choice) > 1), None)
    if twice is not None:
        raise ValueError(f"{quoted(twice)} stands there twice; expected every choice once")
    return choices


class ChoiceAsk(AskBase):
    """One of the words given."""

    type: Literal["choice"]
    choices: Annotated[list[str], AfterValidator(_all_different)] = Field(
        min_length=1, json_schema_extra={"uniqueItems": True}
    )
    default: str | None = None

    def read(self, value: Any) -> str:
        if value not in self.choices:
            raise ValueError(f"{_plain(value)} is not a choice; expected one of {', '.join(self.choices)}")
        return str(value)

    def samples(self) -> list[Any]:
        return list(self.choices)


class FlagAsk(AskBase):
    """True or false."""

    type: Literal["flag"]
    default: bool | None = None

    def read(self, value: Any) -> bool:
        if isinstance(value, bool):
            return value
        if value in ("true", "false"):  # how a command line gives it
            return bool(value == "true")
        raise ValueError(f"expected true or false, found {_plain(value)}")

    def samples(self) -> list[Any]:
        return [True, False]


Ask = RatioAsk | LengthAsk | AngleAsk | TextAsk | NumberAsk | CountAsk | ChoiceAsk | FlagAsk
ASK_TYPES: dict[str, type[Ask]] = {
    "ratio": RatioAsk,
    "length": LengthAsk,
    "angle": AngleAsk,
    "text": TextAsk,
    "number": NumberAsk,
    "count": CountAsk,
    "choice": ChoiceAsk,
    "flag": FlagAsk,
}


def _number(value: Any, wanted: str) -> float:
    try:
        if isinstance(value, (str, int, float)) and not isinstance(value, bool):
            number = float(value)
            if math.isfinite(number):
                return number
    except (ValueError, OverflowError):
        pass
    raise ValueError(f"expected {wanted}, found {_plain(value)}")


def _refuse_outside(written: Any, size: float, least: Any, most: Any, read: Any = float) -> None:
    if least is not None and size < read(least):
        raise ValueError(f"{_plain(written)} is too small; expected at least {least}")
    if most is not None and size > read(most):
        raise ValueError(f"{_plain(written)} is too large; expected at most {most}")


def _plain(value: Any) -> str:
    if value is None:
        return "nothing"
    return (
        str(value).lower()
        if isinstance(value, bool)
        else quoted(str(value))
        if isinstance(value, str)
        else str(value)
    )
