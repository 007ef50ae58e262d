"""A recipe as data, and the plan that it makes of a ticket's values."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType
from typing import Any

from ..api import Step
from ..errors import Problem
from ..mesh import WRITABLE
from ..params import StepParams
from .ask import Ask, TextAsk
from .nodes import Node, Problems, Source, quoted
from .placeholders import fill, whole_name
from .steps import Otherwise, StepCall
from .ticket import Ticket
from .validate import report_unknown_key

FORMATS = tuple(suffix.removeprefix(".") for suffix in WRITABLE)
PICTURES, ZIP = "pictures", "zip"
DELIVERABLE = (*FORMATS, PICTURES, ZIP)


@dataclass(frozen=True)
class Delivery:
    """A file to deliver: a part in one of FORMATS, the job's PICTURES, or a ZIP of all delivered files.

    after  the id of the step whose part it holds; None is the finished part
    """

    format: str
    after: str | None = None


@dataclass(frozen=True)
class PlannedStep:
    """A step with its parameters settled.

    params             None where the step is not enabled
    params_as_written  all of them, defaults included, as JSON values with units
    """

    id: str
    step: Step[Any]
    params: StepParams | None
    params_as_written: Mapping[str, Any]
    enabled: bool
    otherwise: Otherwise


@dataclass(frozen=True)
class Plan:
    """What will be done, with every value settled. `values_as_written` answers what the recipe asks."""

    steps: tuple[PlannedStep, ...]
    deliver: tuple[Delivery, ...]
    values_as_written: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Recipe:
    """A recipe that has been checked.

    text     as written; with what it takes over, where it extends another: it stands for itself
    sha256   of `text`
    needs    tags of what a machine must have for it
    extends  the recipe it takes over, as written
    parents  the files that it takes over, nearest first
    spot     where the file says what it extends, or else its name
    """

    name: str
    about: str
    text: str
    sha256: str
    ask: Mapping[str, Ask]
    steps: tuple[StepCall, ...]
    deliver: tuple[Delivery, ...]
    needs: tuple[str, ...] = ()
    extends: str | None = None
    parents: tuple[Path, ...] = ()
    warnings: tuple[Problem, ...] = ()
    ask_nodes: Mapping[str, Node] = field(default_factory=dict, repr=False)
    spot: Node = field(default=Node(None), repr=False)

    def plan(self, values: Mapping[str, Any] = MappingProxyType({}), ticket: Ticket | None = None) -> Plan:
        """Settle every value: those of the ticket, with `values` (from `--set`) before them, then defaults.

        Raises RecipeError with every answer that does not suit and every parameter it spoils.
        """
        problems = Problems()
        answers = self._answers(values, ticket, problems)
        problems.stop_if_any()
        steps = tuple(self._planned(call, answers, problems) for call in self.steps)
        problems.stop_if_any()
        return Plan(steps, self.deliver, MappingProxyType(answers))

    def _answers(
        self, values: Mapping[str, Any], ticket: Ticket | None, problems: Problems
    ) -> dict[str, Any]:
        given = dict(ticket.places) if ticket is not None else {}
        for name, value in values.items():
            given[name] = Node(value, source=Source(f"--set {name}"), written=str(value))
        for name, node in given.items():
            if name not in self.ask:
                holder = Node(None, node.line, node.column, node.source)
                report_unknown_key(
                    holder, name, ("set",), list(self.ask), problems, "this recipe does not ask for {}"
                )
        answers: dict[str, Any] = {}
        for name, ask in self.ask.items():
            try:
                if name in given:
                    answers[name] = ask.read(_as_written(given[name], ask))
                elif not ask.required:
                    answers[name] = ask.read(ask.default)
                else:
                    self._report_missing(name, ask, problems)
            except ValueError as error:
                found, _, rest = str(error).partition("; ")
                node = given.get(name) or self.ask_nodes[name]
                problems.add(node, ("set", name), found, rest.removeprefix("expected "))
        return answers

    def _report_missing(self, name: str, ask: Ask, problems: Problems) -> None:
        hint = f"{ask.about} " if ask.about else ""
        hint += f"Write 'set: {{{name}: …}}' in the ticket, or --set {name}=…"
        problems.add(
            self.ask_nodes[name], ("ask", name), f"nobody says {quoted(name)}", f"a {ask.type}", hint
        )

    def _planned(self, call: StepCall, answers: Mapping[str, Any], problems: Problems) -> PlannedStep:
        enabled = is_met(call.when, answers, self.ask)
        written: Mapping[str, Any] = fill(call.params.plain(), answers)
        params = None
        if enabled:
            params = call.check(answers, problems, "as the ticket or a default says")
            if params is not None:
                written = params.model_dump(mode="json", by_alias=True)
        return PlannedStep(call.id, call.step, params, written, enabled, call.otherwise)


def is_met(when: bool | str, answers: Mapping[str, Any], ask: Mapping[str, Ask]) -> bool:
    """Whether a step runs: empty text, 0, false and nothing mean no."""
    name = whole_name(when)
    if name is None:
        return bool(when)
    return ask[name].says_yes(answers[name])


def _as_written(node: Node, ask: Ask) -> Any:
    """A number in place of a text is the text that it looks like: an order `0042` keeps its zeros."""
    if isinstance(ask, TextAsk) and isinstance(node.value, (int, float)) and not isinstance(node.value, bool):
        return node.written
    return node.plain()
