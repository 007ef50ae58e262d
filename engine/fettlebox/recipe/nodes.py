"""Values that remember where they stand in a file, and the problems found with them."""

from __future__ import annotations

import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from ..errors import Problem, RecipeError, printable

Place = tuple[str | int, ...]


@dataclass(frozen=True)
class Source:
    """A file by the name that messages give it, and its lines."""

    name: str
    lines: tuple[str, ...] = ()

    def line(self, number: int) -> str:
        return self.lines[number - 1] if 0 < number <= len(self.lines) else ""


NOWHERE = Source("")


@dataclass(frozen=True)
class Node:
    """A value and where it stands.

    value    None, bool, int, float, str, a list of nodes, or a dict of nodes
    written  a scalar as it stands in the file, without its quotes
    keys     of a mapping: where each key stands
    """

    value: Any
    line: int = 0
    column: int = 0
    source: Source = NOWHERE
    written: str = ""
    keys: Mapping[str, Node] = field(default_factory=dict)

    def get(self, key: str) -> Node | None:
        return self.value.get(key) if isinstance(self.value, dict) else None

    def plain(self) -> Any:
        """The value without marks: JSON values only."""
        if isinstance(self.value, dict):
            return {key: node.plain() for key, node in self.value.items()}
        if isinstance(self.value, list):
            return [node.plain() for node in self.value]
        return self.value

    def shown(self) -> str:
        """What was found here, as a phrase."""
        match self.value:
            case None:
                return "found nothing"
            case bool():
                return f"found {str(self.value).lower()}"
            case int() | float():
                return f"found the number {shorten(self.written)}"
            case str():
                return f"found the text {quoted(self.value)}"
            case list():
                return f"found a list of {len(self.value)}"
            case _:
                keys = ", ".join(shorten(key) for key in list(self.value)[:4])
                return f"found keys of its own ({keys}{', …' if len(self.value) > 4 else ''})"


class Problems:
    """Collects problems, each with the place of a node."""

    def __init__(self) -> None:
        self.found: list[Problem] = []

    def add(self, node: Node, place: Place, found: str, expected: str = "", hint: str = "") -> None:
        self.found.append(self._make(node, place, found, expected, hint))

    def warn(self, node: Node, place: Place, found: str, hint: str = "") -> None:
        problem = self._make(node, place, found, "", hint)
        self.found.append(replace(problem, level="warning"))

    @property
    def errors(self) -> list[Problem]:
        return [problem for problem in self.found if problem.level == "error"]

    @property
    def warnings(self) -> tuple[Problem, ...]:
        return tuple(problem for problem in self.found if problem.level == "warning")

    def stop_if_any(self) -> None:
        """Raise RecipeError with all problems in the order of the file, if one of them is an error."""
        if self.errors:
            raise RecipeError(sorted(self.found, key=lambda p: (p.file, p.line, p.column)))

    @staticmethod
    def _make(node: Node, place: Place, found: str, expected: str, hint: str) -> Problem:
        line = node.source.line(node.line)
        return Problem(node.source.name, node.line, node.column, spell(place), found, expected, hint, line)


def spell(place: Place) -> str:
    """`steps[6] cut › tilt`"""
    text = ""
    after_index = False
    for part in place:
        if isinstance(part, int):
            text += f"[{part}]"
        else:
            text += (" " if after_index else " › " if text else "") + shorten(part)
        after_index = isinstance(part, int)
    return text


def shorten(text: str, most: int = 48) -> str:
    clean = printable(text)
    return clean if len(clean) <= most else clean[: most - 1] + "…"


def quoted(text: str) -> str:
    return f"'{shorten(text)}'"


_CONTROL = {"Cc", "Cs", "Zl", "Zp"}
_DIRECTION = set("\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")


def is_control(character: str) -> bool:
    """Control characters and those that turn the direction of text: what is seen is not what is read."""
    return (
        unicodedata.category(character) in _CONTROL
        or character in _DIRECTION
        or character in "\ufeff\ufffe\uffff"
    )
