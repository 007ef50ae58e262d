"""Find plugins, put broken ones aside with their reason, list the steps of the rest."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from difflib import get_close_matches
from importlib import metadata
from typing import Any

import pluggy

from .api import API_VERSION, ENTRY_POINT_GROUP, Grader, Hooks, Notifier, Step
from .params import StepParams

STEP_NAME = r"[a-z][a-z0-9_-]{0,63}"
NOT_STEPS = {"id", "when", "otherwise", "locked", "after", "before"}  # what a recipe writes beside a step


@dataclass(frozen=True)
class Quarantined:
    """A plugin that could not be used, and why, in one sentence."""

    name: str
    source: str
    reason: str


@dataclass(frozen=True)
class Catalog:
    """Steps by name, judges of scans, who is told of jobs; and the plugins that cannot be used."""

    steps: dict[str, Step[Any]] = field(default_factory=dict)
    sources: dict[str, str] = field(default_factory=dict)
    quarantined: dict[str, Quarantined] = field(default_factory=dict)
    graders: list[Grader] = field(default_factory=list)
    notifiers: list[Notifier] = field(default_factory=list)

    def why_not(self, name: str) -> str:
        """One sentence on why there is no step of this name, with the nearest one that there is."""
        if name in self.quarantined:
            bad = self.quarantined[name]
            return f"step {name!r} comes from {bad.source}, which is set aside: {bad.reason}"
        near = get_close_matches(name, self.steps, n=1, cutoff=0.6)
        hint = f"did you mean {near[0]!r}?" if near else f"there are {', '.join(sorted(self.steps))}"
        return f"there is no step {name!r}; {hint}"


def find_steps(entry_points: Iterable[metadata.EntryPoint] | None = None) -> Catalog:
    """Load every entry point of the group `fettlebox.steps`. One broken plugin never hides another.

    Built-in steps come first; a third party that takes a name in use is set aside.
    """
    found = metadata.entry_points(group=ENTRY_POINT_GROUP) if entry_points is None else entry_points
    catalog = Catalog()
    for source, entry in sorted(_with_sources(found), key=lambda e: (e[0] != "fettlebox", e[0], e[1].name)):
        try:
            steps, graders, notifiers = _load(entry)
            for step in steps:
                _admit(step, catalog, source)
            catalog.graders.extend(graders)
            catalog.notifiers.extend(notifiers)
        except (Exception, SystemExit) as error:  # whatever a plugin does wrong is its own matter
            key = entry.name if entry.name not in catalog.quarantined else f"{source}:{entry.name}"
            catalog.quarantined[key] = Quarantined(entry.name, source, _sentence(error))
    return catalog


def _load(entry: metadata.EntryPoint) -> tuple[list[Step[Any]], list[Grader], list[Notifier]]:
    manager = pluggy.PluginManager("fettlebox")
    manager.add_hookspecs(Hooks)
    manager.register(entry.load())
    manager.check_pending()
    steps = [step for group in manager.hook.fettlebox_steps() for step in group]
    graders = [grader for group in manager.hook.fettlebox_graders() for grader in group]
    notifiers = [notifier for group in manager.hook.fettlebox_notifiers() for notifier in group]
    if not steps and not graders and not notifiers:
        raise TypeError(f"{entry.value} registers no step; does @step decorate it?")
    for grader in graders:
        if not isinstance(grader, Grader):
            raise TypeError(f"{grader!r} is not a Grader")
    for notifier in notifiers:
        if not isinstance(notifier, Notifier):
            raise TypeError(f"{notifier!r} is not a Notifier")
    return steps, graders, notifiers


def _admit(step: Step[Any], catalog: Catalog, source: str) -> None:
    if not isinstance(step, Step):
        raise TypeError(f"{step!r} is not a Step")
    if step.api_version != API_VERSION:
        raise TypeError(f"made for plugin contract {step.api_version}; this engine speaks {API_VERSION}")
    if re.fullmatch(STEP_NAME, step.name) is None or step.name in NOT_STEPS:
        raise TypeError(f"{step.name!r} cannot be a step's name; expected small letters, digits, - and _")
    if step.name in catalog.steps:
        raise TypeError(f"the name {step.name!r} is taken by {catalog.sources[step.name]}")
    if not issubclass(step.params, StepParams):
        raise TypeError(f"the parameters of {step.name!r} are not StepParams")
    step.params.model_json_schema()
    catalog.steps[step.name] = step
    catalog.sources[step.name] = source


def _with_sources(entries: Iterable[metadata.EntryPoint]) -> list[tuple[str, metadata.EntryPoint]]:
    """Entry points with the name of the distribution that each comes from. Asked once for each
    distribution: every answer parses its whole metadata file.
    """
    names: dict[int, str] = {}
    sourced = []
    for entry in entries:
        source = entry.value.partition(":")[0]
        if entry.dist is not None:
            key = id(entry.dist)
            if key not in names:
                names[key] = entry.dist.name
            source = names[key]
        sourced.append((source, entry))
    return sourced


def _sentence(error: BaseException) -> str:
    text = str(error).strip().splitlines()
    return f"{type(error).__name__}: {text[0] if text else 'no reason given'}"
