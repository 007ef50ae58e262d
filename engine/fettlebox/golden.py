"""Golden scans: `golden/NAME/` in a shop holds a scan that the shop keeps to test its recipes with, perhaps a
ticket, and `expect.yaml`, which says what has to come of it.

They are the shop's own, not jobs: they are in no spool and no ledger, and neither `keep` nor `discard`
reaches them. Whoever kept a scan there deletes it there.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path

from .catalog import Catalog
from .errors import Problem, RecipeError, UsageError
from .jobs.digest import NotAScan, signature
from .jobs.siblings import takes_in
from .jobs.tickets import TICKET_ENDINGS, ticket_inside
from .recipe import Recipe, Ticket, load_recipe, load_ticket
from .recipe.describe import listed
from .recipe.expect import (
    EXPECT,
    GOLDEN,
    TICKET_AND_RECIPE,
    Expectation,
    load_expectation,
    report_unfitting,
)
from .recipe.nodes import Node, Problems, Source, quoted

RECORDED = "traveler.json"  # as in a job's folder, so that what reads one reads the other
NOTES = (".md", ".txt")  # what a keeper writes beside a scan


@dataclass(frozen=True)
class Golden:
    """A golden scan that is ready to be tested. `scans` has more than one for several takes of it."""

    name: str
    folder: Path
    expected: Expectation
    scans: tuple[Path, ...]
    ticket: Path | None


def golden_folders(shop: Path) -> list[Path]:
    """The folder of each golden scan, by name; none where the shop keeps no such scans."""
    return [path for path in _entries(shop / GOLDEN) if path.is_dir()]


def strays(shop: Path) -> list[Problem]:
    """What lies beside the folders, where nothing tests it."""
    return [
        Problem(
            str(path), 0, 0, "", "this lies beside the folders of golden scans, and nothing tests it",
            f"a folder of its own, such as {GOLDEN}/{path.stem}/{path.name}",
        )
        for path in _entries(shop / GOLDEN)
        if not path.is_dir() and path.suffix.lower() not in NOTES
    ]  # fmt: skip


def read_golden(folder: Path, recipes: Path, catalog: Catalog) -> Golden:
    """Read a golden scan's folder and hold it against its recipe. Raises RecipeError with every problem.

    A recipe that is wrong is none of its problems: a job that has it is rejected, and so is this one.
    """
    if not (folder / EXPECT).exists():
        _report_missing(folder)
    problems = Problems()
    expected = load_expectation(folder / EXPECT, problems=problems)
    recipe = _recipe(expected, recipes, catalog, problems) if expected.recipe else None
    if recipe is not None:
        report_unfitting(expected, recipe, problems)
    named = expected.root.get("scan")
    readable = named is None or named.value is None or expected.scan is not None
    scans, ticket = _scans(folder, expected, problems) if readable else ((), None)
    if ticket is not None and expected.at != TICKET_AND_RECIPE:
        _check_ticket(ticket, expected, recipe, problems)
    problems.stop_if_any()
    return Golden(folder.name, folder, expected, scans, ticket)


def read_all(
    shop: Path, recipes: Path, catalog: Catalog, only: Sequence[str] = ()
) -> tuple[list[Golden], list[Problem]]:
    """Every golden scan of a shop, or those named, and what is wrong with the others.

    Raises UsageError if there is none, or none of a name.
    """
    folders = {path.name: path for path in golden_folders(shop)}
    for name in only:
        if name not in folders:
            near = get_close_matches(name, folders, n=1)
            hint = f"did you mean {near[0]!r}?" if near else f"there are {listed(folders) or 'none'}"
            raise UsageError(f"there is no golden scan {name!r} in {shop / GOLDEN}; {hint}")
    if not folders:
        raise UsageError(
            f"{shop} keeps no golden scans; put one into a folder such as {shop / GOLDEN / 'bust'}, then: "
            f"fettlebox shop test {shop} --record bust"
        )
    read, problems = [], [] if only else strays(shop)
    for name in dict.fromkeys(only or folders):
        try:
            read.append(read_golden(folders[name], recipes, catalog))
        except RecipeError as error:
            problems += error.problems
    return read, problems


@dataclass(frozen=True)
class Found:
    """What lies in a golden scan's folder. `one`: a single scan, or the takes of one that a ticket lists."""

    scans: tuple[Path, ...]
    tickets: tuple[Path, ...]
    one: bool


