"""Folders and spool together: every change of a job, in the one order that loses nothing.

The folders change first, the spool follows. Whoever is stopped between the two leaves folders that say more
than the spool, and `recovery` makes the spool say the same.
"""

from __future__ import annotations

import errno
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from . import faults
from .atomic import sync_folder, write_whole
from .bookkeeping import enter_end, enter_end_once
from .digest import NotAScan, digest, joined, seen_of, signature
from .folders import (
    CARD,
    ORIGINAL,
    Card,
    ShopFolders,
    claim,
    clear_results,
    deliver,
    find_delivered,
    give_back,
    read_card,
    seal,
)
from .journal import utc_now
from .spool import Row, Spool
from .states import FINISHED, State


@dataclass(frozen=True)
class Begun:
    """A job that a worker may have now."""

    card: Card
    folder: Path
    attempt: int


@dataclass(frozen=True)
class Ended:
    """A job that has left the work folder."""

    card: Card
    folder: Path


class Store:
    """All jobs of one shop."""

    def __init__(self, shop: ShopFolders, spool: Spool) -> None:
        self.shop = shop
        self.spool = spool

    def accept(
        self, card: Card, scan: Path, ticket: Path | None, check: Callable[[Path], bool] = lambda moved: True
    ) -> bool:
        """Claim a scan and put its job in the queue, inside a `spool.transaction` of the caller.

        False if `check` fails on the scan once it is ours: it was written to while we read it, and is back
        in the inbox.
        """
        folder = claim(self.shop, card, scan, ticket)
        if not check(folder / ORIGINAL / card.scan):
            give_back(self.shop, folder, card)
            return False
        self.enter(card, State.QUEUED, folder)
        faults.reach("recorded")
        return True

    def enter(self, card: Card, state: State, folder: Path) -> None:
        """A row for a job that lies in `folder`."""
        self.spool.add(
            card.job,
            scan_name=card.scan,
            digest=card.digest,
            recipe=card.recipe,
            order_no=card.order,
            state=state,
            arrived=card.arrived,
            folder=self.shop.relative(folder),
            reason=card.reason,
            attempts=card.attempts,
            finished=card.finished,
        )

    def sync_claims(self, sources: Iterable[Path]) -> None:
        """Make the renames out of these folders durable; before the transaction that records them ends.

        A rename is one entry in a file system's journal, so flushing the folder it left is enough.
        """
        for folder in sources:
            sync_folder(folder)

    def begin(self, row: Row) -> Begun | None:
        """Count an attempt and mark the job as being worked on. None if its folder cannot be used."""
        folder = self.shop.work / row.id
        card = read_card(folder)
        if card is None:
            return None
        card = self._as_it_is(folder, card)
        self.spool.move(
            row.id, State.QUEUED, State.WORKING, attempts=row.attempts + 1, started=utc_now(), reason=None,
            digest=card.digest,
        )  # fmt: skip
        faults.reach("started")
        return Begun(card, folder, row.attempts + 1)

    def has_changed(self, begun: Begun) -> bool:
        """Was the scan written to after we took its digest? A copy that stalls for long is taken in half-way,
        and whoever makes it goes on writing into the file that is now ours.
        """
        return bool(begun.card.seen) and _seen_now(begun.folder, begun.card) not in (None, begun.card.seen)

    def _as_it_is(self, folder: Path, card: Card) -> Card:
        """The card with the digest of what lies there now."""
        seen = _seen_now(folder, card) if card.seen else None
        if seen is None or seen == card.seen:
            return card
        names = (card.scan, *card.takes)
        card = replace(
            card, digest=joined(names, [digest(folder / ORIGINAL / each) for each in names]), seen=seen
        )
        write_whole(folder / CARD, card.to_json())
        return card

    def lose(self, row: Row) -> None:
        """A queued job whose folder cannot be used is out of the queue until recovery has looked at it."""
        self.spool.move(row.id, State.QUEUED, State.WORKING)

    def finish(self, begun: Begun, state: State, reason: str | None, *, keep_results: bool = True) -> Ended:
        """Seal the job's folder, move it where it belongs, and say so in the ledger and in the spool."""
        faults.reach("returned")
        if not begun.folder.is_dir():  # delivered by a call that failed after it, when the disk was full
            return self._note_delivered(begun)
        if not keep_results:
            clear_results(begun.folder)
        card = replace(
            begun.card, state=state, reason=reason, attempts=begun.attempt, finished=utc_now(), by=None
        )
        seal(begun.folder, card)
        target = deliver(self.shop, begun.folder, card)
        enter_end(self.shop, card, target)
        return self._close(card, target)

    def _note_delivered(self, begun: Begun) -> Ended:
        found = find_delivered(self.shop, [begun.card.job]).get(begun.card.job)
        card = read_card(found[1]) if found else None
        if found is None or card is None:
            raise FileNotFoundError(errno.ENOENT, "the job's folder is gone", str(begun.folder))
        enter_end_once(self.shop, card, found[1])
        return self._close(card, found[1])

    def _close(self, card: Card, target: Path) -> Ended:
        self.spool.move(
            card.job,
            State.WORKING,
            card.state,
            reason=card.reason,
            finished=card.finished,
            folder=self.shop.relative(target),
        )
        faults.reach("closed")
        return Ended(card, target)

    def back_to_queue(self, begun: Begun, *, count_attempt: bool, reason: str | None = None) -> None:
        """Take a job from its worker and let it wait again, with nothing but its original."""
        clear_results(begun.folder)
        attempts = begun.attempt if count_attempt else begun.attempt - 1
        self.spool.move(begun.card.job, State.WORKING, State.QUEUED, attempts=attempts, reason=reason)


def _seen_now(folder: Path, card: Card) -> tuple[tuple[int, int, int], ...] | None:
    try:
        return seen_of([signature(folder / ORIGINAL / name) for name in (card.scan, *card.takes)])
    except (OSError, NotAScan):
        return None  # whoever works on it says so


def verdict_of(result: Any) -> tuple[State, str | None]:
    """State and reason of a runner's result, which a plugin may have had its hands in."""
    try:
        state = State(result.state)
        reason = None if result.reason is None else str(result.reason)
    except (AttributeError, ValueError):
        state, reason = State.SETTLING, None
    if state not in FINISHED:
        return State.REJECTED, "the runner gave an answer that makes no sense"
    return state, reason
