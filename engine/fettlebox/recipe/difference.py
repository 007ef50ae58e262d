"""What differs between two recipes, in sentences: not in their lines, but in what they do."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from difflib import SequenceMatcher
from typing import Any

from .explain import ExplainedAsk, Explanation, explain, value_in_words
from .language import Recipe
from .steps import StepCall


@dataclass(frozen=True)
class Difference:
    """One thing that differs. `where`: `needs`, `ask`, a step's id, or `deliver`; `said` is a sentence."""

    where: str
    said: str

    def __str__(self) -> str:
        return f"{self.where}: {self.said}"


def difference(old: Recipe, new: Recipe) -> list[Difference]:
    """What `new` does that `old` does not, and the other way round; empty if a scan meets the same in both.

    Steps are matched by their ids. A setting that is left out is compared by its default.
    """
    before, after = explain(old), explain(new)
    return [
        *_needs(old.needs, new.needs),
        *_asks(before, after),
        *_steps(old, new),
        *_deliveries(before, after),
    ]


def _needs(then: tuple[str, ...], now: tuple[str, ...]) -> Iterator[Difference]:
    for tag in then:
        if tag not in now:
            yield Difference("needs", f"the machine need not have {tag} any more")
    for tag in now:
        if tag not in then:
            yield Difference("needs", f"the machine must have {tag} now")


def _asks(before: Explanation, after: Explanation) -> Iterator[Difference]:
    then, now = ({ask.name: ask for ask in one.asks} for one in (before, after))
    for name in then:
        if name not in now:
            yield Difference("ask", f"{name} is no longer asked for")
    for name, ask in now.items():
        if name not in then:
            yield Difference("ask", f"{name} is new: {_said(ask)}")
        elif _said(then[name]) != _said(ask):
            yield Difference("ask", f"{name} was {_said(then[name])}; it is {_said(ask)}")


def _said(ask: ExplainedAsk) -> str:
    return f"{ask.may_be}, " + ("to be told" if ask.usual is None else f"{ask.usual} unless told")


def _steps(old: Recipe, new: Recipe) -> Iterator[Difference]:
    then, now = ({call.id: call for call in one.steps} for one in (old, new))
    for key, call in then.items():
        if key not in now:
            yield Difference(key, f"{call.step.name} is no longer done")
    order = list(now)
    for index, (key, call) in enumerate(now.items()):
        if key not in then:
            place = f"after {order[index - 1]}" if index else "first"
            yield Difference(key, f"{call.step.name} is new, {place}" + _set_to(call))
        elif then[key].step.name != call.step.name:
            yield Difference(key, f"was {then[key].step.name}; it is {call.step.name}" + _set_to(call))
        else:
            yield from _settings(then[key], call)
    yield from _moved([key for key in then if key in now], [key for key in now if key in then])


def _moved(then: list[str], now: list[str]) -> Iterator[Difference]:
    kept = {key for block in SequenceMatcher(None, then, now, autojunk=False).get_matching_blocks()
            for key in now[block.b : block.b + block.size]}  # fmt: skip
    for index, key in enumerate(now):
        if key not in kept:
            yield Difference(key, "now comes " + (f"after {now[index - 1]}" if index else "first"))


def _set_to(call: StepCall) -> str:
    written = call.params.plain() or {}
    return f": {value_in_words(written)}" if written else ""


def _settings(then: StepCall, now: StepCall) -> Iterator[Difference]:
    defaults = {
        name: field.get("default")
        for name, field in now.step.params.model_json_schema(by_alias=True).get("properties", {}).items()
    }
    was, is_ = (_filled(call, defaults) for call in (then, now))
    for name in dict.fromkeys([*was, *is_]):
        if was.get(name) != is_.get(name):
            told, tells = (_shown(call, name, all_) for call, all_ in ((then, was), (now, is_)))
            yield Difference(now.id, f"{name} was {told}; it is {tells}")
    for word, old, new in (
        ("when", then.when, now.when),
        ("otherwise", then.otherwise, now.otherwise),
        ("locked", then.locked, now.locked),
    ):
        if old != new:
            yield Difference(now.id, f"{word} was {value_in_words(old)}; it is {value_in_words(new)}")


def _filled(call: StepCall, defaults: Mapping[str, Any]) -> dict[str, Any]:
    return {**defaults, **(call.params.plain() or {})}


def _shown(call: StepCall, name: str, values: Mapping[str, Any]) -> str:
    value = values.get(name)
    words = "not set" if value is None else value_in_words(value)
    return words if name in (call.params.plain() or {}) or value is None else f"{words}, as usual"


def _deliveries(before: Explanation, after: Explanation) -> Iterator[Difference]:
    for one in before.delivered:
        if one not in after.delivered:
            yield Difference("deliver", f"{one} no longer comes out")
    for one in after.delivered:
        if one not in before.delivered:
            yield Difference("deliver", f"{one} comes out too")
