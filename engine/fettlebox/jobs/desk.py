"""What a person at the desk may do to a job: list, release, retry, reject, discard. Works beside a running
server.

`by` names who decides, for the ledger. `seen` is the job's `finished` as that person saw it: if the job has
ended anew since, nothing is done. Of two that decide at once, one is done and the other is refused.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

from ..errors import UsageError
from ..traveler.summary import Decision
from ..traveler.writing import read_traveler, write_decision
from . import faults
from .atomic import remove, sync_folder, write_whole
from .bookkeeping import enter_end, enter_retry
from .folders import CARD, REASON, Card, ShopFolders, clear_results, deliver, read_card, seal
from .journal import utc_now
from .new_ticket import adopt_ticket
from .recovery import open_spool, recover
from .retention import delete
from .spool import Row, Spool, showable
from .states import FINISHED, State
from .store import Store

LONGEST_REASON = 1000


def list_jobs(shop: Path, state: str | None = None) -> list[Row]:
    """The shop's jobs in the order of their arrival. Raises UsageError for a state that does not exist."""
    wanted = None
    if state is not None:
        try:
            wanted = State(state)
        except ValueError:
            raise UsageError(f"there is no state {state!r}; there are {', '.join(State)}") from None
    with _open(shop) as (_, spool):
        return spool.jobs(wanted)


def release(shop: Path, job: str, *, by: str | None = None, seen: str | None = None) -> str:
    """A person has looked: a held job's folder goes to the outbox as it is. Returns a sentence."""
    with _open(shop) as (folders, spool), spool.transaction():
        row, folder, card = _find(folders, spool, job, {State.HELD}, seen)
        _require_parts(folder, row)
        card = replace(card, state=State.DONE, reason=None, finished=utc_now(), by=by)
        said = _say_on_page(folder, card)
        held_for = f"{said} It had waited for a person: {row.reason or 'no reason was recorded'}\n"
        write_whole(folder / REASON, held_for.encode("utf-8", "backslashreplace"))
        write_whole(folder / CARD, card.to_json())
        sync_folder(folder)
        target = deliver(folders, folder, card)
        enter_end(folders, card, target, released=True)
        where = folders.relative(target)
        spool.move(row.id, State.HELD, State.DONE, folder=where, finished=card.finished, reason=None)
        return f"job {row.id} is released: {target}"


def reject(shop: Path, job: str, reason: str, *, by: str | None = None, seen: str | None = None) -> str:
    """A person has looked: a held job's folder goes to rejects, with a reason. Returns a sentence."""
    reason = showable(" ".join(reason.split()))[:LONGEST_REASON]
    if not reason:
        raise UsageError("a rejected job needs a reason; expected a sentence for whoever brought the scan")
    with _open(shop) as (folders, spool), spool.transaction():
        row, folder, card = _find(folders, spool, job, {State.HELD}, seen)
        card = replace(card, state=State.REJECTED, reason=reason, finished=utc_now(), by=by)
        _say_on_page(folder, card)
        seal(folder, card)
        target = deliver(folders, folder, card)
        enter_end(folders, card, target)
        spool.move(
            row.id,
            State.HELD,
            State.REJECTED,
            folder=folders.relative(target),
            finished=card.finished,
            reason=reason,
        )
        return f"job {row.id} is rejected: {target}"


def retry(
    shop: Path, job: str, ticket: Path | None = None, *, by: str | None = None, seen: str | None = None
) -> str:
    """A held or rejected job goes back to the queue, from its original bytes. Returns a sentence.

    `ticket`, or a new one that lies in the job's folder, answers what the job was held for.

    The recipe is read again when the job starts, so a recipe that was mended meanwhile is the one that runs.
    """
    with _open(shop) as (folders, spool), spool.transaction():
        row, folder, card = _find(folders, spool, job, {State.HELD, State.REJECTED}, seen)
        card = adopt_ticket(folder, card, ticket)
        card = replace(
            card,
            state=State.QUEUED,
            reason=None,
            refusal=None,
            recipe_text=None,
            attempts=0,
            finished=None,
            by=by,
        )
        write_whole(folder / CARD, card.to_json())
        sync_folder(folder)
        target = folders.work / card.job
        folder.rename(target)
        sync_folder(folders.work)
        sync_folder(folder.parent)
        clear_results(target)
        enter_retry(folders, row.id, target, by)
        spool.move(
            row.id,
            row.state,
            State.QUEUED,
            folder=folders.relative(target),
            attempts=0,
            reason=None,
            started=None,
            finished=None,
        )
        return f"job {row.id} is in the queue again"


def discard(shop: Path, job: str, *, by: str | None = None, seen: str | None = None) -> str:
    """Delete a finished job's files for good. Its row stays, and their digests. Returns a sentence."""
    with _open(shop) as (folders, spool):
        with spool.transaction():
            row = _row(spool, job, FINISHED, seen)
            trash = delete(folders, spool, row, "discarded", utc_now(), by)
        faults.reach("forgotten")
        remove(trash)
        return f"job {row.id}: its files are deleted"


def _say_on_page(folder: Path, card: Card) -> str:
    """The page that goes with the job no longer says that it waits. Returns what it says instead."""
    decided = Decision(str(card.state), card.by, card.finished or utc_now(), card.reason)
    write_decision(folder, decided)
    return decided.sentence


def _require_parts(folder: Path, row: Row) -> None:
    """Nothing is handed over where there is nothing: a job held half-way has no part yet."""
    try:
        outputs = read_traveler(folder).outputs
    except (OSError, ValueError, KeyError, TypeError):
        return  # no record that could be read: what lies there is for the person to judge
    if not outputs:
        raise UsageError(
            f"job {row.id} has no part to hand over: {row.reason or 'it stopped on the way'}. "
            "Try it again with a ticket (retry), or discard it"
        )


@contextmanager
def _open(shop: Path) -> Iterator[tuple[ShopFolders, Spool]]:
    folders = ShopFolders(shop)
    if not (shop / "shop.yaml").is_file():
        raise UsageError(f"{shop} is not a shop: it has no shop.yaml")
    folders.make()
    spool, _ = open_spool(folders)
    try:
        if spool.is_new:
            recover(Store(folders, spool), most_attempts=1 << 30)
        yield folders, spool
    finally:
        spool.close()


def _row(spool: Spool, job: str, states: frozenset[State] | set[State], seen: str | None = None) -> Row:
    rows = [row for row in [spool.get(job)] if row is not None] or spool.starting_with(job)
    if not rows:
        raise UsageError(f"there is no job {job!r} in this shop")
    if len(rows) > 1:
        raise UsageError(f"more than one job begins with {job!r}; give more of its id")
    row = rows[0]
    if row.state not in states:
        wanted = " or ".join(sorted(states))
        raise UsageError(f"job {row.id} is {row.state}; this can be done to a job that is {wanted}")
    if row.discarded is not None:
        raise UsageError(f"the files of job {row.id} were deleted at {row.discarded}")
    if seen is not None and row.finished != seen:
        raise UsageError(f"job {row.id} has ended anew since it was looked at; look at it again")
    return row


def _find(
    folders: ShopFolders, spool: Spool, job: str, states: set[State], seen: str | None
) -> tuple[Row, Path, Card]:
    row = _row(spool, job, states, seen)
    folder = folders.root / row.folder
    card = read_card(folder)
    if card is None:
        raise UsageError(f"job {row.id} is not in {folder} any more")
    return row, folder, card
