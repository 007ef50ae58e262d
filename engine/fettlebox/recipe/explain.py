"""A recipe in plain words, for the shop floor: what a ticket may set, what is done, what comes out.

Everything is taken from the recipe and from the steps' own words, so that it cannot fall behind them.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from .ask import Ask, ChoiceAsk, TextAsk
from .describe import at
from .language import PICTURES, ZIP, Delivery, Recipe
from .placeholders import placeholders_in, whole_name
from .steps import StepCall

_FIRST_SENTENCE = re.compile(r".+?(?:\.(?=\s|$)|$)")
_IF_IT_CANNOT = {
    "hold": "If it cannot, the job waits for a person.",
    "skip": "If it cannot, the part goes on without it.",
}


@dataclass(frozen=True)
class ExplainedSetting:
    """A parameter that the recipe sets: what it is called, what it is set to, what it is for."""

    name: str
    value: str
    about: str


@dataclass(frozen=True)
class ExplainedStep:
    """One step: what it does, how it is set, and under which conditions, all in sentences."""

    id: str
    step: str
    summary: str
    settings: tuple[ExplainedSetting, ...]
    conditions: tuple[str, ...]


@dataclass(frozen=True)
class ExplainedAsk:
    """A value that a ticket may set: what it may be, what it is unless told, what it is for."""

    name: str
    may_be: str
    usual: str | None
    about: str


@dataclass(frozen=True)
class Explanation:
    """A recipe in plain words."""

    recipe: str
    about: str
    asks: tuple[ExplainedAsk, ...]
    steps: tuple[ExplainedStep, ...]
    delivered: tuple[str, ...]
    needs: tuple[str, ...] = ()


def explain(recipe: Recipe) -> Explanation:
    """The recipe in plain words."""
    return Explanation(
        recipe.name,
        recipe.about,
        tuple(_ask(name, ask) for name, ask in recipe.ask.items()),
        tuple(_step(call) for call in recipe.steps),
        tuple(_delivery(one) for one in recipe.deliver),
        recipe.needs,
    )


def value_in_words(value: Any) -> str:
    """A setting as a person says it: `{up to: 45 deg}` is `up to 45 deg`; `${size}` is `size as the ticket
    says`.
    """
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, Mapping):
        return ", ".join(f"{key} {value_in_words(inner)}" for key, inner in value.items())
    if isinstance(value, (list, tuple)):
        return "; ".join(value_in_words(inner) for inner in value) or "none"
    name = whole_name(value)
    if name is not None:
        return f"{name} as the ticket says"
    text = str(value)
    for one in placeholders_in(text):
        text = text.replace(one.written, f"[{one.name}]")
    return text or "nothing"


def lines_of(explanation: Explanation) -> Iterator[str]:
    """The explanation as lines of text."""
    yield f"{explanation.recipe}: {explanation.about}" if explanation.about else explanation.recipe
    if explanation.needs:
        yield ""
        yield f"What the machine must have: {', '.join(explanation.needs)}"
    if explanation.asks:
        yield ""
        yield "What a ticket may set"
        for ask in explanation.asks:
            usual = "has to be told" if ask.usual is None else f"{ask.usual} unless told"
            yield f"  {ask.name}: {ask.may_be}; {usual}"
            if ask.about:
                yield f"      {ask.about}"
    yield ""
    yield "What is done with every scan"
    for number, step in enumerate(explanation.steps, 1):
        named = step.id if step.id == step.step else f"{step.id} ({step.step})"
        yield f"{number:>3}. {named}: {step.summary}"
        for setting in step.settings:
            about = _FIRST_SENTENCE.match(setting.about)
            yield f"       {setting.name}: {setting.value}" + (f". {about[0]}" if about else "")
        for condition in step.conditions:
            yield f"       {condition}"
    yield ""
    yield "What comes out: " + ("; ".join(explanation.delivered) or "a report, no part")


_MAY_BE = {
    "ratio": "a ratio",
    "length": "a length",
    "angle": "an angle",
    "number": "a number",
    "count": "a whole number",
    "flag": "yes or no",
}


def _ask(name: str, ask: Ask) -> ExplainedAsk:
    if isinstance(ask, ChoiceAsk):
        may_be = "one of " + ", ".join(ask.choices)
    elif isinstance(ask, TextAsk):
        may_be = f"text of at most {ask.longest} letters"
    else:
        may_be = _MAY_BE[ask.type]
    for bound, word in (("min", "least"), ("max", "most")):
        said = getattr(ask, bound, None)
        may_be += "" if said is None else f", at {word} {said}"
    default = getattr(ask, "default", None)
    return ExplainedAsk(name, may_be, None if default is None else value_in_words(default), ask.about)


def _step(call: StepCall) -> ExplainedStep:
    schema = call.step.params.model_json_schema(by_alias=True)
    written = call.params.plain() or {}
    settings = tuple(
        ExplainedSetting(name, value_in_words(value), _about(schema, name)) for name, value in written.items()
    )
    return ExplainedStep(call.id, call.step.name, call.step.summary, settings, tuple(_conditions(call)))


def _about(schema: Mapping[str, Any], name: str) -> str:
    own = schema.get("properties", {}).get(name, {}).get("description")
    # Settings with keys of their own may be described where those are.
    return str(own or next((one["description"] for one in at(schema, [name]) if "description" in one), ""))


def _conditions(call: StepCall) -> Iterator[str]:
    name = whole_name(call.when)
    if name is not None:
        yield f"Only if the ticket says {name}."
    elif not call.when:
        yield "Switched off."
    if call.otherwise in _IF_IT_CANNOT:
        yield _IF_IT_CANNOT[call.otherwise]
    if call.locked:
        yield "Locked: recipes that extend this one keep it as it is."


def _delivery(one: Delivery) -> str:
    if one.format == PICTURES:
        return "its pictures"
    if one.format == ZIP:
        return "a zip of all of it"
    place = "finished part" if one.after is None else f"part after {one.after}"
    return f"the {place} as {one.format}"
