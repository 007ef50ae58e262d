"""Which checks hold what is installed against the plugin contract."""

from __future__ import annotations

import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from .api import Grader, Notifier, Step
from .catalog import Catalog
from .errors import UsageError
from .hooking import readers_of
from .hooks import FactCollector, JobObserver, Painter, Reader, Writer
from .mesh import READABLE, Part, read_scan
from .testing import (
    Check,
    addition_contract,
    contract,
    grader_contract,
    reader_contract,
    teller_contract,
    writer_contract,
)
from .testing.check import said_once


def checks_of(
    name: str,
    catalog: Catalog,
    settings: Mapping[str, Any],
    samples: Sequence[Path] = (),
    *,
    tell: bool = False,
) -> list[Check]:
    """The checks of what is installed under a name, as `hook_named` finds it.

    `samples` are files for a reader to read, and for anything that is given a part the parts that it is tried
    on; `settings` a step's parameters. Observers and notifiers are told events only if `tell`. Raises
    UsageError where there is none of the name, or where an option is of no use to it.
    """
    hook = hook_named(name, catalog)
    if settings and not isinstance(hook, Step):
        raise UsageError(f"{name!r} is no step, and takes no parameters; expected no --set")
    for sample in samples:
        if not sample.is_file():
            raise UsageError(f"there is no file {str(sample)!r}; expected one that {name!r} is tried on")
    if isinstance(hook, Reader):
        if not samples:
            raise UsageError(
                f"a reader is proven on files that it has to read: --sample FILE{hook.suffixes[0]}"
            )
        return reader_contract(hook, {path.name: path.read_bytes() for path in samples})
    if isinstance(hook, JobObserver | Notifier):
        return teller_contract(hook, tell=tell)
    more = readers_of(catalog)
    parts = {path.name: read_scan(path, more=more).part for path in samples} or None
    if isinstance(hook, Step):
        _require_settings(hook, settings)
        return contract(hook, settings, parts)
    if isinstance(hook, Grader):
        return grader_contract(hook, parts)
    if isinstance(hook, Writer):
        ending = f".{hook.format}"

        def read(data: bytes) -> Part:
            with tempfile.TemporaryDirectory() as place:
                file = Path(place) / f"part{ending}"
                file.write_bytes(data)
                return read_scan(file, more=more).part

        return writer_contract(hook, read if ending in (*READABLE, *more) else None, parts)
    return addition_contract(hook, parts)


Hook = Step[Any] | Reader | Writer | FactCollector | Painter | Grader | Notifier | JobObserver


def hook_named(name: str, catalog: Catalog) -> Hook:
    """What a plugin brings under this name: a step, the ending of a reader (`.asc`), the format of a writer
    (`obj`), `PACKAGE/NAME`, or the name of a hook alone where one hook only has it. Raises UsageError, whose
    sentence names what there is.
    """
    kinds: tuple[Mapping[str, Any], ...] = (catalog.steps, catalog.readers, catalog.writers)
    for found in kinds:
        if name in found:
            hook: Hook = found[name]
            return hook
    keyed: dict[str, Hook] = {
        **{f"a fact collector {key}": one for key, one in catalog.collectors.items()},
        **{f"a painter {key}": one for key, one in catalog.painters.items()},
        **{f"a job observer {key}": one for key, one in catalog.observers.items()},
        **{f"a grader {one.name}": one for one in catalog.graders},
        **{f"a notifier {one.name}": one for one in catalog.notifiers},
        **{f"a reader {one.name}": one for one in catalog.readers.values()},
    }
    named = {
        called: one for called, one in keyed.items() if called.endswith((f" {name}", f"/{name}")) and name
    }
    if len({id(one) for one in named.values()}) > 1:
        raise UsageError(f"{name!r} is the name of {' and of '.join(named)}; say which, as PACKAGE/NAME")
    if named:
        return next(iter(named.values()))
    raise UsageError(f"{catalog.why_not(name)}; `fettlebox plugin list` shows hooks of all other kinds")


def _require_settings(step: Step[Any], settings: Mapping[str, Any]) -> None:
    """Raises UsageError for what the step's parameters do not accept."""
    try:
        step.params.model_validate(dict(settings))
    except ValidationError as error:
        strange = [str(one["loc"][0]) for one in error.errors() if one["type"] == "extra_forbidden"]
        if strange:
            there = [field.alias or name for name, field in step.params.model_fields.items()]
            raise UsageError(
                f"{step.name!r} has no parameter {' or '.join(map(repr, strange))}; "
                + (f"it has {', '.join(there)}" if there else "it takes none")
            ) from None
        raise UsageError(f"of the parameters of {step.name!r}, {said_once(error)}") from None
