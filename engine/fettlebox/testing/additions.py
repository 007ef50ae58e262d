"""The plugin contract for what only adds to a job: fact collectors and painters.

for check in addition_contract(foot):
check()
"""

from __future__ import annotations

import contextlib
import tempfile
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from ..api import StepContext
from ..hooking import require_picture
from ..hooks import FactCollector, Painter
from ..mesh import Origin, Part
from .check import Check, checks_for, require_facts, require_units
from .shapes import odd_parts, usual_parts
from .watching import (
    ContractError,
    confined,
    require_the_same_twice,
    restored_world,
    silence,
    unchanged_world,
)


@dataclass(frozen=True)
class AdditionTrial:
    """A fact collector or painter, and the parts that it is asked about, by name."""

    hook: FactCollector | Painter
    parts: Mapping[str, Part]

    def ask(
        self,
        part: Part,
        around: Callable[[], contextlib.AbstractContextManager[Any]] = contextlib.nullcontext,
        below: str | None = None,
    ) -> Any:
        """What the hook answers. Raises ContractError if it fails: none is an answer too."""
        with restored_world(), tempfile.TemporaryDirectory(dir=below) as scratch:
            origin = Origin("a part made for a trial", "stl", "0" * 64)
            ctx = StepContext(origin, part, np.random.default_rng(20), Path(scratch))
            function = self.hook.collect if isinstance(self.hook, FactCollector) else self.hook.paint
            try:
                with around():
                    return function(part, ctx)
            except ContractError:
                raise
            except Exception as error:
                raise ContractError(f"it fails with {type(error).__name__}: {error}") from error


def addition_contract(hook: FactCollector | Painter, parts: Mapping[str, Part] | None = None) -> list[Check]:
    """The checks of a fact collector or painter. `parts` replace `shapes.usual_parts`."""
    tried = usual_parts() if parts is None else parts
    trial = AdditionTrial(hook, dict(tried))
    return checks_for(trial, CHECKS, hook.collect if isinstance(hook, FactCollector) else hook.paint)


def its_answers_can_be_kept(trial: AdditionTrial) -> None:
    """Facts are JSON values with units in their names; a picture is a whole PNG, with a caption."""
    answers = [trial.ask(part) for part in trial.parts.values()]
    for answer in answers:
        if isinstance(trial.hook, FactCollector):
            require_facts(answer)
            require_units(answer)
        elif answer is not None:
            try:
                require_picture(answer)
            except Exception as error:
                raise ContractError(f"its picture cannot be shown: {error}") from error
    if not any(answers):
        raise ContractError(f"it has nothing to say of any of the parts: {', '.join(trial.parts)}")
    if isinstance(trial.hook, Painter) and len(trial.hook.caption.split()) < 2:
        raise ContractError(f"its caption is {trial.hook.caption!r}; expected a sentence")


def the_same_part_gives_the_same_answer(trial: AdditionTrial) -> None:
    """Twice the same, whatever the random state, and the part is as it was."""
    require_the_same_twice(trial.parts, trial.ask, "part")


def odd_parts_get_an_answer(trial: AdditionTrial) -> None:
    """Nothing, one triangle, a tiny and a huge part: an answer, if only that there is none."""
    for name, part in odd_parts().items():
        try:
            answer = trial.ask(part)
            if isinstance(trial.hook, FactCollector):
                require_facts(answer)
                require_units(answer)
        except ContractError as error:
            raise ContractError(f"given {name}, {error}") from error


def it_keeps_to_itself(trial: AdditionTrial) -> None:
    """Nothing is printed, written outside the scratch folder, sent, or changed for the whole process."""
    for part in trial.parts.values():
        trial.ask(part)  # a library that is imported for the first time may do as it likes
        with tempfile.TemporaryDirectory() as home:

            @contextlib.contextmanager
            def watched(home: str = home) -> Iterator[None]:
                with unchanged_world(), silence(), confined(Path(home)):
                    yield

            trial.ask(part, watched, home)


CHECKS: tuple[Callable[[AdditionTrial], None], ...] = (
    its_answers_can_be_kept,
    the_same_part_gives_the_same_answer,
    odd_parts_get_an_answer,
    it_keeps_to_itself,
)
