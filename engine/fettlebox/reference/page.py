"""A step's reference page, as Markdown."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from ..api import Step
from ..fact_names import unit_in
from ..quantities import KINDS, Kind
from ..recipe.describe import at, in_words
from ..recipe.steps import alias_of
from .words import Words, words_of

Schema = Mapping[str, Any]


def page_of(step: Step[Any], picture: str | None = None) -> str:
    """The page; `picture` is the name of a file beside it. Raises UsageError for words that are unclear."""
    words = words_of(step)
    parts = [f"# {step.name}\n{step.summary}"]
    if picture is not None:
        parts.append(f"![What `{step.name}` does]({picture})")
    if words.recipe:
        parts.append(f"```yaml\nsteps:\n{words.recipe}\n```")
    if words.text:
        parts.append(words.text)
    parts.append("\n".join(["## Parameters", *_parameters(step)]))
    if words.facts or words.evidence:
        parts.append("\n".join(["## What it measures", *_measures(words)]))
    limits = list(words.limits)
    if not step.keeps_sound:
        limits.append("What it makes of a sound solid need not be one.")
    if step.unsuited is not None:
        limits.append("What cannot come out on a printer is said by `fettlebox check SHOP`.")
    for title, bullets in (("Limits", limits), ("Sources", words.sources)):
        if bullets:
            parts.append("\n".join([f"## {title}", *(f"- {bullet}" for bullet in bullets)]))
    return "\n\n".join(parts) + "\n"


def index_of(steps: Sequence[Step[Any]]) -> str:
    """The page that leads to those of several steps."""
    rows = [(f"[`{step.name}`]({step.name}.md)", step.summary) for step in steps]
    return "\n".join(
        [
            "# Steps",
            "A page for every built-in step, made from its code. The pictures are of an example scan, in the",
            "recipe that the page shows.",
            "",
            *_table(("step", "what it does"), rows),
            "",
        ]
    )


def rows_of(step: Step[Any]) -> Iterator[tuple[str, Schema, list[Schema]]]:
    """Every parameter, those inside others as `outer.inner`: its name, the schema of its field, and the
    alternatives that a value may be.
    """
    schema = step.params.model_json_schema(by_alias=True)
    yield from _rows(schema, schema, (), "")


def _rows(
    root: Schema, here: Schema, path: tuple[str | int, ...], name: str
) -> Iterator[tuple[str, Schema, list[Schema]]]:
    for key, field in here.get("properties", {}).items():
        alternatives = at(root, [*path, key])
        yield f"{name}{key}", field, alternatives
        for one in alternatives:
            if one.get("properties"):
                yield from _rows(root, one, (*path, key), f"{name}{key}.")
            elif one.get("type") == "array" and isinstance(one.get("items"), Mapping):
                for item in at(root, [*path, key, 0]):
                    if item.get("properties"):
                        yield from _rows(root, item, (*path, key, 0), f"{name}{key}.")


def kinds_in(alternatives: Sequence[Schema]) -> list[Kind]:
    """The physical kinds among what a value may be, also inside lists."""
    found = []
    for schema in alternatives:
        patterns = {schema.get("pattern")}
        for word in ("items", "prefixItems"):
            inner = schema.get(word, [])
            patterns |= {one.get("pattern") for one in (inner if isinstance(inner, list) else [inner])}
        found += [kind for kind in KINDS.values() if kind.pattern in patterns]
    return list(dict.fromkeys(found))


def default_of(field: Schema) -> str:
    """The default as a recipe writes it; "" if there is none, or if its own parameters have theirs."""
    default = field.get("default")
    if default is None or isinstance(default, Mapping) or default == []:
        return ""
    if isinstance(default, bool):
        return "true" if default else "false"
    if isinstance(default, list):
        return ", ".join(map(str, default))
    return str(default) or '""'


def _parameters(step: Step[Any]) -> Iterator[str]:
    rows, kinds = [], []
    for name, field, alternatives in rows_of(step):
        kinds += kinds_in(alternatives)
        about = field.get("description") or next(
            (one["description"] for one in alternatives if "description" in one), ""
        )
        default = default_of(field)
        rows.append((f"`{name}`", in_words(alternatives), f"`{default}`" if default else "", about))
    if not rows:
        yield "It takes none."
        return
    yield from _table(("parameter", "what it may be", "default", "what it is for"), rows)
    yield ""
    if step.shorthand is not None:
        yield f"A value alone, as in `{step.name}: …`, is `{alias_of(step, step.shorthand)}`."
        yield ""
    said = [f"{kind.name} in {', '.join(kind.units)}" for kind in dict.fromkeys(kinds)]
    if said:
        yield f"Units: {'; '.join(said)}."


def _measures(words: Words) -> Iterator[str]:
    header = ("name", "unit", "what it is")
    if words.facts:
        yield "Facts, which stand in the traveler and which later steps and people go by:"
        yield ""
        yield from _table(header, _meanings(words.facts))
    if words.evidence:
        if words.facts:
            yield ""
        yield "Evidence, which backs what it decided:"
        yield ""
        yield from _table(header, _meanings(words.evidence))


def _meanings(said: Mapping[str, str]) -> list[tuple[str, str, str]]:
    return [(f"`{name}`", unit_in(name), meaning) for name, meaning in said.items()]


def _table(header: Sequence[str], rows: Sequence[Sequence[str]]) -> Iterator[str]:
    yield f"| {' | '.join(header)} |"
    yield f"|{'|'.join('---' for _ in header)}|"
    for row in rows:
        cells = [cell.replace("|", "\\|").replace("\n", " ") for cell in row]
        yield f"| {' | '.join(cells)} |"
