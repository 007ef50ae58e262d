"""One entry of `steps`: which step it calls, how it is set, and what stands beside it."""

from __future__ import annotations

import re

from ..catalog import Catalog
from .describe import listed
from .nodes import Node, Place, Problems, quoted
from .placeholders import NAME, whole_name
from .steps import OTHERWISE, PLACING, SIBLINGS, Otherwise, StepCall, params_node
from .validate import report_unknown_key


class EntryReader:
    """Reads entries against a catalog; problems are added, not raised."""

    def __init__(self, catalog: Catalog, problems: Problems) -> None:
        self.catalog = catalog
        self.problems = problems

    def read(self, key: str, node: Node, place: Place) -> StepCall | None:
        """The step that an entry calls, or None and problems. `key` is its id, `place` that of the entry."""
        if isinstance(node.value, str):
            name, name_node, given = node.value, node, Node(None, node.line, node.column, node.source)
        elif isinstance(node.value, dict):
            names = [k for k in node.value if k not in SIBLINGS + PLACING]
            if len(names) != 1:
                self._report_not_one_step(node, names, place)
                return None
            name, name_node, given = names[0], node.keys[names[0]], node.value[names[0]]
        else:
            self.problems.add(node, place, node.shown(), "a step: its name, or 'name: {…}'")
            return None
        when, otherwise, locked = self._siblings(node, place)
        step = self.catalog.steps.get(name)
        if step is None:
            found, _, hint = self.catalog.why_not(name).partition("; ")
            first_word = name.partition(" ")[0]
            if first_word in self.catalog.steps:
                found, hint = f"there is no step {quoted(name)}", f"write '{first_word}: …', with a colon"
            self.problems.add(name_node, place, found, hint=hint)
            return None
        place = place if place[-1] == name else (*place, name)
        params = params_node(step, given, place, self.problems)
        return StepCall(key, step, params, when, otherwise, place, locked)

    def _report_not_one_step(self, node: Node, names: list[str], place: Place) -> None:
        if not names:
            self.problems.add(node, place, "no step is named here", "'name: {…}' beside " + listed(SIBLINGS))
            return
        steps = [name for name in names if name in self.catalog.steps]
        strays = [name for name in names if name not in self.catalog.steps]
        if len(steps) == 1:
            for stray in strays:
                hint = f"settings of {steps[0]} go inside its braces: '{steps[0]}: {{{stray}: …}}'"
                report_unknown_key(node, stray, place, [*SIBLINGS], self.problems,
                                   "there is no key {} beside a step", hint)  # fmt: skip
            return
        self.problems.add(
            node.keys[names[1]], place, f"more than one step in one entry ({listed(names)})",
            "one step a line, each with a dash", "start a new line with '- '",
        )  # fmt: skip

    def _siblings(self, node: Node, place: Place) -> tuple[bool | str, Otherwise, bool]:
        when: bool | str = True
        otherwise: Otherwise = "stop"
        locked = False
        if (said := node.get("when")) is not None:
            if isinstance(said.value, bool) or whole_name(said.value) is not None:
                when = said.value
            else:
                expected = 'true, false or a value that a ticket sets, such as "${mark}"'
                self.problems.add(said, (*place, "when"), said.shown(), expected)
        if (said := node.get("otherwise")) is not None:
            match = next((word for word in OTHERWISE if word == said.value), None)
            if match is None:
                self.problems.add(said, (*place, "otherwise"), said.shown(), f"one of {listed(OTHERWISE)}")
            otherwise = match or otherwise
        if (said := node.get("locked")) is not None:
            if not isinstance(said.value, bool):
                self.problems.add(said, (*place, "locked"), said.shown(), "true or false")
            locked = said.value is True
        if (said := node.get("id")) is not None and (
            not isinstance(said.value, str) or re.fullmatch(NAME, said.value) is None
        ):
            self.problems.add(said, (*place, "id"), said.shown(), "a name: small letters, digits, - and _")
        for word in PLACING:
            if (said := node.get(word)) is not None:
                hint = "put the step where it belongs in the list"
                self.problems.add(node.keys.get(word, said), (*place, word),
                                  f"{quoted(word)} is only for a new step in a recipe that extends another",
                                  hint=hint)  # fmt: skip
        return when, otherwise, locked
