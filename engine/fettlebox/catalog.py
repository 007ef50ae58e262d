"""Find plugins, put broken ones aside with their reason, list the steps of the rest."""

from __future__ import annotations

import re
import sys
import warnings
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, redirect_stdout
from copy import copy
from dataclasses import dataclass, field, fields
from difflib import get_close_matches
from functools import partial
from importlib import metadata
from types import ModuleType
from typing import Any

import pluggy

from .api import ENTRY_POINT_GROUP, Grader, Notifier, Step
from .hooks import FactCollector, Hooks, JobObserver, Painter, Reader, Writer
from .made_for import CONTRACT, UnusableError, brought_up, contract_of, note_on, require_spoken
from .mesh import READABLE, WRITABLE
from .params import StepParams

OUR_PACKAGE = "fettlebox"
STEP_NAME = r"[a-z][a-z0-9_-]{0,63}"
HOOK_NAME = r"[A-Za-z0-9][A-Za-z0-9 _-]{0,63}"
KINDS = {
    "steps": Step, "graders": Grader, "notifiers": Notifier, "readers": Reader, "writers": Writer,
    "collectors": FactCollector, "painters": Painter, "observers": JobObserver,
}  # fmt: skip
TAKEN_FORMATS = {*(suffix.removeprefix(".") for suffix in WRITABLE), "pictures", "zip"}
SURELY_MEANT = 0.8  # how near a name has to be to a step's, from 0 to 1: one letter amiss in five
NOT_STEPS = {"id", "when", "otherwise", "locked", "after", "before"}  # what a recipe writes beside a step


@dataclass(frozen=True)
class Quarantined:
    """A plugin that could not be used, and why, in one sentence."""

    name: str
    source: str
    reason: str


@dataclass(frozen=True)
class Catalog:
    """What plugins add, and the plugins that cannot be used.

    steps, sources                   by name; the package that a step comes from
    readers                          by the ending of a file, with its dot
    writers                          by the name of the format
    collectors, painters, observers  by `PACKAGE/NAME`
    brought_by                       (kind, key in the mapping above) → package, for readers and writers too
    notes                            sentences for authors of plugins that work but will not for ever
    """

    steps: dict[str, Step[Any]] = field(default_factory=dict)
    sources: dict[str, str] = field(default_factory=dict)
    quarantined: dict[str, Quarantined] = field(default_factory=dict)
    graders: list[Grader] = field(default_factory=list)
    notifiers: list[Notifier] = field(default_factory=list)
    readers: dict[str, Reader] = field(default_factory=dict)
    writers: dict[str, Writer] = field(default_factory=dict)
    collectors: dict[str, FactCollector] = field(default_factory=dict)
    painters: dict[str, Painter] = field(default_factory=dict)
    observers: dict[str, JobObserver] = field(default_factory=dict)
    brought_by: dict[tuple[str, str], str] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)

    def why_not(self, name: str) -> str:
        """One sentence on why there is no step of this name, with the nearest one that there is."""
        if name in self.quarantined:
            bad = self.quarantined[name]
            return f"step {name!r} comes from {bad.source}, which is set aside: {bad.reason}"
        near = get_close_matches(name, self.steps, n=1, cutoff=0.6)
        hint = f"did you mean {near[0]!r}?" if near else f"there are {', '.join(sorted(self.steps))}"
        if not get_close_matches(name, self.steps, n=1, cutoff=SURELY_MEANT):
            hint += "".join(f" (set aside: {bad.source}: {bad.reason})" for bad in self.quarantined.values())
        return f"there is no step {name!r}; {hint}"


def built_in_steps() -> Catalog:
    """What Fettlebox itself brings, whatever else is installed here."""
    found = metadata.entry_points(group=ENTRY_POINT_GROUP)
    return find_steps(entry for entry in found if entry.dist is not None and entry.dist.name == OUR_PACKAGE)


def find_steps(entry_points: Iterable[metadata.EntryPoint] | None = None) -> Catalog:
    """Load every entry point of the group `fettlebox.steps`. One broken plugin never hides another.

    Built-in steps come first; a third party that takes a name in use is set aside.
    """
    found = metadata.entry_points(group=ENTRY_POINT_GROUP) if entry_points is None else entry_points
    catalog = Catalog()
    for source, entry in sorted(_with_sources(found), key=lambda e: (e[0] != OUR_PACKAGE, e[0], e[1].name)):
        catalog = _with(catalog, source, entry.name, partial(_load, entry))
    return catalog


def with_plugin(catalog: Catalog, source: str, name: str, load: Callable[[], ModuleType]) -> Catalog:
    """The catalog and what a module that no package brings holds, or the reason why it cannot be used. It is
    made for the present contract unless it says another.
    """

    def loaded() -> tuple[int, list[tuple[str, Any]]]:
        module = load()
        made_for = contract_of(module.__name__, CONTRACT)
        require_spoken(made_for)
        return made_for, _made_in(module, source)

    return _with(catalog, source, name, loaded)


def _made_in(module: ModuleType, called: str) -> list[tuple[str, Any]]:
    """What a module holds that can be registered, but for steps that it imported from another."""
    mine = [
        one
        for one in vars(module).values()
        if isinstance(one, tuple(KINDS.values()))
        and not (isinstance(one, Step) and one.run.__module__ != module.__name__)
    ]
    if not mine:
        raise UnusableError(f"{called} registers no step; does @step decorate it?")
    return [found for one in mine for found in _registered(one, called)]


