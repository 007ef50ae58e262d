"""What a gate can demand: one small class each, that says what a recipe writes and how a part is judged.

To add one: write a class with `judge` here, from a Band or a RootModel, and give the gate a field of it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any, ClassVar, Literal, Protocol, runtime_checkable

from fettlebox.api import (
    Angle,
    Area,
    Length,
    Part,
    Ratio,
    StepContext,
    StepError,
    StepParams,
    Time,
    Volume,
    quantity,
)
from pydantic import ConfigDict, Field, RootModel, model_validator

if TYPE_CHECKING:
    from .forecast import Forecast

FITS_WITHIN_MM = 1e-6
"""Rounding only: a part scaled to exactly fill the printer fits it."""


@dataclass(frozen=True)
class Finding:
    """One demand, judged. `sentence` says what is wrong, and `picture` (PNG), if any, shows it; both are only
    shown when the demand is not met.
    """

    demand: str
    fact: str
    met: bool
    found: Any
    wanted: Any
    sentence: str
    picture: bytes | None = None

    def as_evidence(self) -> dict[str, Any]:
        return {"demand": self.demand, "fact": self.fact, "found": self.found, "wanted": self.wanted}


class Measured:
    """What is known of a part, each measured once and only when a demand asks for it."""

    def __init__(self, part: Part, ctx: StepContext) -> None:
        self.part = part
        self.ctx = ctx

    @cached_property
    def printed(self) -> dict[str, Measured]:
        """What is printed of it: itself, called "the part", or the pieces it was cut into; and extras."""
        made = {name: Measured(one, self.ctx) for name, one in self.ctx.pieces.items()} or {"the part": self}
        return made | {name: Measured(one, self.ctx) for name, one in self.ctx.extras.items()}

    @cached_property
    def facts(self) -> dict[str, Any]:
        from fettlebox.mesh.facts import measure

        return measure(self.part, witness=False)

    @cached_property
    def soundness(self) -> Any:
        from fettlebox.mesh.soundness import inspect

        return inspect(self.part)

    @cached_property
    def fidelity(self) -> Any:
        from fettlebox.mesh.fidelity import compare

        return compare(self.ctx.reference, self.part)

    @cached_property
    def forecast(self) -> Forecast | None:
        """What printing it would take; None for a part that cannot be laid in layers."""
        from .forecast import Forecast

        try:
            return Forecast(self.part, self.ctx.printer)
        except StepError:
            return None


@runtime_checkable
class Demand(Protocol):
    """The value of a gate's field that can judge a part. `name` is the field's."""

    def judge(self, name: str, measured: Measured) -> Iterable[Finding]: ...


def in_hours(seconds: float) -> str:
    """`2 h 5 min`, to the minute; `40 s` below one."""
    if seconds < 60:
        return f"{seconds:.3g} s"
    hours, minutes = divmod(round(seconds / 60.0), 60)
    return f"{hours} h {minutes} min" if hours else f"{minutes} min"


class Band(StepParams):
    """`below`, `above` or both. A subclass gives the type of the two and how a value is written."""

    model_config = ConfigDict(json_schema_extra={"minProperties": 1})

    below: Any = None
    above: Any = None
    write: ClassVar[Callable[[float], str]] = str

    @model_validator(mode="after")
    def _bounded(self) -> Band:
        if self.below is None and self.above is None:
            raise ValueError("expected `below`, `above` or both")
        if self.below is not None and self.above is not None and self.above >= self.below:
            raise ValueError("nothing is above `above` and below `below`; exchange them")
        return self

    def within(self, name: str, fact: str, found: float | None, said: str) -> Iterable[Finding]:
        """One finding for each bound. `said` is the start of a sentence, with `{}` for the value."""
        write = type(self).write
        for word, bound in (("below", self.below), ("above", self.above)):
            if bound is None:
                continue
            met = found is not None and (found < bound if word == "below" else found > bound)
            shown = said.format("not measurable" if found is None else write(found))
            sentence = f"{shown}; it must be {word} {write(bound)}"
            yield Finding(name, fact, met, found, {word: bound}, sentence)


class CountBand(Band):
    below: int | None = Field(None, ge=1, description="Fewer than this.")
    above: int | None = Field(None, ge=0, description="More than this.")
    write: ClassVar[Callable[[float], str]] = staticmethod(lambda n: f"{n:,.0f}".replace(",", " "))


class LengthBand(Band):
    below: Length | None = quantity(None, about="Less than this.")
    above: Length | None = quantity(None, about="More than this.")
    write: ClassVar[Callable[[float], str]] = staticmethod(lambda mm: f"{mm:.4g} mm")


class VolumeBand(Band):
    below: Volume | None = quantity(None, about="Less than this.")
    above: Volume | None = quantity(None, about="More than this.")
    write: ClassVar[Callable[[float], str]] = staticmethod(lambda mm3: f"{mm3 / 1000.0:.4g} cm3")


class RatioBand(Band):
    below: Ratio | None = quantity(None, about="Less than this.")
    above: Ratio | None = quantity(None, about="More than this.")
    write: ClassVar[Callable[[float], str]] = staticmethod(lambda ratio: f"{ratio * 100.0:.4g} %")


class AngleBand(Band):
    below: Angle | None = quantity(None, about="Less than this.")
    above: Angle | None = quantity(None, about="More than this.")
    write: ClassVar[Callable[[float], str]] = staticmethod(lambda deg: f"{deg:.3g} deg")


class AreaBand(Band):
    below: Area | None = quantity(None, about="Less than this.")
    above: Area | None = quantity(None, about="More than this.")
    write: ClassVar[Callable[[float], str]] = staticmethod(lambda mm2: f"{mm2:.4g} mm2")


class TimeBand(Band):
    below: Time | None = quantity(None, about="Less than this.")
    above: Time | None = quantity(None, about="More than this.")
    write: ClassVar[Callable[[float], str]] = staticmethod(in_hours)


class MoneyBand(Band):
    below: float | None = Field(None, gt=0, description="Less than this, in the shop's money.")
    above: float | None = Field(None, ge=0, description="More than this, in the shop's money.")
    write: ClassVar[Callable[[float], str]] = staticmethod(lambda money: f"{money:.2f}")


class Sound(RootModel[Literal[True]]):
    """Closed, oriented, without crossings, folds or degenerate triangles; of positive volume."""

    def judge(self, name: str, measured: Measured) -> Iterable[Finding]:
        for which, one in measured.printed.items():
            verdict = one.soundness
            sentence = f"{which} is not a sound solid: {', '.join(verdict.reasons)}"
            yield Finding(name, _of("sound", which), verdict.sound, verdict.sound, True, sentence)


class Closed(RootModel[bool]):
    """True: without any rim. False: with one."""

    def judge(self, name: str, measured: Measured) -> Iterable[Finding]:
        closed, rims = measured.facts["closed"], measured.facts["rims"]
        is_so = "closed" if closed else f"open (it has {rims} {'rim' if rims == 1 else 'rims'})"
        sentence = f"the part is {is_so}; it must be {'closed' if self.root else 'open'}"
        yield Finding(name, "closed", closed == self.root, closed, self.root, sentence)


class Fits(RootModel[Literal["printer"]]):
    """No side of the part's box, or of a piece's, is longer than that of the printer's build volume."""

    def judge(self, name: str, measured: Measured) -> Iterable[Finding]:
        for which, one in measured.printed.items():
            yield self._judged(name, which, one)

    def _judged(self, name: str, which: str, measured: Measured) -> Finding:
        size = [float(side) for side in measured.facts["size_mm"]]
        printer = measured.ctx.printer
        room = printer.build_volume_mm
        met = _fits(size, room)
        found, most = (" × ".join(f"{mm:.4g}" for mm in sides) for sides in (size, room))
        sentence = f"{which} is {found} mm (wide, deep, tall); the printer {printer.name!r} builds {most} mm"
        if not met and which == "the part":
            sentence += f"; {self._what_would_fit(size, room, measured.part.life_scale)}"
        return Finding(name, _of("size_mm", which), met, size, {"at_most_mm": list(room)}, sentence)

    def _what_would_fit(self, size: list[float], room: Sequence[float], life_scale: float) -> str:
        """The largest whole percent of life size that fits, and whether a quarter turn would do instead."""
        factor = min(most / side for side, most in zip(size, room, strict=True) if side > 0)
        percent = math.floor(100.0 * life_scale * factor * (1.0 + 1e-9))
        if percent < 1:
            return "not even 1 % of life size would fit"
        smaller = " × ".join(f"{side * percent / (100.0 * life_scale):.4g}" for side in size)
        said = f"{percent} % of life size would fit ({smaller} mm; this is {100.0 * life_scale:.4g} %)"
        turned = _fits([size[1], size[0], size[2]], room)
        return f"turned by a quarter on the bed it would fit as it is, or {said}" if turned else said


