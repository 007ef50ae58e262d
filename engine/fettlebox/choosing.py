"""Which recipe a scan gets, and whether it is worked on at all: said by its ticket, its folder, the shop."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path
from typing import TYPE_CHECKING

from .errors import FettleboxError
from .jobs.folders import ORIGINAL, Card
from .jobs.rules import Rules
from .jobs.spool import Row
from .jobs.store import Begun
from .reasons import in_one_line

if TYPE_CHECKING:
    from .run_job import JobTask

LARGEST_TICKET_BYTES = 64_000
LIKE_A_RECIPE = 0.8  # how near a folder's name has to be to a recipe's, from 0 to 1: one letter amiss in five


@dataclass(frozen=True)
class Choice:
    """The recipe that a scan gets, or the sentence why it cannot have one.

    again  whether the same scan is done again, if the ticket says so
    """

    recipe: str
    text: str | None
    order: str | None = None
    refusal: str | None = None
    again: str | None = None


def choose_recipe(rules: Rules, folder_recipe: str | None, ticket: Path | None) -> Choice:
    """The ticket's recipe wins, then that of the folder the scan arrived in, then the shop's."""
    name, order, again = folder_recipe or rules.default_recipe, None, None
    if ticket is not None:
        from .recipe import load_ticket

        if ticket.stat().st_size > LARGEST_TICKET_BYTES:
            refusal = f"its ticket is larger than {LARGEST_TICKET_BYTES} bytes; expected a few lines"
            return Choice(name or "?", None, refusal=refusal)
        try:
            read = load_ticket(ticket, ticket.name)
        except FettleboxError as error:
            return Choice(name or "?", None, refusal=f"its ticket cannot be used: {in_one_line(error)}")
        name, order, again = read.recipe or name, read.order, read.again
    if name is None:
        refusal = "nothing says which recipe to run: no ticket names one and the shop has no default"
        return Choice("?", None, order, refusal, again)
    try:
        return Choice(name, rules.recipe_text(name), order, again=again)
    except FettleboxError as error:
        return Choice(name, None, order, str(error), again)


def choose_again(rules: Rules, card: Card, folder: Path) -> Choice:
    """The choice for a job that was claimed before, with the recipes of today."""
    parent = Path(card.came_from).parent.name
    ticket = None if card.ticket is None else folder / ORIGINAL / card.ticket
    return choose_recipe(rules, parent or None, ticket)


def task_for(begun: Begun, recipe: str, text: str, rules: Rules, kept: Path | None) -> JobTask:
    """What a worker is told of a job. `kept`: the folder of what earlier jobs made of this scan."""
    from .run_job import JobTask

    card = begun.card
    return JobTask(
        job=card.job,
        folder=begun.folder,
        scan_name=card.scan,
        recipe_text=text,
        recipe_name=recipe,
        recipe_folder=rules.recipe_folder,
        ticket_name=card.ticket,
        printer=rules.printer,
        standard=rules.standard,
        kept=kept,
        own_steps=rules.own_steps,
    )


def almost_a_recipe(folder: str, recipes: Iterable[str]) -> str | None:
    """A sentence if a folder in the inbox is called nearly as a recipe is: as a scan it would get another."""
    near = get_close_matches(folder.lower(), list(recipes), n=1, cutoff=LIKE_A_RECIPE)
    if not near or near[0] == folder:
        return None
    return (
        f"a folder {folder!r} in the inbox, and there is no such recipe; did you mean {near[0]!r}? Call the "
        f"folder that and drop it anew. If it is a scan of that name, retry the job"
    )


def done_before(first: Row) -> str:
    """Why a scan that came again is not worked on."""
    where = f"it is in {first.folder}" if first.finished else f"it is {first.state}"
    return (
        f"the same scan with the same recipe and ticket came before, as job {first.id}; {where}. To do it "
        "again: fettlebox retry, or write 'again: redo' into the ticket or into shop.yaml"
    )