def find_scan(folder: Path, named: str | None) -> Found:
    """Look for the scan in a golden scan's folder, and for its ticket, which may lie inside one."""
    there = [
        path
        for path in _entries(folder)
        if path.name not in (EXPECT, RECORDED) and path.suffix.lower() not in NOTES
    ]
    tickets = [path for path in there if path.name.endswith(TICKET_ENDINGS)]
    scans = [path for path in there if path not in tickets and named in (None, path.name)]
    takes = takes_in(tickets[0]) if len(tickets) == 1 else ()
    if len(scans) > 1 and {one.name for one in scans} == set(takes):
        return Found(tuple(folder / take for take in takes), tuple(tickets), one=True)
    if not tickets and len(scans) == 1 and scans[0].is_dir():
        inside = ticket_inside(scans[0])
        tickets = [folder / inside] if inside is not None else []
    return Found(tuple(scans), tuple(tickets), one=len(scans) == 1)


def _entries(folder: Path) -> Iterator[Path]:
    yield from sorted(path for path in folder.glob("*") if not path.name.startswith("."))


def _report_missing(folder: Path) -> None:
    name = folder.name
    nowhere = Node(None, source=Source(str(folder / EXPECT)))
    problems = Problems()
    hint = f"write it, or have it drawn up: fettlebox shop test {folder.parent.parent} --record {name}"
    problems.add(nowhere, (), f"the golden scan {quoted(name)} has no {EXPECT}", hint=hint)
    problems.stop_if_any()


def _recipe(expected: Expectation, recipes: Path, catalog: Catalog, problems: Problems) -> Recipe | None:
    path = recipes / f"{expected.recipe}.yaml"
    if not path.is_file():
        there = sorted(one.stem for one in recipes.glob("*.yaml"))
        near = get_close_matches(expected.recipe, there, n=1)
        hint = f"did you mean {quoted(near[0])}?" if near else ""
        found = f"there is no recipes/{expected.recipe}.yaml"
        problems.add(expected.root.value["recipe"], ("recipe",), found, f"one of {listed(there)}", hint)
        return None
    try:
        return load_recipe(path, catalog)
    except RecipeError:
        return None


def _scans(folder: Path, expected: Expectation, problems: Problems) -> tuple[tuple[Path, ...], Path | None]:
    """The scan, or the takes of it that its ticket lists, and the ticket."""
    found = find_scan(folder, expected.scan)
    at = expected.root.get("scan") or expected.root
    names = listed(one.name for one in found.scans)
    if len(found.tickets) > 1:
        tickets = listed(one.name for one in found.tickets)
        problems.add(at, (), f"more than one ticket beside the scan ({tickets})", "one at most")
    if found.scans and not found.one:
        hint = "write 'scan: NAME', or give each a folder of its own"
        problems.add(at, ("scan",), f"more than one scan in the folder ({names})", hint=hint)
    elif not found.scans and expected.scan is not None:
        there = [one.name for one in find_scan(folder, None).scans]
        near = get_close_matches(expected.scan, there, n=1)
        hint = f"did you mean {quoted(near[0])}?" if near else ""
        wanted = f"one of {listed(there)}" if there else ""
        problems.add(at, ("scan",), f"there is no {quoted(expected.scan)} in the folder", wanted, hint)
    elif not found.scans:
        problems.add(at, (), "there is no scan in the folder", "a mesh, or a folder or zip that holds one")
    for scan in found.scans:
        try:
            signature(scan)
        except NotAScan as error:
            problems.add(at, ("scan",), f"{scan.name} {error}", "the file or folder itself")
    return found.scans, found.tickets[0] if found.tickets else None


def _check_ticket(ticket: Path, expected: Expectation, recipe: Recipe | None, problems: Problems) -> None:
    read: Ticket | None = None
    try:
        read = load_ticket(ticket)
        if recipe is not None:
            recipe.plan(ticket=read)
    except RecipeError as error:
        problems.found += error.problems
    if read is not None and expected.recipe and read.recipe not in (None, expected.recipe):
        found = f"the ticket {ticket.name} names the recipe {quoted(str(read.recipe))}"
        hint = "keep one of the two, or let both say the same"
        problems.add(expected.root.value["recipe"], ("recipe",), found, hint=hint)
