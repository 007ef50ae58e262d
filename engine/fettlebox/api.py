"""The plugin contract: steps, graders and notifiers. What else a plugin may add is in `hooks`.

A step is a function with checked parameters:

    class Params(StepParams):
        wall: Length = quantity("2 mm", at_least="0.4 mm", about="Thickness of the wall.")

    @step("hollow", version=1, summary="Make the part hollow, with a wall of even thickness.")
    def hollow(part: Part, params: Params, ctx: StepContext) -> StepResult:
        ...

and the entry point that names it, in the group `fettlebox.steps`:

    [project.entry-points."fettlebox.steps"]
    hollow = "my_package.hollow:hollow"

A step changes nothing it is given, reads no clock and no network, and gives the same bytes for the
same input. It raises StepError when it cannot do what was asked, HoldError when it could only guess.
Heavy libraries are imported inside the function, so that recipes can be checked without them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Generic, TypeVar

import numpy as np
import pluggy

from .errors import HoldError, StepError
from .mesh import Origin, Part, Plane
from .params import Angle, Area, Length, Measured, Ratio, StepParams, Time, Volume, quantity
from .printer import EVERYDAY, Printer

__all__ = [
    "Angle", "Area", "Grade", "Grader", "HoldError", "Length", "Measured", "Notifier", "Origin", "Part",
    "Plane", "Printer", "Ratio", "Step", "StepContext", "StepError", "StepParams", "StepResult", "Time",
    "Volume", "quantity", "step",
]  # fmt: skip

ENTRY_POINT_GROUP = "fettlebox.steps"

hookspec = pluggy.HookspecMarker("fettlebox")
hookimpl = pluggy.HookimplMarker("fettlebox")

P = TypeVar("P", bound=StepParams)
Unsuited = Callable[[P, Printer, Sequence[tuple[str, StepParams]]], Iterable[str]]
"""(params, printer, later) → sentences: why this cannot come out on that printer, whatever the part. `later`
are the steps that follow, by name, with their parameters.
"""


@dataclass(frozen=True)
class StepContext:
    """What a step may know beyond the part and its parameters.

    reference  the scan's surface as far as it is the subject: what "distance from the scan" is measured
               against. Its placement ties it to the part, so either may have moved since.
    progress   call with a fraction 0..1 now and then; it raises when the job was cancelled.
    pieces, extras   what earlier steps made to be printed instead of the part, and beside it
    """

    origin: Origin
    reference: Part
    rng: np.random.Generator
    scratch: Path
    printer: Printer = EVERYDAY
    progress: Callable[[float], None] = lambda fraction: None
    pieces: Mapping[str, Part] = field(default_factory=dict)
    extras: Mapping[str, Part] = field(default_factory=dict)


@dataclass(frozen=True)
class StepResult:
    """What a step hands on. Facts and evidence are JSON values, with units in their names.

    evidence   numbers that back a judgement: what was considered, by how much the choice won
    reference  the new surface to measure against, if the step took away what was not the subject
    pictures   name → PNG bytes that a person should see
    pieces     name → what is printed instead of the part, which then is what they make once joined; no later
               step may change the part
    extras     name → what is printed beside the part, such as plugs; no later step may scale the part
    """

    part: Part
    facts: Mapping[str, Any] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()
    evidence: Mapping[str, Any] = field(default_factory=dict)
    reference: Part | None = None
    pictures: Mapping[str, bytes] = field(default_factory=dict)
    pieces: Mapping[str, Part] = field(default_factory=dict)
    extras: Mapping[str, Part] = field(default_factory=dict)


@dataclass(frozen=True)
class Step(Generic[P]):
    """A step as the engine knows it. `shorthand` is the parameter that a bare value sets; `keeps_sound` says
    that of a sound solid it makes a sound solid; `unsuited` is asked when recipes are held against printers.
    """

    name: str
    version: int
    summary: str
    params: type[P]
    run: Callable[[Part, P, StepContext], StepResult]
    shorthand: str | None = None
    keeps_sound: bool = True
    unsuited: Unsuited[P] | None = None

    @hookimpl
    def fettlebox_steps(self) -> list[Step[Any]]:
        return [self]

    def __call__(self, part: Part, params: P, ctx: StepContext) -> StepResult:
        return self.run(part, params, ctx)


@dataclass(frozen=True)
class Grade:
    """How good a scan is. word: for people; rank: the larger, the better, compared from its first number on;
    reasons: what is not good, in sentences; facts: JSON values, with units in their names.
    """

    word: str
    rank: tuple[float, ...]
    reasons: tuple[str, ...] = ()
    facts: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Grader:
    """Judges a scan before any step, so that the best of several takes can be chosen. It changes nothing."""

    name: str
    grade: Callable[[Part, Origin], Grade]

    @hookimpl
    def fettlebox_graders(self) -> list[Grader]:
        return [self]


@dataclass(frozen=True)
class Notifier:
    """Tells somebody what happened to a job: by mail, a lamp, a line in another system.

    tell  called with the event (a CloudEvent as a JSON value), in a thread of the board. What it raises is
          tried again, ever later, so it may be called more than once; the event's `id` stays the same
    """

    name: str
    tell: Callable[[Mapping[str, Any]], None]

    @hookimpl
    def fettlebox_notifiers(self) -> list[Notifier]:
        return [self]


def step(
    name: str,
    *,
    version: int,
    summary: str,
    shorthand: str | None = None,
    keeps_sound: bool = True,
    unsuited: Unsuited[Any] | None = None,
) -> Callable[[Callable[[Part, P, StepContext], StepResult]], Step[P]]:
    """Make a function of (part, params, ctx) a step. Its parameters' class is read from its annotation."""

    def wrap(function: Callable[[Part, P, StepContext], StepResult]) -> Step[P]:
        import inspect
        import typing

        given = list(inspect.signature(function).parameters)
        if len(given) != 3:
            raise TypeError(f"step {name!r} takes {given}; expected (part, params, ctx)")
        params = typing.get_type_hints(function)[given[1]]
        if not (isinstance(params, type) and issubclass(params, StepParams)):
            raise TypeError(f"step {name!r}: annotate {given[1]!r} with a subclass of StepParams")
        return Step(
            name, version, summary, typing.cast(type[P], params), function, shorthand, keeps_sound, unsuited
        )

    return wrap


def __getattr__(name: str) -> int:
    """Names of contract 1 that work until contract 3, and say so to whoever loads the plugin."""
    if name == "API_VERSION":
        import warnings

        said = "fettlebox.api.API_VERSION goes with contract 3; write FETTLEBOX_CONTRACT = 2 in your module"
        warnings.warn(said, DeprecationWarning, stacklevel=2)
        return 1
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
