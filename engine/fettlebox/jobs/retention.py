"""What has been kept as long as the shop wants is deleted, and that is entered in the ledger.

A finished job's folder goes as a whole: original, parts and record. Its row, and the digests of what was
deleted, stay. A person's `discard` goes the same way, at once.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Literal

from . import faults
from .atomic import remove, sync_folder
from .bookkeeping import enter_gone, files_of, last_entries
from .folders import ShopFolders
from .journal import utc_now
from .spool import Row, Spool
from .store import Store

MOST_AT_ONCE = 20  # then the server sees to its workers before it goes on
LEAP_S = (
    3600.0  # a clock that gains more than this on a steady one was put forward, and nothing is deleted by it
)

Gone = Literal["discarded", "expired"]
EXPIRED = ".expired"  # the end of a name in the trash: why it is there, for whoever finds it after a crash


@dataclass(frozen=True)
class Swept:
    """What a sweep did. `more`: there is more to delete at once; `leap`: the clock cannot be right."""

    jobs: tuple[str, ...] = ()
    more: bool = False
    leap: bool = False


class Sweeper:
    """Deletes what is older than `keep_s`, if the clock that says so can be believed."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._last: tuple[float, float] | None = None

    def sweep(self, keep_s: float | None, now: datetime, steady_s: float) -> Swept:
        """One round. `now` is the time of day in UTC; `steady_s` is from a clock that nobody sets.

        Raises OSError or sqlite3.Error if the disk is full; what was begun is completed at the next start.
        """
        last, self._last = self._last, (now.timestamp(), steady_s)
        if last is not None and (now.timestamp() - last[0]) - (steady_s - last[1]) > LEAP_S:
            return Swept(leap=True)
        if keep_s is None:
            return Swept()
        rows = self._store.spool.finished_before(utc_of(now - timedelta(seconds=keep_s)), MOST_AT_ONCE + 1)
        trash = []
        with self._store.spool.transaction():
            for row in rows[:MOST_AT_ONCE]:
                trash.append(delete(self._store.shop, self._store.spool, row, "expired", utc_of(now)))
        faults.reach("forgotten")
        for folder in trash:
            remove(folder)
        return Swept(tuple(row.id for row in rows[:MOST_AT_ONCE]), more=len(rows) > MOST_AT_ONCE)


def utc_of(now: datetime) -> str:
    """A time as the ledger writes it."""
    return now.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def delete(shop: ShopFolders, spool: Spool, row: Row, why: Gone, when: str, by: str | None = None) -> Path:
    """Delete a finished job's files, inside a transaction of the caller's; then `remove` what this gives.

    The rename into the trash is the instant that counts; what comes after it is done at the next start if it
    was cut off.
    """
    remove(shop.kept_steps_of(row.digest))  # half-made parts of it; another job of this scan makes them again
    trash = shop.trash / (row.id + (EXPIRED if why == "expired" else ""))
    folder = shop.root / row.folder
    files: Mapping[str, str]
    if folder.is_dir():
        files = files_of(folder)
        folder.rename(trash)
        sync_folder(shop.trash)
        sync_folder(folder.parent)
        faults.reach("trashed")
    else:
        last = last_entries(shop).get(row.id)
        files = last.files if last is not None else {}
    enter_gone(shop, row.id, row.state, files, why, when, by)
    spool.mark_discarded(row.id, when)
    return trash


def empty_trash(shop: ShopFolders, spool: Spool, folders: list[Path]) -> None:
    """Complete deletions that were cut off, inside a transaction of the caller's."""
    if not folders:
        return
    last = last_entries(shop)
    for trash in folders:
        job = trash.name.removesuffix(EXPIRED)
        row, entry = spool.get(job), last.get(job)
        if row is not None and (entry is None or entry.event not in ("discarded", "expired")):
            why: Gone = "expired" if trash.name.endswith(EXPIRED) else "discarded"
            enter_gone(shop, job, row.state, files_of(trash), why, utc_now())
        spool.mark_discarded(job, utc_now())
