"""Text → Recipe, or every problem at once."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping
from difflib import get_close_matches
from pathlib import Path
from typing import Any

from ..catalog import Catalog
from .ask import ASK_TYPES, Ask
from .deliveries import read_deliveries
from .describe import listed
from .entries import EntryReader
from .extends import with_parents, written_out
from .language import DELIVERABLE, Delivery, Recipe, is_met
from .needs import read_needs
from .nodes import Node, Place, Problems, quoted
from .placeholders import NAME, Placeholder, placeholders_in, texts_below, whole_name
from .steps import StepCall, ids_of
from .text import read_file
from .ticket import read_mapping
from .validate import report_unknown_key, validate

KEYS = ("recipe", "about", "extends", "needs", "ask", "steps", "deliver")


def load_recipe(path: Path, catalog: Catalog, shown_as: str | None = None) -> Recipe:
    """Read and check a recipe file. Raises RecipeError with every problem."""
    shown = shown_as or str(path)
    recipe = _Reader(read_file(path, shown, "recipe"), shown, catalog, path.parent, (path,)).read()
    return recipe


def parse_recipe(text: str, name_for_messages: str, catalog: Catalog, folder: Path | None = None) -> Recipe:
    """Check the text of a recipe; `folder` is where the recipes that it extends lie. Raises RecipeError."""
    return _Reader(text, name_for_messages, catalog, folder, ()).read()


class _Reader:
    """Reads one recipe. Collects problems on the way and raises once, at the end."""

    def __init__(
        self, text: str, shown: str, catalog: Catalog, folder: Path | None, above: tuple[Path, ...]
    ) -> None:
        self.text, self.shown, self.catalog, self.folder, self.above = text, shown, catalog, folder, above
        self.problems = Problems()
        self.ask: dict[str, Ask] = {}
        self.broken_asks: set[str] = set()
        self.extended = False
        self.step_places: list[Place] = []  # where each step stands, as messages say it

    def read(self) -> Recipe:
        root = read_mapping(self.text, self.shown, "recipe", self.problems)
        for key in root.value:
            if key not in KEYS:
                report_unknown_key(root, key, (), list(KEYS), self.problems)
        extended = root.get("extends")
        self.extended = extended is not None
        root, parents = with_parents(root, self.folder, self.catalog, self.problems, self.above)
        name = self._name(root)
        about = self._about(root)
        needs = read_needs(root.get("needs"), self.problems)
        self._read_ask(root.get("ask"))
        steps = self._steps(root)
        deliver = self._deliver(root)
        self._check_placeholders(root, steps)
        self.problems.stop_if_any()
        text = self.text if extended is None else written_out(root)
        asked = root.get("ask")
        return Recipe(
            name=name,
            about=about,
            text=text,
            sha256=hashlib.sha256(text.encode()).hexdigest(),
            ask=self.ask,
            steps=tuple(steps),
            deliver=deliver,
            needs=needs,
            extends=None if extended is None else extended.written,
            parents=parents,
            warnings=self.problems.warnings,
            ask_nodes=asked.value if asked is not None and isinstance(asked.value, dict) else {},
            spot=extended or root.value["recipe"],
        )

    def _name(self, root: Node) -> str:
        node = root.get("recipe")
        if node is None:
            self.problems.add(root, (), "'recipe' is missing", "the recipe's name, such as quarter-bust")
            return ""
        if not isinstance(node.value, str) or re.fullmatch(NAME, node.value) is None:
            expected = "a name such as quarter-bust: small letters, digits, - and _"
            self.problems.add(node, ("recipe",), node.shown(), expected)
            return ""
        stem = Path(self.shown).stem
        if self.above and stem != node.value:
            hint = f"a ticket finds it by the file's name, {quoted(stem)}"
            self.problems.warn(
                node, ("recipe",), f"the file has another name than {quoted(node.value)}", hint
            )
        return node.value

    def _about(self, root: Node) -> str:
        node = root.get("about")
        if node is not None and not isinstance(node.value, str):
            self.problems.add(node, ("about",), node.shown(), "a sentence on what the recipe is for")
        return node.value if node is not None and isinstance(node.value, str) else ""

    def _read_ask(self, node: Node | None) -> None:
        if node is None or node.value is None:
            return
        if not isinstance(node.value, dict):
            self.problems.add(node, ("ask",), node.shown(), "names, each with its type and bounds")
            return
        for name, entry in node.value.items():
            ask = self._one_ask(name, entry, node.keys[name])
            if ask is None:
                self.broken_asks.add(name)
            else:
                self.ask[name] = ask

    def _one_ask(self, name: str, entry: Node, key: Node) -> Ask | None:
        place = ("ask", name)
        if re.fullmatch(NAME, name) is None:
            self.problems.add(key, place, f"the name {quoted(name)}", "small letters, digits, - and _")
            return None
        kind = entry.get("type")
        if kind is None:
            found = "'type' is missing" if isinstance(entry.value, dict) else entry.shown()
            self.problems.add(entry, place, found, f"{{type: …}} with one of {listed(ASK_TYPES)}")
            return None
        if not isinstance(kind.value, str) or kind.value not in ASK_TYPES:
            near = get_close_matches(kind.written, ASK_TYPES, n=1)
            hint = f"did you mean {quoted(near[0])}?" if near else ""
            self.problems.add(kind, (*place, "type"), kind.shown(), f"one of {listed(ASK_TYPES)}", hint)
            return None
        return validate(ASK_TYPES[kind.value], entry, place, self.problems)

    def _steps(self, root: Node) -> list[StepCall]:
        node = root.get("steps")
        if node is None:
            if not _lacks_its_parent(root):
                self.problems.add(root, (), "'steps' is missing", "a list of steps")
            return []
        if not isinstance(node.value, list) or not node.value:
            found = "there is no step" if not node.value else node.shown()
            self.problems.add(node, ("steps",), found, "a list of steps, one a line, each with a dash")
            return []
        entries = EntryReader(self.catalog, self.problems)
        calls = []
        seen: dict[str, int] = {}
        for index, (key, step) in enumerate(zip(ids_of(node.value), node.value, strict=True)):
            place: Place = ("steps", key if self.extended else index)
            self.step_places.append(place)
            call = entries.read(key, step, place)
            if key in seen:
                spot = step.get("id") or step
                hint = f"steps[{seen[key]}] has it already; give each its own"
                self.problems.add(spot, (*place, "id"), f"the id {quoted(key)} a second time", hint=hint)
            seen.setdefault(key, index)
            if call is not None:
                calls.append(call)
        return calls

    def _deliver(self, root: Node) -> tuple[Delivery, ...]:
        node = root.get("deliver")
        if node is None and _lacks_its_parent(root):
            return ()
        if node is None:
            hint = "write 'deliver: [3mf]', or 'deliver: []' for a report only"
            self.problems.add(root, (), "'deliver' is missing", hint=hint)
            return ()
        if not isinstance(node.value, list):
            expected = f"a list of {listed(DELIVERABLE)}, such as [3mf, stl]"
            self.problems.add(node, ("deliver",), node.shown(), expected)
            return ()
        steps = root.get("steps")
        ids = ids_of(steps.value) if steps is not None and isinstance(steps.value, list) else None
        return read_deliveries(node.value, ids, self.problems, tuple(self.catalog.writers))

    def _check_placeholders(self, root: Node, steps: list[StepCall]) -> None:
        """Names that nobody asks for, names that nobody uses; then the parameters, with answers filled in."""
        known = set(self.ask) | self.broken_asks
        used: set[str] = set()
        listing = root.get("steps") or Node([])
        unclear: set[Place] = set()
        entries = listing.value if isinstance(listing.value, list) else []
        for entry, base in zip(entries, self.step_places, strict=False):
            for text, place in texts_below(entry, base):
                for one in placeholders_in(text.value):
                    used.add(one.name)
                    if not one.well_formed or one.name not in known:
                        self._report_unasked(text, place, one)
                    if not one.well_formed or one.name not in self.ask:
                        unclear.add(base)
        for name in sorted(self.ask.keys() - used):
            node = (root.get("ask") or root).keys.get(name, root)
            self.problems.warn(node, ("ask", name), f"no step uses {quoted(name)}",
                               f"write \"${{{name}}}\" where it belongs, or delete it")  # fmt: skip
        defaults = {name: ask.read(ask.default) for name, ask in self.ask.items() if not ask.required}
        for call in steps:
            if call.place[:2] not in unclear:
                self._check_call(call, defaults)

    def _check_call(self, call: StepCall, defaults: Mapping[str, Any]) -> None:
        open_asks = {name: ask for name, ask in self.ask.items() if ask.required}
        name = whole_name(call.when)
        if name is not None and name in defaults and not is_met(call.when, defaults, self.ask):
            # With its defaults the step does not run, so a default need not suit it.
            open_asks = dict(self.ask)
        if call.names_used() & set(open_asks):
            call.check_unanswered(defaults, open_asks, self.problems)
        else:
            call.check(defaults, self.problems, "as 'ask' says by default")

    def _report_unasked(self, node: Node, place: Place, one: Placeholder) -> None:
        name = one.name
        if not one.well_formed:
            hint = "a name has small letters, digits, - and _; there are no expressions"
            self.problems.add(node, place, f"{quoted(one.written)} is not the name of a value", hint=hint)
            return
        near = get_close_matches(name, [*self.ask, *self.broken_asks], n=1)
        asked = listed([*self.ask, *self.broken_asks])
        hint = f"did you mean ${{{near[0]}}}?" if near else "add it to 'ask'"
        self.problems.add(
            node, place, f"'ask' has no {quoted(name)}", f"one of {asked}" if asked else "", hint
        )


def _lacks_its_parent(root: Node) -> bool:
    """Whether the recipe it extends could not be read: what it leaves out may stand there."""
    return root.get("extends") is not None
