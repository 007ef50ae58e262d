"""What head and worker must have alike, so that the same comes out wherever a job is done."""

from __future__ import annotations

import importlib.util
from collections.abc import Mapping
from functools import cache
from importlib import metadata

from ..api import ENTRY_POINT_GROUP
from ..processor import processor_here, unlike
from ..step_cache import source_digest
from ..versions import versions_here

CODE = "code of "
PROCESSOR = "processor"
LAST_DIGITS = (
    "the last digits of its parts may differ from the server's. 'cluster: {same processors: true}' in "
    "shop.yaml keeps such workers out"
)
MOST_NAMED = 4  # in one sentence


@cache
def terms_here() -> dict[str, str]:
    """Versions of all that results depend on, and a SHA-256 of the code of Fettlebox and of each plugin.

    As it was when this process asked first: who installs something else starts the process anew.
    """
    modules = {entry.module.partition(".")[0] for entry in metadata.entry_points(group=ENTRY_POINT_GROUP)}
    return versions_here() | {
        f"{CODE}{name}": _code(name) for name in sorted(modules | {__name__.partition(".")[0]})
    }


def greeting_here() -> dict[str, str]:
    """What a worker says of itself: its terms, and the kind of its processor."""
    return terms_here() | {PROCESSOR: processor_here()}


def _code(package: str) -> str:
    """Nothing is imported: whoever serves a shop does not run its plugins."""
    try:
        spec = importlib.util.find_spec(package)
    except (ImportError, ValueError):
        spec = None
    if spec is None:
        return "absent"
    folders = list(spec.submodule_search_locations or ())
    return source_digest(folders, None if folders else spec.origin)


def difference(ours: Mapping[str, str], theirs: Mapping[str, str]) -> str | None:
    """None if both are alike; else what `theirs` has otherwise, as the end of a sentence. Processors are
    compared if `ours` names one.
    """
    said = []
    names = {*ours, *theirs} - ({PROCESSOR} - ours.keys())
    for name in sorted(names, key=lambda name: (name.startswith(CODE), name)):
        one, other = ours.get(name), theirs.get(name)
        if one == other:
            continue
        if name == PROCESSOR:
            said.append(str(unlike(str(one), str(other or ""))))
        elif one is None:
            said.append(f"it has {name}, which the server lacks")
        elif other is None:
            said.append(f"it lacks {name}")
        elif name.startswith(CODE):
            said.append(f"its {name} is not the server's")
        else:
            said.append(f"it has {name} {other} where the server has {one}")
    more = len(said) - MOST_NAMED
    if more > 0:
        said = [*said[:MOST_NAMED], f"and {more} more differ"]
    return "; ".join(said) or None
