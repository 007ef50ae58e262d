"""One step of a recipe: its name, its siblings, and its parameters checked against the step's model."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

from ..api import Step
from ..errors import Problem
from ..params import StepParams
from .ask import Ask
from .nodes import Node, Place, Problems, quoted, shorten
from .placeholders import fill, placeholders_in, texts_below
from .validate import node_at, validate

Otherwise = Literal["stop", "hold", "skip"]
OTHERWISE: tuple[Otherwise, ...] = ("stop", "hold", "skip")
SIBLINGS = ("id", "when", "otherwise", "locked")
PLACING = ("after", "before")
MOST_TRIES = 64  # more choices than any recipe offers


@dataclass(frozen=True)
class StepCall:
    """A step as a recipe calls it. `params` are as written, with their places; `when` is a flag or
    a placeholder. `place` is where in the recipe it stands, the step's name included. A recipe that
    extends this one may not change a `locked` step.
    """

    id: str
    step: Step[Any]
    params: Node
    when: bool | str
    otherwise: Otherwise
    place: Place
    locked: bool = False

    def check(self, values: Mapping[str, Any], problems: Problems, told: str) -> StepParams | None:
        """The parameters with values filled in. `told` says where values came from, for messages."""

        def explain(path: tuple[str | int, ...]) -> str:
            node = node_at(self.params, path)
            names = [one.name for text, _ in texts_below(node, ()) for one in placeholders_in(text.value)]
            shown = ", ".join(f"${{{name}}} is {_shown(values[name])}" for name in dict.fromkeys(names))
            return f"{shown}, {told}" if shown else ""

        data = fill(self.params.plain(), values)
        try:
            return validate(self.step.params, self.params, self.place, problems, data, explain)
        except Exception as error:  # a defect of the plugin, not of this recipe or of ours
            found = f"the step fails while it checks its settings: {type(error).__name__}: {error}"
            problems.add(self.params, self.place, shorten(found, 200))
            return None

    def check_unanswered(
        self, values: Mapping[str, Any], open_asks: Mapping[str, Ask], problems: Problems
    ) -> None:
        """Check while some answers are not known: by trying samples, so that only a parameter that no
        answer could suit is a problem.
        """
        samples = {name: open_asks[name].samples() for name in self.names_used() & set(open_asks)}
        always: list[Problem] | None = None
        for turn in range(min(MOST_TRIES, max(map(len, samples.values())))):
            tried = Problems()
            answers = {name: given[turn % len(given)] for name, given in samples.items()}
            self.check({**values, **answers}, tried, "for example")
            spots = {(problem.line, problem.column, problem.place) for problem in tried.found}
            before = tried.found if always is None else always
            always = [problem for problem in before if (problem.line, problem.column, problem.place) in spots]
            if not always:
                return
        problems.found += always or []

    def names_used(self) -> set[str]:
        return names_below(self.params)


def names_below(node: Node) -> set[str]:
    """The values of a ticket that a node uses."""
    texts = (text.value for text, _ in texts_below(node, ()))
    return {one.name for text in texts for one in placeholders_in(text) if one.well_formed}


def params_node(step: Step[Any], value: Node, place: Place, problems: Problems) -> Node:
    """What stands after a step's name, as a mapping; a bare value belongs to the step's shorthand."""
    if isinstance(value.value, dict):
        return value
    empty = Node({}, value.line, value.column, value.source)
    if value.value is None:
        return empty
    if step.shorthand is not None:
        key = alias_of(step, step.shorthand)
        return Node({key: value}, value.line, value.column, value.source, keys={key: value})
    known = [alias_of(step, name) for name in step.params.model_fields]
    expected = f"keys of its own ({', '.join(known)})" if known else "nothing: this step has no settings"
    problems.add(value, place, value.shown(), expected)
    return empty


def alias_of(step: Step[Any], field: str) -> str:
    """A parameter as recipes spell it."""
    info = step.params.model_fields.get(field)
    return (info.alias if info is not None else None) or field


def _shown(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    return quoted(value) if isinstance(value, str) else str(value)


def split_step(node: Node) -> tuple[str, Node, Mapping[str, Node]] | None:
    """Name, node of the parameters and siblings of a step as written; None if it has another shape."""
    if isinstance(node.value, str):
        return node.value, Node(None, node.line, node.column, node.source), {}
    if not isinstance(node.value, dict):
        return None
    names = [key for key in node.value if key not in SIBLINGS + PLACING]
    if len(names) != 1:
        return None
    siblings = {key: value for key, value in node.value.items() if key != names[0]}
    return names[0], node.value[names[0]], siblings


def ids_of(nodes: list[Node]) -> list[str]:
    """The id of every step: as written, or its name, with a number from the second of that name on."""
    ids: list[str] = []
    for node in nodes:
        shape = split_step(node)
        written = shape[2].get("id") if shape else None
        if written is not None and isinstance(written.value, str):
            ids.append(written.value)
            continue
        name = shape[0] if shape else f"?{len(ids)}"
        same = [s for other in nodes[: len(ids)] if (s := split_step(other)) and s[0] == name]
        count = sum("id" not in siblings for _, _, siblings in same)
        ids.append(name if not count else f"{name}-{count + 1}")
    return ids
