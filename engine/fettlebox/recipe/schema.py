"""The JSON Schemas of all files that people write, composed from the steps that are installed.

For editors, which complete and explain as one types, and for third parties. It says all that a JSON
Schema can say; the rest (bounds of quantities, names that `ask` does not have) is the checker's.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any, Literal

from pydantic import ValidationError

from ..api import Step
from ..catalog import Catalog
from ..params import StepParams
from .ask import ASK_TYPES
from .expect import expect_schema
from .extends import PARENT
from .language import FORMATS, PICTURES, ZIP
from .needs import MOST_TAGS, NO_TAG
from .placeholders import NAME, WHOLE
from .profiles import MaterialFile
from .shelf import EXTENDS, KINDS_OF_PRINTER
from .shop import Shop, ShopFile
from .steps import OTHERWISE, PLACING, alias_of
from .ticket import TicketFile

Kind = Literal["recipe", "ticket", "shop", "printer", "material", "expect"]
KINDS: tuple[Kind, ...] = ("recipe", "ticket", "shop", "printer", "material", "expect")
DIALECT = "https://json-schema.org/draft/2020-12/schema"
_PLACEHOLDER = {"$ref": "#/$defs/placeholder"}


def compose_schema(kind: Kind, catalog: Catalog) -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) of one kind of file."""
    if kind == "recipe":
        return _recipe_schema(catalog)
    if kind == "printer":
        return _profile_schema("printer", list(KINDS_OF_PRINTER.values()))
    if kind == "material":
        return _profile_schema("material", [MaterialFile])
    if kind == "expect":
        return {"$schema": DIALECT, **expect_schema()}
    model = TicketFile if kind == "ticket" else ShopFile
    return {"$schema": DIALECT, **model.model_json_schema(by_alias=True)}


def shop_schema(kind: Kind, catalog: Catalog, shop: Shop) -> dict[str, Any]:
    """The same, with the names that only this shop has: those of its recipes, printers and materials."""
    recipes = sorted(path.stem for path in (shop.folder / "recipes").glob("*.yaml"))
    printers, materials = sorted(shop.printers), sorted(shop.materials)
    names = {"recipe": recipes, "standard": recipes, "printer": printers, "material": materials}
    if kind in ("printer", "material"):
        names[EXTENDS] = names[kind]
    schema = compose_schema(kind, catalog)
    # Printers and materials may be named in a shop file as soon as they stand there.
    return schema if kind == "recipe" else dict(_with_names(schema, names, new_ones_too=kind == "shop"))


def _with_names(schema: Any, names: Mapping[str, Sequence[str]], *, new_ones_too: bool) -> Any:
    """Every property that holds a name says which names there are; where there are none, as it was."""
    if isinstance(schema, list):
        return [_with_names(inner, names, new_ones_too=new_ones_too) for inner in schema]
    if not isinstance(schema, dict):
        return schema
    result = {key: _with_names(inner, names, new_ones_too=new_ones_too) for key, inner in schema.items()}
    for key, there in names.items():
        if there and key in schema.get("properties", {}):
            field = dict(schema["properties"][key])
            notes = {word: field.pop(word) for word in _NOTES if word in field}
            kinds = field.pop("anyOf", None) or [field]
            if not (new_ones_too and key in ("printer", "material")):
                kinds = [one for one in kinds if one.get("type") == "null"]
            named = [{"enum": list(there)}, *kinds]
            result["properties"] = {**result["properties"], key: {"anyOf": named, **notes}}
    return result


def _profile_schema(what: str, models: Sequence[type[StepParams]]) -> dict[str, Any]:
    """A file of printers/ or materials/: whole, or only what differs from the one that it extends."""
    about = f"The {what} that this one takes over, by its name; only what differs is written here."
    whole, part = [], []
    for model in models:
        schema = model.model_json_schema(by_alias=True)
        schema["properties"] = {EXTENDS: {"type": "string", "description": about}, **schema["properties"]}
        part.append({key: value for key, value in schema.items() if key != "required"})
        whole.append(schema)
    return {
        "$schema": DIALECT,
        "title": f"Fettlebox {what}",
        "type": "object",
        "if": {"required": [EXTENDS]},
        "then": {"anyOf": part},
        "else": {"anyOf": whole},
    }


def write_schema(schema: Mapping[str, Any]) -> str:
    """The one way a schema is written, so that files compare."""
    return json.dumps(schema, indent=2, ensure_ascii=False) + "\n"


