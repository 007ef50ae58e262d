"""The plugin contract for judges of takes.

for check in grader_contract(finest):
    check()
"""

from __future__ import annotations

import contextlib
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from ..api import Grade, Grader
from ..mesh import Origin, Part
from .check import Check, checks_for, require_facts, require_units
from .shapes import odd_parts, usual_parts
from .watching import ContractError, kept_to_itself, require_the_same_twice, restored_world


@dataclass(frozen=True)
class GraderTrial:
    """A grader, and the scans that it is asked about, by name."""

    grader: Grader
    parts: Mapping[str, Part]

    def ask(
        self,
        part: Part,
        around: Callable[[], contextlib.AbstractContextManager[None]] = contextlib.nullcontext,
        unit_mm: float | None = 1.0,
    ) -> Grade:
        """Its grade. Raises ContractError if it fails or gives something else."""
        with restored_world():
            try:
                with around():
                    grade = self.grader.grade(part, Origin("take.stl", "stl", "0" * 64, unit_mm))
            except ContractError:
                raise
            except Exception as error:
                raise ContractError(f"it fails with {type(error).__name__}: {error}") from error
        if not isinstance(grade, Grade):
            raise ContractError(f"it gives {type(grade).__name__}; expected Grade")
        return grade


def grader_contract(grader: Grader, parts: Mapping[str, Part] | None = None) -> list[Check]:
    """The checks of a grader. `parts` replace `shapes.usual_parts`."""
    tried = usual_parts() if parts is None else parts
    return checks_for(GraderTrial(grader, dict(tried)), CHECKS, grader.grade)


def grades_can_be_compared(trial: GraderTrial) -> None:
    """A rank is as many finite numbers for every take as for another; a word and reasons are text."""
    grades = {name: trial.ask(part) for name, part in trial.parts.items()}
    for name, grade in grades.items():
        try:
            finite = isinstance(grade.rank, tuple) and all(math.isfinite(one) for one in grade.rank)
        except TypeError:
            finite = False
        if not finite or not grade.rank:
            raise ContractError(f"its rank of {name} is {grade.rank!r}; expected finite numbers in a tuple")
        if not isinstance(grade.word, str) or not grade.word.strip():
            raise ContractError(f"its word for {name} is {grade.word!r}; expected one for people")
        reasons: object = grade.reasons
        if not isinstance(reasons, tuple) or not all(isinstance(one, str) and one for one in reasons):
            raise ContractError(f"its reasons ({name}) are {reasons!r}; expected sentences in a tuple")
    if len({len(grade.rank) for grade in grades.values()}) > 1:
        counted = ", ".join(f"{name} {len(grade.rank)}" for name, grade in grades.items())
        raise ContractError(f"its ranks have different counts of numbers: {counted}")


def its_facts_are_named_with_units(trial: GraderTrial) -> None:
    """JSON values, and a number that measures says in its name what in; tables may name it beside."""
    for part in trial.parts.values():
        facts = trial.ask(part).facts
        require_facts(facts)
        require_units({name: value for name, value in facts.items() if isinstance(value, float)})


def the_same_take_gets_the_same_grade(trial: GraderTrial) -> None:
    """Twice the same, whatever the random state, and the take is as it was."""
    require_the_same_twice(trial.parts, trial.ask, "take")


def odd_takes_get_a_grade(trial: GraderTrial) -> None:
    """Nothing, one triangle, tiny and huge ones, a unit that is not known: a grade, if a bad one."""
    for name, part in odd_parts().items():
        for unit_mm in (1.0, None):
            try:
                trial.ask(part, unit_mm=unit_mm)
            except ContractError as error:
                raise ContractError(f"given {name}, {error}") from error


def grading_keeps_to_itself(trial: GraderTrial) -> None:
    """Nothing is printed, written, sent or changed for the whole process."""
    for part in trial.parts.values():
        trial.ask(part)  # a library that is imported for the first time may do as it likes
        trial.ask(part, kept_to_itself)


CHECKS = (
    grades_can_be_compared,
    its_facts_are_named_with_units,
    the_same_take_gets_the_same_grade,
    odd_takes_get_a_grade,
    grading_keeps_to_itself,
)
