"""An expect file drawn up from what a run measured: bounds a little wider than that, each with its reason.

It is a draft for the keeper of the shop's standards, who knows which facts matter and how far they may go.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from difflib import unified_diff
from pathlib import Path
from typing import Any

from . import __version__
from .errors import FettleboxError, RecipeError, UsageError
from .golden import RECORDED, find_scan
from .golden_run import Ran
from .jobs.atomic import write_whole
from .quantities import ANGLE, AREA, LENGTH, RATIO, TIME, VOLUME, Kind, write_quantity
from .recipe import load_ticket
from .recipe.bounds import counted_in
from .recipe.expect import EXPECT, FACTS, FIDELITY, GOLDEN, Expectation, load_expectation, parse_expectation
from .recipe.nodes import Problems
from .traveler.record import JobRecord
from .traveler.writing import as_document, as_text

# Tolerances of the draft: common practice, no published source.
SHARES = {
    "triangles": 2.0,
    "vertices": 2.0,
    "volume_mm3": 0.5,
    "area_mm2": 1.0,
}  # percent of what was measured
SIZE_MM = 0.1  # half a layer of an everyday print
OF_STEPS = 5.0  # percent: what a step tells of its work moves more than the part does
WIDER = 1.25  # distances from the scan have no aim but small; this much over what was measured is let pass
POINTS = 0.01  # of a share
LEAST: dict[Kind, float] = {LENGTH: 0.01, ANGLE: 0.1, AREA: 0.1, VOLUME: 1.0, TIME: 1.0, RATIO: POINTS}
"""Of each kind, in its base unit, what nobody would see: no bound is narrower."""
DISTANCES = tuple(name for name in FIDELITY if name not in ("covered_within_mm", "sample_spacing_mm"))
"""Without those that tell how it was measured."""
DIGITS = 6
PLAIN_KEY = re.compile(r"[A-Za-z_][A-Za-z0-9_-]*")
LONGEST_TEXT = 80

HEAD = """\
# What has to come of this scan. Drawn up by fettlebox {version} from a run that is on record beside it, in
# {traveler}. Bounds are a little wider than what was measured: tighten what matters to the shop, delete
# what does not. Words: below, above, between: [a, b], within: … of: …
# The scan in this folder is kept until somebody deletes it here: neither `keep` nor `discard` reaches it.
"""
FOR_EDITORS = "schemas/expect.schema.json"  # below the shop's folder, as `init` puts it there
ABOUT_FACTS = "  # Of the finished part. Flags and counts of bodies are exact."
ABOUT_SIZE = "  # Half a layer of an everyday print either way."
ABOUT_FIDELITY = "  # From the scan, in life size: a quarter more than was measured; shares may lose a point."
ABOUT_STEPS = f"  # What steps told: {OF_STEPS:g} % either way."


@dataclass(frozen=True)
class Draft:
    """An expect file as it would be written. `old` is the text that stands there; None: there is none.
    `ran` is how the job ended that it was drawn up from.
    """

    path: Path
    text: str
    old: str | None
    record: JobRecord
    ran: Ran

    @property
    def diff(self) -> str:
        """What writing it would change, as a unified diff; empty if nothing."""
        before, after = (self.old or "").splitlines(), self.text.splitlines()
        return "\n".join(
            unified_diff(before, after, f"{self.path} (as it is)", "as measured now", lineterm="")
        )


@dataclass(frozen=True)
class Wish:
    """What is to be recorded: the scan and its ticket, the recipe, and what the expect file there keeps."""

    folder: Path
    recipe: str
    scans: tuple[Path, ...]
    ticket: Path | None
    kept: Expectation | None


def wish_for(shop: Path, name: str, recipe: str | None, usual: str) -> Wish:
    """What to run for a golden scan that is to be recorded. Raises UsageError if there is no such scan.

    The recipe is the one given, else that of the expect file there, of the ticket; the shop's usual one only
    where there is no expect file. Of a file with mistakes what can be read is kept.
    """
    folder = shop / GOLDEN / name
    if Path(name).name != name or name.startswith(".") or not folder.is_dir():
        raise UsageError(f"there is no folder {folder}; make it and put a scan into it, then record it")
    kept = None
    if (folder / EXPECT).is_file():
        try:
            kept = load_expectation(folder / EXPECT, problems=Problems())
        except RecipeError:
            kept = None  # nothing of it can be read; it goes once --replace is given
    found = find_scan(folder, kept.scan if kept is not None else None)
    if not found.one or len(found.tickets) > 1:
        raise UsageError(
            f"{folder} holds {len(found.scans)} scans and {len(found.tickets)} tickets; expected one scan, "
            "and one ticket at most"
        )
    ticket = found.tickets[0] if found.tickets else None
    asked = load_ticket(ticket).recipe if ticket is not None else None
    known = recipe or (kept.recipe if kept is not None else None) or asked
    if not known and (folder / EXPECT).is_file():
        raise UsageError(f"{folder / EXPECT} names no recipe that can be read; say which: --recipe NAME")
    return Wish(folder, known or usual, found.scans, ticket, kept)


def draft(wish: Wish, ran: Ran) -> Draft:
    """The expect file for what came of a run. Raises FettleboxError if the run left no record."""
    if ran.record is None:
        raise FettleboxError(f"nothing can be recorded of {wish.folder.name}: {ran.reason}")
    text = "\n".join(_lines(wish, ran, ran.record)) + "\n"
    parse_expectation(text, EXPECT)  # whatever a plugin calls its facts, what is written can be read
    path = wish.folder / EXPECT
    return Draft(path, text, path.read_text("utf-8", "replace") if path.is_file() else None, ran.record, ran)


def write(made: Draft) -> None:
    """Put the record of the run and the expect file into the golden scan's folder."""
    write_whole(made.path.with_name(RECORDED), as_text(as_document(made.record)).encode("utf-8", "replace"))
    write_whole(made.path, made.text.encode())