def _with(
    catalog: Catalog, source: str, name: str, load: Callable[[], tuple[int, list[tuple[str, Any]]]]
) -> Catalog:
    try:
        with _warnings_noted(catalog, source), redirect_stdout(sys.stderr):  # the output is the command's own
            made_for, hooks = load()
        with_it = _copy(catalog)  # what an entry point brings comes whole or not at all
        for kind, hook in hooks:
            _admit(kind, brought_up(hook, made_for), with_it, source)
        if (note := note_on(made_for)) and f"{source}: {note}" not in with_it.notes:
            with_it.notes.append(f"{source}: {note}")
    except (Exception, SystemExit) as error:  # whatever a plugin does wrong is its own matter
        with_it = _copy(catalog)
        key = name if name not in catalog.quarantined else f"{source}:{name}"
        with_it.quarantined[key] = Quarantined(name, source, _sentence(error))
    return with_it


def _copy(catalog: Catalog) -> Catalog:
    return Catalog(**{one.name: copy(getattr(catalog, one.name)) for one in fields(catalog)})


def _load(entry: metadata.EntryPoint) -> tuple[int, list[tuple[str, Any]]]:
    """The contract that a plugin was made for, and everything that it registers, each with its kind."""
    plugin = entry.load()
    made_for = contract_of(entry.module)
    require_spoken(made_for)
    return made_for, _registered(plugin, entry.value)


def _registered(plugin: Any, called: str) -> list[tuple[str, Any]]:
    """Everything that a module or an object registers, each with its kind."""
    manager = pluggy.PluginManager("fettlebox")
    manager.add_hookspecs(Hooks)
    manager.register(plugin)
    manager.check_pending()
    found = [
        (kind, hook)
        for kind in KINDS
        for group in getattr(manager.hook, f"fettlebox_{kind}")()
        for hook in group
    ]
    if not found:
        raise UnusableError(f"{called} registers no step; does @step decorate it?")
    for kind, hook in found:
        if not isinstance(hook, KINDS[kind]):
            raise UnusableError(f"{hook!r} is not a {KINDS[kind].__name__}")
    return found


@contextmanager
def _warnings_noted(catalog: Catalog, source: str) -> Iterator[None]:
    """What a plugin is warned of as it loads, such as a name that will go, is its author's matter."""
    with warnings.catch_warnings(record=True) as said:
        warnings.simplefilter("default")
        yield
    for one in said:
        note = f"{source}: {_first_line(one.message)}"
        if issubclass(one.category, DeprecationWarning) and "fettlebox" in note and note not in catalog.notes:
            catalog.notes.append(note)


def _admit(kind: str, hook: Any, catalog: Catalog, source: str) -> None:
    """Enter a hook. Raises UnusableError, whose sentence says why it cannot be."""
    if kind == "steps":
        _admit_step(hook, catalog, source)
    elif kind == "graders":
        catalog.graders.append(hook)
    elif kind == "notifiers":
        catalog.notifiers.append(hook)
    elif kind == "readers":
        for suffix in hook.suffixes:
            if re.fullmatch(r"\.[a-z0-9]{1,16}", suffix) is None:
                raise UnusableError(
                    f"{suffix!r} cannot be an ending; expected small letters and digits: '.asc'"
                )
            taken = {".zip", ".yaml", ".yml", *READABLE}
            _claim(kind, suffix, hook, catalog.readers, taken, catalog, source)
    elif kind == "writers":
        if re.fullmatch(r"[a-z0-9]{1,16}", hook.format) is None:
            raise UnusableError(
                f"{hook.format!r} cannot be a format; expected small letters and digits: 'obj'"
            )
        _claim(kind, hook.format, hook, catalog.writers, TAKEN_FORMATS, catalog, source)
    else:
        if re.fullmatch(HOOK_NAME, hook.name) is None:
            raise UnusableError(f"{hook.name!r} cannot be a name; expected letters, digits, blanks, - and _")
        _claim(kind, f"{source}/{hook.name}", hook, getattr(catalog, kind), set(), catalog, source)


def _claim(
    kind: str, key: str, hook: Any, into: dict[str, Any], ours: set[str], catalog: Catalog, source: str
) -> None:
    """First come, first served; what is built in came before everybody."""
    owner = OUR_PACKAGE if key in ours else catalog.brought_by.get((kind, key))
    if owner is not None:
        raise UnusableError(f"{key!r} is taken by {owner}, which came first among the {kind}")
    into[key] = hook
    catalog.brought_by[kind, key] = source


def _admit_step(step: Step[Any], catalog: Catalog, source: str) -> None:
    if re.fullmatch(STEP_NAME, step.name) is None or step.name in NOT_STEPS:
        raise UnusableError(f"{step.name!r} cannot be a step's name; expected small letters, digits, - and _")
    if step.name in catalog.steps:
        raise UnusableError(
            f"the name {step.name!r} is taken by {catalog.sources[step.name]}, which came first; "
            "rename one of the two steps, or do without one of them"
        )
    if not issubclass(step.params, StepParams):
        raise UnusableError(f"the parameters of {step.name!r} are not StepParams")
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
    if isinstance(error, UnusableError):
        return str(error)
    return f"{type(error).__name__}: {_first_line(error)}"


def _first_line(said: object) -> str:
    text = str(said).strip().splitlines()
    return text[0] if text else "no reason given"
