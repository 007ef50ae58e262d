"""One step, run for a check: on a part, with everything it touches watched."""

from __future__ import annotations

import contextlib
import hashlib
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from pydantic import ValidationError

from ..api import HoldError, Step, StepContext, StepError, StepParams, StepResult
from ..mesh import Origin, Part
from ..printer import EVERYDAY, Printer
from .check import NothingShownError, said_once, told_of
from .shapes import bust
from .watching import ContractError, restored_world


@dataclass(frozen=True)
class Refusal:
    """A step said in a sentence that it cannot, or would have to guess."""

    error: StepError | HoldError


@dataclass(frozen=True)
class Grown:
    """A run on a bust of so many triangles: its processor time, and the fractions that it told."""

    triangles: int
    seconds: float
    told: tuple[float, ...]


@dataclass
class Trial:
    """A step with the parameters that it is tried with, and the parts it is tried on, by name."""

    step: Step[Any]
    settings: Mapping[str, Any]
    parts: Mapping[str, Part]
    printer: Printer = EVERYDAY
    _known: dict[str, StepResult | Refusal] = field(default_factory=dict, repr=False)
    _grown: list[Grown] | None = field(default=None, repr=False)

    def params(self, settings: Mapping[str, Any] | None = None) -> StepParams:
        """The parameters, read as a recipe's are. Raises ContractError where they cannot be."""
        given = self.settings if settings is None else settings
        try:
            params: StepParams = self.step.params.model_validate(dict(given))
        except ValueError as error:
            said = said_once(error) if isinstance(error, ValidationError) else str(error)
            raise ContractError(f"its parameters do not accept {dict(given)}: {said}") from None
        return params

    def outcome(self, name: str) -> StepResult | Refusal:
        """What the step makes of the part of this name; run once and kept."""
        if name not in self._known:
            self._known[name] = self.run(self.parts[name])
        return self._known[name]

    def results(self) -> Iterator[tuple[str, Part, StepResult]]:
        """Every part that the step could work on, with its name and what it became. Raises
        NothingShownError if there is none.
        """
        self.require_a_result()
        for name, part in self.parts.items():
            outcome = self.outcome(name)
            if isinstance(outcome, StepResult):
                yield name, part, outcome

    def require_a_result(self) -> None:
        """Raises NothingShownError where the step refused all parts."""
        if all(isinstance(self.outcome(name), Refusal) for name in self.parts):
            raise NothingShownError("shows nothing, as the step refuses every part that it was tried on")

    def grown(self) -> list[Grown]:
        """The step on busts of 5,120, 20,480 and 81,920 triangles, each the faster of two runs; run once and
        kept. Empty if it refuses one of them.
        """
        if self._grown is None:
            self._grown = []
            for level in (4, 5, 6):
                part = bust(level)
                runs = [self._timed(part) for _ in range(2)]
                if any(one is None for one in runs):
                    self._grown = []
                    break
                self._grown.append(min((one for one in runs if one), key=lambda one: one.seconds))
        return self._grown

    def _timed(self, part: Part) -> Grown | None:
        told: list[float] = []
        started = time.process_time()
        if isinstance(self.run(part, progress=told.append), Refusal):
            return None
        return Grown(len(part.faces), time.process_time() - started, tuple(told))

    def run(
        self,
        part: Part,
        settings: Mapping[str, Any] | None = None,
        progress: Callable[[float], None] = lambda fraction: None,
        scratch_below: str | None = None,
        around: Callable[[], contextlib.AbstractContextManager[Any]] = contextlib.nullcontext,
    ) -> StepResult | Refusal:
        """Run the step once, within `around`. Raises ContractError if it fails otherwise than it may."""
        params = self.params(settings)
        with restored_world(), tempfile.TemporaryDirectory(prefix="scratch-", dir=scratch_below) as scratch:
            ctx = StepContext(
                Origin("a part made for a trial", "stl", "0" * 64),
                reference=part,
                rng=np.random.default_rng(20),
                scratch=Path(scratch),
                printer=self.printer,
                progress=progress,
            )
            try:
                with around():
                    result = self.step.run(part, params, ctx)
            except (StepError, HoldError) as error:
                if len(str(error).split()) < 3:
                    raise ContractError(f"it refuses with {str(error)!r}; expected a sentence") from None
                return Refusal(error)
            except (_Passed, ContractError):
                raise
            except Exception as error:
                raise ContractError(
                    f"it fails with {told_of(error, self.step.run)}; expected StepError or HoldError"
                ) from error
        if not isinstance(result, StepResult):
            raise ContractError(f"it returns {type(result).__name__}; expected StepResult")
        return result


class _Passed(BaseException):
    """Base of what a check raises through a step on purpose."""


class Cancelled(_Passed):
    """What `progress` raises when a job was cancelled."""


def digest_of(part: Part) -> str:
    """Of a part's arrays as they are now, whatever the part itself remembers."""
    sha = hashlib.sha256()
    for array in (part.vertices, part.faces, part.colours, part.placement):
        sha.update(b"none" if array is None else array.tobytes())
    return sha.hexdigest()
