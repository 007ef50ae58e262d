"""Data against a pydantic model, with every problem at its place in the file."""

from __future__ import annotations

import json
from collections.abc import Callable
from difflib import get_close_matches
from functools import cache
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from .describe import Schema, at, in_words, known_keys, listed
from .nodes import Node, Place, Problems, quoted

M = TypeVar("M", bound=BaseModel)
Path = tuple[str | int, ...]

EXACT_BELOW = 2.0**53  # every whole number up to here is a float of its own
_LOOKS_LIKE_A_FLAG = {"yes", "no", "on", "off", "y", "n"}
_TAGGED = {"union_tag_not_found", "union_tag_invalid"}
_A_SENTENCE = {"value_error", "assertion_error"}


def validate(
    model: type[M],
    node: Node,
    place: Place,
    problems: Problems,
    data: Any = None,
    explain: Callable[[Path], str] = lambda path: "",
    skip: Callable[[Path], bool] = lambda path: False,
) -> M | None:
    """The model made of `data` (by default the node's own), or None and problems.

    Strict, as JSON is: a text is never taken for a number or a flag. `explain` adds a word on where
    the value at a path came from; problems at a path that `skip` names are left out.
    """
    given = node.plain() if data is None else data
    try:
        text = json.dumps(_whole_numbers(given))
        return model.model_validate_json(text, strict=True, by_alias=True, by_name=False)
    except ValidationError as error:
        schema = _schema(model)
        for path, details in _by_path(error, node).items():
            if not skip(path):
                _report(path, details, schema, given, node, place, problems, explain(path))
    return None


def _whole_numbers(value: Any) -> Any:
    """`1e6` and `2.0` are whole numbers to JSON Schema, and so to us."""
    if isinstance(value, dict):
        return {key: _whole_numbers(inner) for key, inner in value.items()}
    if isinstance(value, list):
        return [_whole_numbers(inner) for inner in value]
    if isinstance(value, float) and value.is_integer() and abs(value) < EXACT_BELOW:
        return int(value)
    return value


@cache
def _schema(model: type[BaseModel]) -> Schema:
    return model.model_json_schema(by_alias=True)


def _by_path(error: ValidationError, node: Node) -> dict[Path, list[ErrorDetails]]:
    """Errors by the path they speak of. For a value that may be one of several things, those of the
    alternative that fits the shape of what was written.
    """
    found: dict[Path, list[ErrorDetails]] = {}
    for detail in error.errors(include_url=False):
        found.setdefault(_path_in_data(detail, node), []).append(detail)
    inner = [path for path in found if any(_from_branch(path, detail) for detail in found[path])]
    shadowed = {
        path for path in inner for other in found if len(other) > len(path) and other[: len(path)] == path
    }
    return {path: details for path, details in found.items() if path not in shadowed}


def _path_in_data(detail: ErrorDetails, node: Node) -> Path:
    """The location of an error without the names of union branches, which pydantic mixes in."""
    path: list[str | int] = []
    here: Node | None = node
    names_a_key = detail["type"] in ("missing", "extra_forbidden")
    location = detail["loc"]
    if detail["type"] in _TAGGED:
        location = (*location, _discriminator(detail))
        names_a_key = True
    for index, part in enumerate(location):
        last = index == len(location) - 1
        if last and names_a_key:
            path.append(part)
        elif here is not None and isinstance(here.value, dict) and part in here.value:
            here = here.value[part]
            path.append(part)
        elif here is not None and isinstance(here.value, list) and isinstance(part, int):
            here = here.value[part] if part < len(here.value) else None
            path.append(part)
    return tuple(path)


def _discriminator(detail: ErrorDetails) -> str:
    return str(detail["ctx"]["discriminator"]).strip("'")


def _from_branch(path: Path, detail: ErrorDetails) -> bool:
    return len(detail["loc"]) > len(path)