def _recipe_schema(catalog: Catalog) -> dict[str, Any]:
    steps = {name: catalog.steps[name] for name in sorted(catalog.steps)}
    definitions: dict[str, Any] = {
        "placeholder": {
            "type": "string",
            "pattern": WHOLE,
            "description": "A value that a ticket sets; the name is one of `ask`.",
        }
    }
    for ask_type, model in ASK_TYPES.items():
        definitions[f"ask-{ask_type}"] = _hoisted(model.model_json_schema(), f"ask-{ask_type}", definitions)
    for name, step in steps.items():
        params = _with_placeholders(step.params.model_json_schema(by_alias=True))
        definitions[f"step-{name}"] = _hoisted(params, f"step-{name}", definitions)
    demands = {name: _without_demands(definitions[f"step-{name}"]) for name in steps}
    full, override = _entry(steps, demands, definitions), _entry(steps, None, definitions)
    name_schema = {"type": "string", "pattern": f"^{NAME}$"}
    return {
        "$schema": DIALECT,
        "title": "Fettlebox recipe",
        "description": "A list of steps that are run on every scan.",
        "type": "object",
        "properties": {
            "recipe": {**name_schema, "description": "The recipe's name; its file has the same."},
            "about": {"type": "string", "description": "What the recipe is for, in a sentence."},
            "extends": {
                "type": "string",
                "pattern": PARENT,
                "description": "A recipe in the same folder, or below it, whose steps are taken over.",
            },
            "needs": {
                "type": "array",
                "items": {**name_schema, "not": {"const": NO_TAG}},
                "uniqueItems": True,
                "maxItems": MOST_TAGS,
                "description": "What a machine must have to work on its jobs, by the shop's own tags.",
            },
            "ask": {
                "type": ["object", "null"],
                "description": "What a ticket may set. A step uses a value as ${name}.",
                "propertyNames": name_schema,
                "additionalProperties": {
                    "type": "object",
                    "required": ["type"],
                    "oneOf": [{"$ref": f"#/$defs/ask-{ask_type}"} for ask_type in ASK_TYPES],
                },
            },
            "steps": {"type": "array", "minItems": 1, "description": "What is done, in this order."},
            "deliver": _deliver_schema((*FORMATS, *sorted(catalog.writers))),
        },
        "additionalProperties": False,
        "required": ["recipe"],
        "if": {"required": ["extends"]},
        "then": {"properties": {"steps": {"items": override}}},
        "else": {"properties": {"steps": {"items": full}}, "required": ["steps", "deliver"]},
        "$defs": definitions,
    }


def _deliver_schema(formats: Sequence[str]) -> dict[str, Any]:
    after = {
        "type": "object",
        "properties": {
            "after": {
                "type": "string",
                "pattern": f"^{NAME}$",
                "description": "The id of the step whose part it holds.",
            }
        },
        "required": ["after"],
        "additionalProperties": False,
    }
    stacked = {
        "type": "object",
        "properties": dict.fromkeys(formats, after),
        "additionalProperties": False,
        "minProperties": 1,
        "maxProperties": 1,
    }
    return {
        "type": "array",
        "items": {"anyOf": [{"enum": [*formats, PICTURES, ZIP]}, stacked]},
        "uniqueItems": True,
        "if": {"contains": {"const": ZIP}},
        "then": {"minItems": 2},
        "description": "The files to write: parts, pictures, a zip of all; an empty list is for a report.",
    }


_DEMANDS = (
    "required", "minProperties", "dependentRequired", "oneOf", "anyOf", "allOf", "not", "if", "then", "else",
)  # fmt: skip


def _without_demands(params: dict[str, Any]) -> dict[str, Any]:
    """Takes out of a step's schema, and returns, what it demands of the whole: a recipe that extends
    another writes only what differs.
    """
    return {word: params.pop(word) for word in _DEMANDS if word in params}


def _entry(
    steps: Mapping[str, Step[Any]],
    demands: Mapping[str, dict[str, Any]] | None,
    definitions: Mapping[str, Any],
) -> dict[str, Any]:
    """The schema of one entry of `steps`; without demands, that of a recipe that extends another."""
    bare, named = [], {}
    for name, step in steps.items():
        runs_bare = demands is None or _runs_bare(step)
        bare_value = _bare_value(step, definitions)
        named[name] = _value_of(step, bare_value, demands[name] if demands else {}, runs_bare)
        if runs_bare:
            bare.append({"const": name, "description": step.summary})
    siblings: dict[str, Any] = {
        "id": {"type": "string", "pattern": f"^{NAME}$", "description": "The step's name in records."},
        "when": {"anyOf": [{"type": "boolean"}, _PLACEHOLDER], "description": "Run it only if this is met."},
        "otherwise": {"enum": list(OTHERWISE), "default": "stop", "description": "What if it cannot?"},
        "locked": {
            "type": "boolean",
            "default": False,
            "description": "A recipe that extends this one may not change it.",
        },
    }
    if demands is None:
        for word in PLACING:
            about = f"For a new step: the id of the step it comes {word}."
            siblings[word] = {"type": "string", "description": about}
    mapping = {
        "type": "object",
        "properties": {**named, **siblings},
        "additionalProperties": False,
        "oneOf": [{"required": [name]} for name in named],
    }
    return {"anyOf": [{"oneOf": bare}, mapping]} if bare else mapping