def _fits(size: Sequence[float], room: Sequence[float]) -> bool:
    return all(side <= most + FITS_WITHIN_MM for side, most in zip(size, room, strict=True))


class Bodies(CountBand):
    """Pieces of surface that hang together."""

    def judge(self, name: str, measured: Measured) -> Iterable[Finding]:
        return self.within(name, "bodies", measured.facts["bodies"], "the number of bodies is {}")


class Triangles(CountBand):
    """Triangles of the surface."""

    def judge(self, name: str, measured: Measured) -> Iterable[Finding]:
        return self.within(name, "triangles", measured.facts["triangles"], "the number of triangles is {}")


class Height(LengthBand):
    """Along Z, from the lowest to the highest point."""

    def judge(self, name: str, measured: Measured) -> Iterable[Finding]:
        return self.within(name, "height_mm", measured.facts["size_mm"][2], "the height of the part is {}")


class SolidVolume(VolumeBand):
    """Volume inside the surface. An open part has none."""

    def judge(self, name: str, measured: Measured) -> Iterable[Finding]:
        return self.within(name, "volume_mm3", measured.facts["volume_mm3"], "the volume of the part is {}")


class Distance(LengthBand):
    """95 % of either surface is nearer to the other than this."""

    def judge(self, name: str, measured: Measured) -> Iterable[Finding]:
        there = _known(measured.fidelity.scan_to_part_p95_mm)
        back = _known(measured.fidelity.part_to_scan_p95_mm)
        said = "the distance from {} (95th percentile, life size) is {{}}"
        yield from self.within(name, "scan_to_part_p95_mm", there, said.format("scan to part"))
        yield from self.within(name, "part_to_scan_p95_mm", back, said.format("part to scan"))


