"""A ticket that a person writes after a job has ended, so that it can be tried again with an answer."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from ..errors import UsageError
from ..recipe import TICKET_SUFFIX, load_ticket
from .atomic import remove, write_whole
from .folders import ORIGINAL, Card, free_name
from .tickets import TICKET_ENDINGS


def adopt_ticket(folder: Path, card: Card, given: Path | None = None) -> Card:
    """The job's card with the new ticket, if there is one: `given`, or one put into the job's folder or,
    where none came with the scan, into its `original/`. It is checked first and then lies in `original/`;
    a ticket that came with the scan is kept beside it under another name.

    Raises UsageError when it is not clear which is meant, RecipeError for a ticket that is wrong.
    """
    found = [given] if given is not None else _tickets_in(folder, card)
    if not found:
        return card
    if len(found) > 1:
        names = ", ".join(sorted(path.name for path in found))
        raise UsageError(f"there is more than one new ticket in {folder} ({names}); leave one")
    source = found[0]
    if not source.is_file():
        raise UsageError(f"there is no ticket {str(source)!r}")
    ticket = load_ticket(source)
    original = folder / ORIGINAL
    target = original / f"{Path(card.scan).stem}{TICKET_SUFFIX}"
    if source != target:
        if card.ticket is not None:
            earlier = original / card.ticket
            if earlier.exists():
                earlier.rename(free_name(original, f"{Path(card.scan).stem}.earlier{TICKET_SUFFIX}"))
        write_whole(target, source.read_bytes())
        if source.parent == folder:
            remove(source)
    return replace(card, ticket=target.name, order=ticket.order or card.order)


def _tickets_in(folder: Path, card: Card) -> list[Path]:
    places = [folder] if card.ticket is not None else [folder, folder / ORIGINAL]
    return [
        path for place in places for path in sorted(place.iterdir()) if path.name.endswith(TICKET_ENDINGS)
    ]