def _runs_bare(step: Step[Any]) -> bool:
    try:
        step.params.model_validate({})
    except ValidationError:
        return False
    return True


def _value_of(
    step: Step[Any], bare_value: Mapping[str, Any] | None, demands: Mapping[str, Any], runs_bare: bool
) -> dict[str, Any]:
    alternatives: list[dict[str, Any]] = [{"$ref": f"#/$defs/step-{step.name}", **demands}]
    needed = set(demands.get("required", ()))
    if step.shorthand is not None and bare_value and needed <= {alias_of(step, step.shorthand)}:
        alternatives.append(dict(bare_value))
    if runs_bare:
        alternatives.append({"type": "null"})
    return {"anyOf": alternatives, "description": step.summary}


def _bare_value(step: Step[Any], definitions: Mapping[str, Any]) -> dict[str, Any] | None:
    """What may stand alone after a step's name: a value of its shorthand, but no keys: those are its own; nor
    nothing: that is the step without parameters.
    """
    if step.shorthand is None:
        return None
    key = alias_of(step, step.shorthand)
    value = definitions[f"step-{step.name}"]["properties"][key]
    alone = [
        one for one in value.get("anyOf", ()) if not _has_keys(one, definitions) and one.get("type") != "null"
    ]
    if "anyOf" in value and len(alone) < len(value["anyOf"]):
        return {**value, "anyOf": alone}
    return {"$ref": f"#/$defs/step-{step.name}/properties/{_pointer(key)}"}


def _has_keys(schema: Mapping[str, Any], definitions: Mapping[str, Any]) -> bool:
    reference = schema.get("$ref", "").removeprefix("#/$defs/")
    return bool(definitions.get(reference, schema).get("type") == "object")


def _pointer(key: str) -> str:
    """A key inside a JSON pointer in a URI fragment (RFC 6901, sections 3 and 6)."""
    from urllib.parse import quote

    return quote(key.replace("~", "~0").replace("/", "~1"))


def _hoisted(schema: dict[str, Any], prefix: str, definitions: dict[str, Any]) -> dict[str, Any]:
    """A schema whose own definitions have moved into ours, under names that no other step uses."""
    own = schema.pop("$defs", {})

    def renamed(value: Any) -> Any:
        if isinstance(value, dict):
            return {
                key: f"#/$defs/{prefix}.{inner.removeprefix('#/$defs/')}" if key == "$ref" and
                inner.removeprefix("#/$defs/") in own else renamed(inner)
                for key, inner in value.items()
            }  # fmt: skip
        return [renamed(inner) for inner in value] if isinstance(value, list) else value

    for name, inner in own.items():
        definitions[f"{prefix}.{name}"] = renamed(inner)
    return dict(renamed(schema))


def _with_placeholders(schema: Any) -> Any:
    """Every property and list item also admits `${name}`."""
    if isinstance(schema, list):
        return [_with_placeholders(inner) for inner in schema]
    if not isinstance(schema, dict):
        return schema
    result = {key: _with_placeholders(inner) for key, inner in schema.items() if key != "properties"}
    if "properties" in schema:
        result["properties"] = {key: _or_placeholder(inner) for key, inner in schema["properties"].items()}
    if isinstance(schema.get("items"), dict):
        result["items"] = _or_placeholder(schema["items"])
    return result


_NOTES = ("title", "description", "default", "examples", "x-at-least", "x-at-most", "deprecated")


def _or_placeholder(schema: Mapping[str, Any]) -> dict[str, Any]:
    inner = _with_placeholders(dict(schema))
    notes = {key: inner.pop(key) for key in _NOTES if key in inner}
    alternatives = inner["anyOf"] if set(inner) == {"anyOf"} else [inner]
    return {"anyOf": [*alternatives, dict(_PLACEHOLDER)], **notes}
