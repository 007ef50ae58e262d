"""What is entered in the shop's ledger, and when: a job's end, a release, a retry, a discard.

Whoever is stopped between a rename and its entry leaves folders that say more than the ledger; `catch_up`
enters what is missing at the next start.
"""

from __future__ import annotations

import hashlib
import os
import stat
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Literal, cast

from ..traveler.ledger import GONE, Entry, EventName, Ledger
from . import faults
from .digest import kind_of
from .folders import ORIGINAL, Card, ShopFolders
from .journal import utc_now
from .spool import Row, Spool
from .states import FINISHED, State

CHUNK = 1 << 20
UNREADABLE = "unreadable"


def files_of(folder: Path, below: str = "") -> dict[str, str]:
    """Every file below a job's folder with its SHA-256, `below` naming one branch. Links are not followed:
    theirs is the digest of where they point to. What is neither file, folder nor link is named by its kind.
    """
    return dict(sorted(_walk(folder / below, f"{below}/" if below else "")))


def _walk(folder: Path, prefix: str) -> Iterator[tuple[str, str]]:
    try:
        entries = list(os.scandir(folder))
    except FileNotFoundError:
        return
    except PermissionError:
        yield prefix.rstrip("/"), UNREADABLE
        return
    for entry in entries:
        name = prefix + _as_text(entry.name)
        mode = entry.stat(follow_symlinks=False).st_mode
        if stat.S_ISDIR(mode):
            yield from _walk(Path(entry.path), name + "/")
        else:
            yield name, _digest(entry.path, mode)


def _as_text(name: str) -> str:
    """A name that is no text is spelt out; `//` cannot be in a path, so it is nobody else's name."""
    try:
        name.encode("utf-8")
        return name
    except UnicodeEncodeError:
        return "//" + os.fsencode(name).hex()


def _digest(path: str, mode: int) -> str:
    if stat.S_ISLNK(mode):
        return "link " + hashlib.sha256(os.fsencode(os.readlink(path))).hexdigest()  # noqa: PTH115 - any bytes
    if not stat.S_ISREG(mode):
        return kind_of(mode)
    try:
        handle = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
    except PermissionError:
        return UNREADABLE
    sha = hashlib.sha256()
    with os.fdopen(handle, "rb", buffering=0) as file:
        while chunk := file.read(CHUNK):
            sha.update(chunk)
    return sha.hexdigest()


def enter_end(shop: ShopFolders, card: Card, folder: Path, *, released: bool = False) -> Entry:
    """A job lies finished in `folder`."""
    event = "released" if released else str(card.state)
    entry = Ledger(shop.root).append(
        cast(EventName, event), job=card.job, state=str(card.state), time=card.finished or utc_now(),
        folder=shop.relative(folder), files=files_of(folder), by=card.by, reach=faults.reach,
    )  # fmt: skip
    return entry


def enter_end_once(shop: ShopFolders, card: Card, folder: Path) -> None:
    """The same, unless it stands there already: an earlier call got as far as this and failed after it."""
    last = last_entries(shop).get(card.job)
    if last is None or (last.event, last.time) != (str(card.state), card.finished):
        enter_end(shop, card, folder)


def enter_retry(shop: ShopFolders, job: str, folder: Path, by: str | None = None) -> Entry:
    """A job is back in the queue, with nothing but its original."""
    return Ledger(shop.root).append(
        "retried", job=job, state=str(State.QUEUED), time=utc_now(), folder=shop.relative(folder),
        files=files_of(folder, ORIGINAL), by=by, reach=faults.reach,
    )  # fmt: skip


def enter_gone(
    shop: ShopFolders,
    job: str,
    state: State,
    files: Mapping[str, str],
    why: Literal["discarded", "expired"],
    when: str,
    by: str | None = None,
) -> Entry:
    """A job's files are deleted, by a person or because their time is over; their digests stay."""
    return Ledger(shop.root).append(
        why, job=job, state=str(state), time=when, folder=None, files=files,
        by=by, reach=faults.reach,
    )  # fmt: skip


def last_entries(shop: ShopFolders) -> dict[str, Entry]:
    """The newest entry of every job."""
    return {entry.job: entry for entry in Ledger(shop.root).entries()}


def catch_up(shop: ShopFolders, spool: Spool) -> Iterator[str]:
    """Enter what the folders show and the ledger lacks. The spool must say what the folders say."""
    Ledger(shop.root).mend()
    last = last_entries(shop)
    for row in spool.jobs():
        entry = last.get(row.id)
        if entry is not None and entry.event in GONE and row.discarded is None:
            spool.mark_discarded(row.id, entry.time)  # cut off before the spool said so
            continue
        event = _missing(row, entry, shop)
        if event is not None:
            yield f"job {row.id}: that it was {event} was not in the ledger; it is now"


def _missing(row: Row, last: Entry | None, shop: ShopFolders) -> str | None:
    from .folders import read_card

    folder = shop.root / row.folder
    if row.state not in FINISHED:
        if last is None or last.event == "retried" or last.event in GONE:
            return None
        card = read_card(folder)
        return enter_retry(shop, row.id, folder, None if card is None else card.by).event
    if row.discarded is not None:
        if last is None or last.event in GONE:
            return None
        return enter_gone(shop, row.id, row.state, last.files, "discarded", row.discarded).event
    if last is not None and last.event != "retried" and last.time == row.finished:
        return None
    card = read_card(folder)
    if card is None or card.job != row.id or (last is not None and last.time == card.finished):
        return None
    released = last is not None and last.state == State.HELD and card.state is State.DONE
    return enter_end(shop, card, folder, released=released).event
