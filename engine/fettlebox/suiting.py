"""Every recipe of a shop against every printer: what cannot come out right, whatever the scan.

Only what is certain before a scan is there counts. A recipe is looked at as its defaults have it, then with
every value that a ticket may set at its bounds. What the built-in steps do to a size is known; whether a step
of somebody else makes good what an earlier one says is not, and is told as that.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal

from .catalog import OUR_PACKAGE, Catalog
from .errors import RecipeError
from .printer import Printer
from .recipe import Recipe, Shop, load_recipe
from .recipe.ask import Ask, ChoiceAsk, FlagAsk
from .recipe.language import PlannedStep
from .surroundings import RECIPES, catalog_of, read_around, shop_around

Verdict = Literal["good", "unsure", "limits", "no"]
WORDS: dict[Verdict, str] = {
    "good": "good", "unsure": "cannot tell", "limits": "not every value", "no": "no",
}  # fmt: skip


@dataclass(frozen=True)
class Suited:
    """A recipe on a printer. `own`: it is the printer that the shop's parts are made for.

    verdict  `good`; `limits`: as its defaults are, but not with every value a ticket may set; `no`; `unsure`:
             there are only reasons that a step of somebody else may make good
    reasons  sentences, each with the step that it is about
    """

    file: Path
    printer: str
    own: bool
    verdict: Verdict
    reasons: tuple[str, ...] = ()


def suits_of(folder: Path) -> list[Suited]:
    """Every good recipe of a shop against every printer of it; none if the shop file is wrong."""
    shop = read_around(folder)  # what is wrong is told with the shop file
    return [] if shop is None else _suits(sorted((folder / RECIPES).glob("*.yaml")), shop, catalog_of(shop))


def suits_of_file(recipe: Path, named: Path | None) -> list[Suited]:
    """One recipe against the printers of the shop that is named, else of the one whose folder it lies in, of
    which nothing is run; none where there is no shop.
    """
    shop, around = read_around(named), read_around(shop_around(recipe))
    of = shop or around
    return [] if of is None else _suits([recipe], of, catalog_of(shop, around))


def _suits(recipes: Sequence[Path], shop: Shop, catalog: Catalog) -> list[Suited]:
    printers = list(shop.printers.values())
    if shop.printer not in printers:
        printers.insert(0, shop.printer)
    foreign = frozenset(name for name, source in catalog.sources.items() if source != OUR_PACKAGE)
    found = []
    for path in recipes:
        try:
            recipe = load_recipe(path, catalog)
        except RecipeError:
            continue  # told with the recipe
        found += [_suited(path, recipe, one, one == shop.printer, foreign) for one in printers]
    return found


def _suited(path: Path, recipe: Recipe, printer: Printer, own: bool, foreign: frozenset[str]) -> Suited:
    usual = list(_reasons(recipe, printer, {}, foreign))
    if any(one.sure for one in usual):
        return Suited(path, printer.name, own, "no", tuple(one.said for one in usual))
    bounds = []
    for name, ask in recipe.ask.items():
        for value in _bounds(ask):
            for one in _reasons(recipe, printer, {name: value}, foreign):
                if one not in usual:
                    bounds.append(replace(one, said=f"with {name}: {value}, {one.said}"))
    reasons = [*usual, *bounds]
    verdict: Verdict = "limits" if any(one.sure for one in bounds) else "unsure" if reasons else "good"
    return Suited(path, printer.name, own, verdict, tuple(one.said for one in reasons))


@dataclass(frozen=True)
class _Reason:
    """`sure`: whatever the steps of others do."""

    said: str
    sure: bool = True


def reasons_against(recipe: Recipe, printer: Printer, values: dict[str, Any]) -> Iterator[str]:
    """Why a recipe with these values cannot come out on a printer; nothing if it does not take them."""
    return (one.said for one in _reasons(recipe, printer, values, frozenset()))


def _reasons(
    recipe: Recipe, printer: Printer, values: dict[str, Any], foreign: frozenset[str]
) -> Iterator[_Reason]:
    needed = {name: _first(ask) for name, ask in recipe.ask.items() if ask.required and name not in values}
    try:
        plan = recipe.plan({**needed, **values})
    except RecipeError:
        return  # a ticket that says so is refused anyway
    steps = [one for one in plan.steps if one.enabled]
    for index, one in enumerate(steps):
        later = steps[index + 1 :]
        sure = _asked(one, printer, later)
        yield from (_Reason(f"{one.id}: {said}") for said in sure)
        theirs = [other.id for other in later if other.step.name in foreign]
        if not theirs:
            continue
        known = [other for other in later if other.step.name not in foreign]
        for said in _asked(one, printer, known):
            if said not in sure:
                yield _Reason(f"{one.id}: {said}, unless {' or '.join(theirs)} makes it good", sure=False)


def _asked(planned: PlannedStep, printer: Printer, later: Sequence[PlannedStep]) -> list[str]:
    ask = planned.step.unsuited
    if ask is None or planned.params is None:
        return []
    following = [(one.step.name, one.params) for one in later if one.params is not None]
    try:
        return [str(said) for said in ask(planned.params, printer, following)]
    except Exception as error:  # a defect of the plugin, told as one
        return [f"the step fails when it is asked about a printer: {type(error).__name__}: {error}"]


def _bounds(ask: Ask) -> list[Any]:
    if isinstance(ask, ChoiceAsk):
        return list(ask.choices)
    if isinstance(ask, FlagAsk):
        return [True, False]
    bounds = (getattr(ask, "min", None), getattr(ask, "max", None))
    return [bound for bound in bounds if bound is not None]


def _first(ask: Ask) -> Any:
    """Some value that an entry without a default takes."""
    for value in (*_bounds(ask), *ask.samples()):
        try:
            ask.read(value)
        except ValueError:
            continue
        return value
    return None


def table_of(found: Sequence[Suited]) -> list[str]:
    """Recipes down, printers across, the reasons below, each named by the number in its cell."""
    printers = list(dict.fromkeys(one.printer for one in found))
    cells: dict[tuple[str, str], str] = {}
    notes: list[str] = []
    for one in found:
        numbers = []
        for reason in one.reasons:
            said = f"{one.file.stem} on {one.printer}: {reason}"
            notes.append(f"{len(notes) + 1}. {said}")
            numbers.append(str(len(notes)))
        cells[one.file.stem, one.printer] = WORDS[one.verdict] + (
            f" ({', '.join(numbers)})" if numbers else ""
        )
    own = {one.printer for one in found if one.own}
    heads = [f"{name} *" if name in own else name for name in printers]
    rows = [["", *heads]]
    for stem in dict.fromkeys(one.file.stem for one in found):
        rows.append([stem, *(cells[stem, name] for name in printers)])
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    lines = [
        "  ".join(cell.ljust(wide) for cell, wide in zip(row, widths, strict=True)).rstrip() for row in rows
    ]
    return [*lines, "* what parts are made for", *notes]