def _report(
    path: Path,
    details: list[ErrorDetails],
    schema: Schema,
    data: Any,
    node: Node,
    place: Place,
    problems: Problems,
    origin: str,
) -> None:
    kinds = {detail["type"] for detail in details}
    if "extra_forbidden" in kinds:
        report_unknown_key(node_at(node, path[:-1]), str(path[-1]), place + path[:-1],
                           known_keys(at(schema, path[:-1], data)), problems)  # fmt: skip
        return
    spot = node_at(node, path)
    expected = in_words(at(schema, path, data))
    if "missing" in kinds or "union_tag_not_found" in kinds:
        problems.add(spot, place + path[:-1], f"{quoted(str(path[-1]))} is missing", expected, origin)
        return
    sentences = [str(detail["ctx"]["error"]) for detail in details if detail["type"] in _A_SENTENCE]
    simple = not isinstance(spot.value, (dict, list))
    if sentences and (simple or not any(_from_branch(path, detail) for detail in details)):
        found, expected, hint = _split(_most_telling(sentences), spot, expected)
    else:
        found, hint = spot.shown(), _advice(spot, expected)
    problems.add(spot, place + path, found, expected, "; ".join(part for part in (hint, origin) if part))


def _most_telling(sentences: list[str]) -> str:
    """Of what several alternatives say, that of the one which was probably meant."""
    units = [said.partition("write '")[2].partition("'")[0] for said in sentences if "has no unit" in said]
    if len(units) > 1 and all(units):
        shown = " or ".join(quoted(unit) for unit in units)
        return f"{sentences[0].partition(';')[0]}; write {shown}, as you mean it"
    return min(sentences, key=lambda said: ("is not a unit" in said, "did you mean" not in said))


def _split(sentence: str, spot: Node, expected: str) -> tuple[str, str, str]:
    """A sentence of a validator into what was found, what was expected, and what to do."""
    found, _, rest = sentence.partition("; ")
    if found.startswith("expected ") and ", found " in found:
        wanted, _, given = found.removeprefix("expected ").rpartition(", found ")
        if isinstance(spot.value, (dict, list)) and given[:1] not in ("{", "["):
            return f"found {given}", wanted, rest  # a sentence on several settings together
        filled = isinstance(spot.value, str) and "${" in spot.value
        shown = f"found {given}" if filled else spot.shown()
        return shown, expected or wanted, rest or _advice(spot, expected)
    if rest.startswith("expected ") and "unit" not in found:
        return found, rest.removeprefix("expected "), ""
    return found, expected if "unit" in found else "", rest.partition("expected ")[0]


def _advice(node: Node, expected: str) -> str:
    if isinstance(node.value, str):
        if "true" in expected and node.value.lower() in _LOOKS_LIKE_A_FLAG:
            meant = node.value.lower() in ("yes", "on", "y")
            return f"write {str(meant).lower()} if that is what you mean"
        if "number" in expected and node.value.strip().lstrip("+-").replace(".", "", 1).isdigit():
            return "write it without quotes"
        near = get_close_matches(node.value, expected.removeprefix("one of ").split(", "), n=1)
        return f"did you mean {near[0]}?" if near else ""
    if "text" in expected and isinstance(node.value, (bool, int, float)):
        return f"put it in quotes: '{node.written}'"
    return ""


def report_unknown_key(
    node: Node,
    key: str,
    place: Place,
    known: list[str],
    problems: Problems,
    found: str = "there is no key {} here",
    hint: str = "",
) -> None:
    near = get_close_matches(key, known, n=1, cutoff=0.5)
    problems.add(
        node.keys.get(key, node),
        place,
        found.format(quoted(key)),
        f"one of {listed(known)}" if len(known) > 1 else listed(known) or "nothing to set",
        f"did you mean '{near[0]}'?" if near else hint,
    )


def node_at(node: Node, path: Path) -> Node:
    """The node at a path, or the nearest one above it that stands in the file."""
    for part in path:
        inner = node.value.get(part) if isinstance(node.value, dict) else None
        if isinstance(node.value, list) and isinstance(part, int) and part < len(node.value):
            inner = node.value[part]
        if inner is None:
            break
        node = inner
    return node
