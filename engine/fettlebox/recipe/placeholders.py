"""`${name}`: plain substitution that keeps the type. There are no expressions."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from typing import Any, NamedTuple

from .nodes import Node, Place

NAME = r"[a-z][a-z0-9_-]{0,63}"
WHOLE = rf"^\$\{{{NAME}\}}$"
_OPENING = re.compile(r"\$\{([^}]*)(\}?)")
_WHOLE = re.compile(rf"\$\{{({NAME})\}}")


def whole_name(value: object) -> str | None:
    """The name, if the value is a placeholder and nothing else."""
    match = _WHOLE.fullmatch(value) if isinstance(value, str) else None
    return match[1] if match else None


class Placeholder(NamedTuple):
    """A placeholder in a text: the whole, what stands in its braces, and whether that can be a name."""

    written: str
    name: str
    well_formed: bool


def placeholders_in(text: str) -> list[Placeholder]:
    """All that begins like a placeholder."""
    return [
        Placeholder(match[0], match[1], _WHOLE.fullmatch(match[0]) is not None)
        for match in _OPENING.finditer(text)
    ]


def texts_below(node: Node, place: Place) -> Iterator[tuple[Node, Place]]:
    """Every text at or below a node, with its place."""
    if isinstance(node.value, str):
        yield node, place
    elif isinstance(node.value, list):
        for index, inner in enumerate(node.value):
            yield from texts_below(inner, (*place, index))
    elif isinstance(node.value, dict):
        for key, inner in node.value.items():
            yield from texts_below(inner, (*place, key))


def fill(value: Any, values: Mapping[str, Any]) -> Any:
    """The value with every placeholder replaced. A text that is one placeholder becomes the value itself."""
    if isinstance(value, str):
        name = whole_name(value)
        if name is not None:
            return values[name]
        return _WHOLE.sub(lambda match: _as_text(values[match[1]]), value)
    if isinstance(value, list):
        return [fill(inner, values) for inner in value]
    if isinstance(value, dict):
        return {key: fill(inner, values) for key, inner in value.items()}
    return value


def _as_text(value: object) -> str:
    return str(value).lower() if isinstance(value, bool) else "" if value is None else str(value)
