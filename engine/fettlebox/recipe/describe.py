"""What a JSON Schema expects, in words; and which part of a schema a place in the data belongs to."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from ..quantities import KINDS
from .nodes import shorten

Schema = Mapping[str, Any]

_KIND_OF_PATTERN = {kind.pattern: kind for kind in KINDS.values()}


def at(schema: Schema, path: Iterable[str | int], data: Any = None) -> list[Schema]:
    """All subschemas, references resolved, that speak of the value at `path`; [] where none does.

    Of alternatives that are told apart by a constant, those that `data` cannot be are left out.
    """
    here = _suiting(_branches(schema, schema), data)
    for part in path:
        data = _inside(data, part)
        here = [deeper for branch in here for deeper in _step_down(branch, part, schema)]
        here = _suiting(here, data)
    return here


def _inside(data: Any, part: str | int) -> Any:
    if isinstance(data, Mapping):
        return data.get(part)
    return data[part] if isinstance(data, list) and isinstance(part, int) and part < len(data) else None


def _suiting(schemas: list[Schema], data: Any) -> list[Schema]:
    if not isinstance(data, Mapping):
        return schemas
    fit = [
        schema
        for schema in schemas
        if all("const" not in inner or data.get(key, inner["const"]) == inner["const"]
               for key, inner in schema.get("properties", {}).items())
    ]  # fmt: skip
    return fit or schemas


def known_keys(schemas: Iterable[Schema]) -> list[str]:
    """The keys that a mapping described by any of these may have."""
    return list(dict.fromkeys(key for schema in schemas for key in schema.get("properties", {})))


def in_words(schemas: Iterable[Schema]) -> str:
    """`an angle such as '30 deg', or keys of its own (up to)`"""
    phrases: list[str] = []
    choices: list[str] = []
    for schema in schemas:
        if "const" in schema or "enum" in schema:
            words = [_word(choice) for choice in schema.get("enum", [schema.get("const")])]
            choices += [word for word in words if word not in choices]
        elif (phrase := _phrase(schema)) and phrase not in phrases:
            phrases.append(phrase)
    if choices:
        phrases.insert(0, ("one of " if len(choices) > 1 else "") + listed(choices))
    if any(phrase.startswith("a number") for phrase in phrases):
        phrases = [phrase for phrase in phrases if not phrase.startswith("a whole number")]
    return ", or ".join(phrases)


def _word(choice: Any) -> str:
    return str(choice).lower() if isinstance(choice, bool) else str(choice)


def listed(names: Iterable[str], most: int = 14) -> str:
    names = [shorten(name) for name in names]
    return ", ".join(names[:most]) + (", …" if len(names) > most else "")


def _phrase(schema: Schema) -> str:
    if isinstance(schema.get("type"), list):
        return in_words([{**schema, "type": one} for one in schema["type"]])
    match schema.get("type"):
        case "string":
            kind = _KIND_OF_PATTERN.get(schema.get("pattern", ""))
            if kind is None and "pattern" in schema:
                return f"text such as '{schema['examples'][0]}'" if "examples" in schema else "text"
            if kind is None:
                most = schema.get("maxLength")
                return "text" + (f" of {schema.get('minLength', 0)} to {most} letters" if most else "")
            return kind.phrase + _bounds(schema, "x-at-least", "x-at-most")
        case "integer":
            return "a whole number" + _bounds(schema, "minimum", "maximum")
        case "number":
            return "a number" + _bounds(schema, "minimum", "maximum")
        case "boolean":
            return "true or false"
        case "array":
            items = schema.get("items", {})
            inner = "" if "$ref" in items else in_words(_branches(items, items))
            count = schema.get("minItems")
            exact = f" of {count}" if count and count == schema.get("maxItems") else ""
            return f"a list{exact}" + (f", each {inner}" if inner else "")
        case "object":
            keys = known_keys([schema])
            return f"keys of its own ({listed(keys)})" if keys else "keys and values"
    return ""


def _bounds(schema: Schema, least: str, most: str) -> str:
    low, high = schema.get(least), schema.get(most)
    if low is not None and high is not None:
        return f", from {low} to {high}"
    if low is not None:
        return f", at least {low}"
    return f", at most {high}" if high is not None else ""


def _branches(schema: Schema, root: Schema) -> list[Schema]:
    """A schema with its references and alternatives spread out. What stands beside `anyOf` goes to each."""
    if "$ref" in schema:
        target: Any = root
        for name in schema["$ref"].removeprefix("#/").split("/"):
            target = target[name]
        beside = {key: value for key, value in schema.items() if key != "$ref"}
        return _branches({**target, **beside}, root)
    for word in ("anyOf", "oneOf"):
        if word in schema:
            beside = {key: value for key, value in schema.items() if key != word}
            return [found for one in schema[word] for found in _branches({**beside, **one}, root)]
    return [schema]


def _step_down(schema: Schema, part: str | int, root: Schema) -> list[Schema]:
    inner: Any = None
    if isinstance(part, int):
        given = schema.get("prefixItems", [])
        inner = given[part] if part < len(given) else schema.get("items")
    else:
        inner = schema.get("properties", {}).get(part, schema.get("additionalProperties"))
    return _branches(inner, root) if isinstance(inner, Mapping) else []