class Covered(RatioBand):
    """Share of the scan's surface that has the part's surface near it."""

    def judge(self, name: str, measured: Measured) -> Iterable[Finding]:
        found = _known(measured.fidelity.covered_ratio)
        return self.within(name, "covered_ratio", found, "the share of the scan that the part covers is {}")


class Overhang(RatioBand):
    """Share of the surface off the bed that leans out by more than 45 degrees, and so needs support."""

    def judge(self, name: str, measured: Measured) -> Iterable[Finding]:
        forecast = measured.forecast
        found = None if forecast is None else forecast.overhang[1]
        return self.within(name, "overhang_share", found, "the share of the surface that needs support is {}")


class SupportVolume(VolumeBand):
    """Space under such overhangs, down to the bed or to the part."""

    def judge(self, name: str, measured: Measured) -> Iterable[Finding]:
        forecast = measured.forecast
        found = None if forecast is None else forecast.support_mm3
        return self.within(name, "support_mm3", found, "the support under the part fills {}")


class Wall(LengthBand):
    """The thickness that only a thousandth of the surface goes below: more would be a wall."""

    def judge(self, name: str, measured: Measured) -> Iterable[Finding]:
        forecast = measured.forecast
        found = None if forecast is None else _known(forecast.thinnest_mm)
        if forecast is not None and found is None and self.below is None:
            return ()  # nothing is opposite anything: there is no wall that could be thin
        return self.within(name, "thinnest_wall_mm", found, "the thinnest wall is {}")


class PrintTime(TimeBand):
    """From the start of the print to its last layer, on the shop's printer."""

    def judge(self, name: str, measured: Measured) -> Iterable[Finding]:
        forecast = measured.forecast
        found = None if forecast is None else forecast.print_s
        said = f"printing takes {{}} on the printer {measured.ctx.printer.name!r}"
        return self.within(name, "print_s", found, said)


class Price(MoneyBand):
    """Material, machine hours and handling."""

    def judge(self, name: str, measured: Measured) -> Iterable[Finding]:
        forecast = measured.forecast
        found = None if forecast is None else forecast.cost.whole
        return self.within(name, "cost", found, f"the print costs {{}} {measured.ctx.printer.prices.money}")


class Base(AreaBand):
    """Area of the first layer, which the part holds on to the bed with."""

    def judge(self, name: str, measured: Measured) -> Iterable[Finding]:
        forecast = measured.forecast
        found = None if forecast is None else forecast.first_layer_mm2
        return self.within(name, "first_layer_mm2", found, "the area of the part's first layer is {}")


def _of(fact: str, which: str) -> str:
    """The name of a fact of one piece of several."""
    return fact if which == "the part" else f"{which.replace(' ', '_')}_{fact}"


def _known(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None
