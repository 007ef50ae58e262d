"""What `python -m benchmarks` calls: each script, with what, and how much time and memory it may take."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

RECIPES = (
    "quarter-bust", "figurine", "resin-figurine", "full-size-head", "bust-on-plinth",
    "life-size-in-pieces", "relief", "inspect-only",
)  # fmt: skip
QUICK = tuple(name for name in RECIPES if name not in ("full-size-head", "life-size-in-pieces"))
"""They do nothing at small sizes that others do not: a look shall take less than ten minutes."""

GROWN = ("quarter-bust", "resin-figurine", "bust-on-plinth", "life-size-in-pieces")
"""Recipes that have every step between them, whose growth is measured at more sizes."""


PARTS = (
    "__main__", "bounded", "bump_recipes", "bump_shapes", "bump_textures", "calls", "expert",
    "expert_recipes", "growth", "head_costs", "judging", "measured_run", "our_job", "plots",
    "queue_simulation", "quoting", "raw_scans", "rows",
)  # fmt: skip
"""Modules that others are made of."""

BY_THEMSELVES = ("live_pages", "shop_model", "two_workers")
"""What needs a real server, whose figures are no comparison with a library."""


@dataclass(frozen=True)
class Call:
    """One run of one script."""

    script: str
    arguments: tuple[str, ...]
    seconds: float
    memory_mb: float = 14_000.0

    @property
    def label(self) -> str:
        return " ".join((self.script, *self.arguments))


@dataclass(frozen=True)
class Sizes:
    """What a script is called with, call by call; `full` in place of `small`, what tells most first."""

    small: tuple[tuple[str, ...], ...]
    full: tuple[tuple[str, ...], ...]


def recipes(
    names: tuple[str, ...], *triangles: int, more: tuple[str, ...] = ()
) -> tuple[tuple[str, ...], ...]:
    return tuple((name, "--triangles", str(count), *more) for count in triangles for name in names)


OURS = ("--ours-only",)
LATER = tuple(name for name in RECIPES if name not in ("quarter-bust", "resin-figurine", "relief"))
CLOSED = (("bunny10k_textured",), ("StanfordBunny", "--bound", "120"), ("face000", "--bound", "120"))
REAL = (("relief", "--real", "face"), ("figurine", "--real", "bunny"))

BENCHMARKS = {
    "formats": Sizes((("--side", "224"),), (("--side", "895"),)),
    "slicing": Sizes((("--side", "100", "--layers", "200"),), (("--side", "317", "--layers", "600"),)),
    "plinth_and_text": Sizes((("--detail", "6"),), (("--detail", "8"),)),
    "split": Sizes((("--detail", "6"),), (("--detail", "8"),)),
    "hollow": Sizes((("--detail", "6"),), (("--detail", "8"),)),
    "tilted_cut": Sizes((("81920",),), (("327680",),)),
    "closing": Sizes(CLOSED, CLOSED),
    "knockdown": Sizes((), ((),)),
    "whole_recipes": Sizes(
        (REAL[1], *recipes(QUICK, 50_000), *recipes(("quarter-bust",), 100_000, 200_000, more=OURS)),
        (
            *REAL,
            *recipes(RECIPES, 100_000),
            *recipes(GROWN, 50_000, 200_000, more=OURS),
            *recipes(RECIPES, 400_000),
            *recipes(("quarter-bust",), 1_000_000, 4_000_000),
            *recipes(("resin-figurine",), 1_000_000),
            *recipes(("resin-figurine",), 4_000_000, more=OURS),
            *recipes(("relief",), 1_000_000, 4_000_000),
            *recipes(LATER, 1_000_000),
        ),
    ),
}  # fmt: skip


def calls_of(full: bool) -> list[Call]:
    """All calls of a run, in order."""
    return list(_calls(full))


def still_called(done: Mapping[str, Any], calls: Iterable[Call]) -> dict[str, Any]:
    """What was done, by the labels of calls, without what is called no longer: nobody can do that anew."""
    labels = {call.label for call in calls}
    return {label: each for label, each in done.items() if label in labels}


def _calls(full: bool) -> Iterator[Call]:
    for script, sizes in BENCHMARKS.items():
        for arguments in sizes.full if full else sizes.small:
            # What bounds its ways by processor time needs as long as the machine has other work to do.
            patient = full or "--bound" in arguments
            yield Call(script, arguments, 3600.0 if patient else 900.0)