def _lines(wish: Wish, ran: Ran, record: JobRecord) -> Iterator[str]:
    if (wish.folder.parent.parent / FOR_EDITORS).is_file():
        yield f"# yaml-language-server: $schema=../../{FOR_EDITORS}"
    yield HEAD.format(version=__version__, traveler=RECORDED).rstrip()
    if wish.kept is not None and wish.kept.about:
        yield f"about: {json.dumps(wish.kept.about, ensure_ascii=False)}"
    yield f"recipe: {wish.recipe}"
    if wish.kept is not None and wish.kept.scan is not None:
        yield f"scan: {json.dumps(wish.kept.scan, ensure_ascii=False)}"
    yield f"ends: {ran.state}"
    if ran.at:
        yield f"at: {json.dumps(ran.at)}"
    yield from _section("facts", ABOUT_FACTS, record.after, FACTS, _of_part)
    yield from _section("fidelity", ABOUT_FIDELITY, record.fidelity or {}, DISTANCES, _of_fidelity)
    told = {step.id: list(_of_step(step.facts)) for step in record.steps}
    if any(told.values()):
        yield "steps:"
        yield ABOUT_STEPS
    for key, lines in told.items():
        if lines:
            yield f"  {key}:"
            yield from lines


def _section(
    name: str,
    about: str,
    facts: Mapping[str, Any],
    names: tuple[str, ...],
    lines_of: Callable[[str, Any], Iterator[str]],
) -> Iterator[str]:
    lines = [line for key in names if facts.get(key) is not None for line in lines_of(key, facts[key])]
    if lines:
        yield f"{name}:"
        yield about
        yield from lines


def _of_part(name: str, value: Any) -> Iterator[str]:
    if name in SHARES:
        yield f"  {name}: {_near(name, value, SHARES[name])}"
    elif name == "size_mm":
        yield ABOUT_SIZE
        yield f"  {name}:"
        yield from (f"    - {{within: {SIZE_MM:g} mm, of: {_written(name, side)}}}" for side in value)
    else:
        yield f"  {name}: {json.dumps(value)}"


def _of_fidelity(name: str, value: float) -> Iterator[str]:
    """Distances may not grow, nor may what is covered shrink; other shares stay where they are."""
    if name == "covered_ratio":
        yield f"  {name}: {{above: {_written(name, max(math.floor((value - POINTS) * 100.0), 0) / 100.0)}}}"
    elif name.endswith("_mm"):
        yield f"  {name}: {{below: {_written(name, _rounded_up(max(value * WIDER, LEAST[LENGTH])))}}}"
    else:
        yield f"  {name}: {_near(name, value, 0.0)}"


def _of_step(facts: Mapping[str, Any]) -> Iterator[str]:
    """Single values, but for texts that tell numbers; lists and what is nested is for a person to add."""
    for name, value in facts.items():
        key = name if PLAIN_KEY.fullmatch(name) else json.dumps(name, ensure_ascii=False)
        if isinstance(value, str):
            words = value.isprintable() and not re.search(r"\d", value) and len(value) <= LONGEST_TEXT
            if words and counted_in(name) is None:
                yield f"    {key}: {json.dumps(value, ensure_ascii=False)}"
        elif isinstance(value, bool) and counted_in(name) is None:
            yield f"    {key}: {json.dumps(value)}"
        elif isinstance(value, (int, float)) and not isinstance(value, bool) and math.isfinite(value):
            yield f"    {key}: {_near(name, value, OF_STEPS)}"


def _near(name: str, value: float, percent: float) -> str:
    """Bounds about a value: a share of it, but never less than nobody would see."""
    unit = counted_in(name)
    if unit is None:
        if isinstance(value, int) and abs(value) * percent < 100.0:
            return str(value)  # less than one more or less
        return f"{{within: {percent:g} %, of: {_number(value)}}}" if value else "0"
    least = LEAST.get(unit.kind, 0.0)
    narrow = unit.kind is RATIO or abs(value * unit.factor) * percent / 100.0 < least
    near = write_quantity(least, unit.kind) if narrow else f"{percent:g} %"
    return f"{{within: {near}, of: {unit.written(value, DIGITS)}}}"


def _written(name: str, value: float) -> str:
    unit = counted_in(name)
    return _number(value) if unit is None else unit.written(value, DIGITS)


def _number(value: float) -> str:
    return str(value) if isinstance(value, int) else f"{value:.{DIGITS}g}"


def _rounded_up(value: float) -> float:
    """To two digits."""
    step = 10.0 ** (math.floor(math.log10(value)) - 1)
    return math.ceil(value / step - 1e-9) * step
