"""A scan that comes through the browser: written under a hidden name in the inbox, renamed when complete.

The intake passes over hidden names, so a scan is never taken in half. It may come in pieces, and go on after
a broken line from where it stopped. The ticket gets its name first: a scan is never taken in without it.
"""

from __future__ import annotations

import contextlib
import os
import re
import secrets
import shutil
import threading
import time
import unicodedata
from collections.abc import AsyncIterator, Callable, Iterator
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

import anyio.to_thread

from ..jobs.atomic import is_no_room, move_without_replacing, remove, sync_folder, write_whole
from ..jobs.folders import free_name
from ..mesh import READABLE
from ..recipe import TICKET_SUFFIX
from .cabinet import Cabinet
from .keys import Person
from .problems import Refused
from .recipes import catalog
from .settings import Settings

BEGINNING = ".board-"
PARTIAL = ".part"
KEPT_S = 24 * 3600.0
LONGEST_NAME = 150
ENDINGS = (*READABLE, ".zip")


@dataclass(frozen=True)
class Upload:
    """A scan that is coming. `has` of `size` bytes are there."""

    id: str
    name: str
    size: int
    has: int


class Uploads:
    """The uploads of one shop."""

    def __init__(self, settings: Settings, cabinet: Cabinet, clock: Callable[[], float] = time.time) -> None:
        self.settings, self.cabinet, self.clock = settings, cabinet, clock
        self.inbox = settings.shop / "inbox"
        self._busy: set[str] = set()
        self._lock = threading.Lock()

    def begin(self, name: str, size: int, ticket: str, person: Person) -> Upload:
        """Expect a scan. Raises Refused for a name or size that cannot be, or if too many are coming."""
        self.forget_old()
        name = checked_name(name)
        if not 0 < size <= self.settings.most_upload_bytes:
            most = self.settings.most_upload_bytes >> 20
            raise Refused(
                413 if size > 0 else 422, f"a scan of {size} bytes is not taken; at most {most} MB are"
            )
        coming = self.cabinet.one("SELECT coalesce(sum(size), 0) FROM uploads")[0]
        if shutil.disk_usage(self.inbox).free < coming + size + self.settings.room_left_bytes:
            raise Refused(507, "the shop's disk has no room for this scan; nothing was taken in")
        with self.cabinet.change():
            if self.cabinet.one("SELECT count(*) FROM uploads")[0] >= self.settings.most_uploads:
                raise Refused(503, "too many scans are coming at the same time; try again in a while")
            upload = secrets.token_hex(16)
            self.cabinet.do(
                "INSERT INTO uploads VALUES (?, ?, ?, ?, ?, ?)",
                upload, name, size, ticket, person.name, self.clock(),
            )  # fmt: skip
        os.close(os.open(self._partial(upload), os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o644))
        return Upload(upload, name, size, 0)

    def get(self, upload: str, person: Person) -> Upload:
        """Raises Refused (404) if it is not there, or is another person's."""
        row = self.cabinet.one("SELECT name, size, by FROM uploads WHERE id = ?", upload)
        if row is None or row[2] != person.name:
            raise Refused(404, "there is no such upload; begin it again")
        try:
            has = self._partial(upload).stat().st_size
        except OSError:
            self.drop(upload)
            raise Refused(404, "what had come of this scan is gone; begin it again") from None
        return Upload(upload, row[0], row[1], has)

    async def add(self, upload: str, at: int, chunks: AsyncIterator[bytes], person: Person) -> Upload:
        """Take the bytes from `at` on; with the last one the scan is in the inbox.

        Raises Refused (409) if they do not continue what is there: ask how much that is, and go on there.
        """
        with self._alone(upload):
            known = self.get(upload, person)
            if at != known.has:
                raise Refused(409, f"{known.has} bytes are there; go on from there", has=known.has)
            handle = os.open(self._partial(upload), os.O_WRONLY | os.O_NOFOLLOW | os.O_CLOEXEC)
            try:
                has = at
                async for chunk in chunks:
                    if has + len(chunk) > known.size:
                        raise Refused(413, f"more bytes came than the {known.size} that were announced")
                    await anyio.to_thread.run_sync(_write_all, handle, chunk, has)
                    has += len(chunk)
                if has == known.size:
                    await anyio.to_thread.run_sync(os.fsync, handle)
            except OSError as error:
                if is_no_room(error):
                    raise Refused(507, "the shop's disk is full; nothing was taken in") from error
                raise
            finally:
                os.close(handle)
            if has == known.size:
                return Upload(upload, await anyio.to_thread.run_sync(self._complete, known), has, has)
            return Upload(upload, known.name, known.size, has)

    def drop(self, upload: str) -> None:
        self.cabinet.do("DELETE FROM uploads WHERE id = ?", upload)
        remove(self._partial(upload))

    def forget_old(self) -> None:
        """Take away what was begun long ago and never ended."""
        old = self.clock() - KEPT_S
        for (upload,) in self.cabinet.all("SELECT id FROM uploads WHERE at < ?", old):
            self.drop(upload)

    def _complete(self, upload: Upload) -> str:
        """Into the inbox, ticket first; the name that the scan has there."""
        (ticket,) = self.cabinet.one("SELECT ticket FROM uploads WHERE id = ?", upload.id)
        for _ in range(100):
            target = free_name(self.inbox, upload.name)
            beside = target.with_name(target.name + TICKET_SUFFIX)
            if os.path.lexists(beside):  # somebody's ticket waits for a scan of this name
                upload = Upload(upload.id, _other(upload.name), upload.size, upload.has)
                continue
            write_whole(self._ticket(upload.id), ticket.encode())
            try:
                move_without_replacing(self._ticket(upload.id), beside)
                move_without_replacing(self._partial(upload.id), target)
            except FileExistsError:
                with contextlib.suppress(FileNotFoundError):
                    remove(beside)
                continue
            sync_folder(self.inbox)
            self.cabinet.do("DELETE FROM uploads WHERE id = ?", upload.id)
            return target.name
        raise Refused(409, f"the inbox is full of scans named {upload.name}")

    @contextlib.contextmanager
    def _alone(self, upload: str) -> Iterator[None]:
        with self._lock:
            if upload in self._busy:
                raise Refused(409, "this scan is coming on another line already")
            self._busy.add(upload)
        try:
            yield
        finally:
            self._busy.discard(upload)

    def _partial(self, upload: str) -> Path:
        if re.fullmatch(r"[0-9a-f]{32}", upload) is None:
            raise Refused(404, "there is no such upload; begin it again")
        return self.inbox / f"{BEGINNING}{upload}{PARTIAL}"

    def _ticket(self, upload: str) -> Path:
        return self._partial(upload).with_suffix(f".ticket{PARTIAL}")


def checked_name(name: str) -> str:
    """A plain file name for the inbox, of a kind that is read. Raises Refused (422)."""
    plain = unicodedata.normalize("NFC", name.replace("\\", "/").rpartition("/")[2]).strip()
    suffix = PurePosixPath(plain).suffix.lower()
    endings = (*ENDINGS, *catalog().readers)
    if suffix not in endings:
        raise Refused(
            422, f"{suffix or 'a file without an ending'} is not read; expected {', '.join(endings)}"
        )
    shown = "".join(c if c.isprintable() and c not in '/:*?"<>|' else "_" for c in plain).lstrip(".~ ")
    stem = shown[: -len(suffix)].rstrip(". ") or "scan"
    while len(os.fsencode(stem)) > LONGEST_NAME:
        stem = stem[:-1]
    return stem + suffix


def _other(name: str) -> str:
    path = PurePosixPath(name)
    return f"{path.stem} {secrets.token_hex(2)}{path.suffix}"


def _write_all(handle: int, data: bytes, at: int) -> None:
    while data:
        written = os.pwrite(handle, data, at)
        data, at = data[written:], at + written
