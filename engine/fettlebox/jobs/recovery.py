"""Make spool and ledger say what the folders say: after a kill, a power cut, or the loss of the spool itself.

Only the holder of the shop's lock may do this.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

from .atomic import move_without_replacing, remove, sync_folder
from .bookkeeping import catch_up
from .folders import (
    ORIGINAL,
    Card,
    ShopFolders,
    clear_results,
    deliver,
    free_name,
    give_back,
    read_card,
    seal,
)
from .journal import utc_now
from .retention import empty_trash
from .spool import Spool, SpoolDamaged
from .states import State
from .store import Store

NEVER_FINISHED = (
    "was begun {attempts} times and never finished: each time the server or the machine stopped while it was "
    "being worked on"
)
GONE = "the files of this job are gone from the work folder; someone or something else removed them"


def open_spool(shop: ShopFolders) -> tuple[Spool, list[str]]:
    """The shop's spool. One that is damaged is set aside, and rebuilt; sentences say what was done."""
    try:
        return Spool(shop.spool), []
    except SpoolDamaged as error:
        aside = free_name(shop.private, f"{shop.spool.name}.damaged")
        shop.spool.replace(aside)
        for suffix in ("-wal", "-shm"):
            remove(shop.spool.with_name(shop.spool.name + suffix))
        return Spool(shop.spool), [
            f"the spool was damaged ({error}); it is kept as {aside.name} and was rebuilt from the folders"
        ]


def recover(store: Store, most_attempts: int, busy: frozenset[str] = frozenset()) -> list[str]:
    """Reconcile all but the jobs that workers have. Returns a sentence for each thing that was mended."""
    said: list[str] = []
    trash = list(_folders(store.shop.trash))
    with store.spool.transaction():
        empty_trash(store.shop, store.spool, trash)
        said += _look_through_work(store, most_attempts, busy)
        said += _adopt(store)
        said += _find_missing(store, busy)
        said += catch_up(store.shop, store.spool)
    for folder in trash:
        remove(folder)
    store.spool.is_new = False
    return said


def _folders(place: Path) -> Iterator[Path]:
    with os.scandir(place) as entries:
        names = sorted(entry.name for entry in entries if entry.is_dir(follow_symlinks=False))
    for name in names:
        yield place / name


def _look_through_work(store: Store, most_attempts: int, busy: frozenset[str]) -> Iterator[str]:
    for folder in _folders(store.shop.work):
        if folder.name in busy:
            continue
        card = read_card(folder)
        if card is None or card.job != folder.name:
            yield from _empty_unknown(store.shop, folder)
        elif not os.path.lexists(folder / ORIGINAL / card.scan):
            give_back(store.shop, folder, card)
            if card.ticket is not None:
                yield f"job {card.job}: a claim was cut off before the scan was moved; it was undone"
        elif card.sealed:
            _settle(store, deliver(store.shop, folder, card), card)
            yield f"job {card.job} was finished but not delivered; it is now"
        else:
            yield from _requeue(store, folder, card, most_attempts)


def _requeue(store: Store, folder: Path, card: Card, most_attempts: int) -> Iterator[str]:
    clear_results(folder)
    row = store.spool.get(card.job)
    if row is None:
        store.enter(card, State.QUEUED, folder)
        yield f"job {card.job} was claimed but not in the spool; it is in the queue"
    elif row.state is State.WORKING and row.attempts >= most_attempts:
        reason = NEVER_FINISHED.format(attempts=row.attempts)
        card = replace(card, state=State.REJECTED, reason=reason, attempts=row.attempts, finished=utc_now())
        seal(folder, card)
        _settle(store, deliver(store.shop, folder, card), card)
        yield f"job {card.job} {reason}; it is in rejects"
    elif row.state is not State.QUEUED:
        attempts = row.attempts if row.state is State.WORKING else 0
        store.spool.correct(
            card.job, State.QUEUED, folder=store.shop.relative(folder), attempts=attempts, reason=None
        )
        yield f"job {card.job} was not finished; it is in the queue again"


def _empty_unknown(shop: ShopFolders, folder: Path) -> Iterator[str]:
    """A work folder that says nothing of itself: what came in goes back to the inbox."""
    original = folder / ORIGINAL
    names = sorted(os.listdir(original)) if original.is_dir() else []  # noqa: PTH208 - names, not paths
    for name in names:
        move_without_replacing(original / name, free_name(shop.inbox, name))
    if names:
        sync_folder(shop.inbox)
        yield f"the work folder {folder.name} has no card; what it held is in the inbox again"
    remove(folder)


def _settle(store: Store, target: Path, card: Card, state: State | None = None) -> None:
    """Say in the spool that a job lies finished in `target`."""
    state = state or card.state
    row = store.spool.get(card.job)
    if row is None:
        store.enter(card, state, target)
    elif row.state is not state or row.folder != store.shop.relative(target):
        store.spool.correct(
            card.job,
            state,
            folder=store.shop.relative(target),
            reason=card.reason,
            finished=card.finished,
            attempts=card.attempts,
        )


def _adopt(store: Store) -> Iterator[str]:
    """Finished folders that the spool does not know, or knows elsewhere. All of them, if the spool is new."""
    known = store.spool.folders()
    for state, place in store.shop.places():
        for folder in _folders(place):
            if store.shop.relative(folder) in known:
                continue
            card = read_card(folder)
            if card is not None:
                _settle(store, folder, card, state)
                if not store.spool.is_new:
                    yield f"job {card.job} was found {state} in {store.shop.relative(folder)}"


def _find_missing(store: Store, busy: frozenset[str]) -> Iterator[str]:
    """Rows of jobs that should be in the work folder and are nowhere."""
    for state in (State.QUEUED, State.WORKING):
        for row in store.spool.jobs(state):
            if row.id not in busy and not (store.shop.root / row.folder).is_dir():
                store.spool.correct(row.id, State.REJECTED, reason=GONE, finished=utc_now())
                yield f"job {row.id}: {GONE}"
