"""The shop's ledger: an append-only log of what became of every job, each entry chained to the one before.

    SHOP/ledger/ledger.jsonl    one entry a line, as RFC 8785 canonical JSON
    SHOP/ledger/head            number and digest of the newest entry

It lies beside the outbox, not in `.fettlebox/`: that folder can be rebuilt from the others and may be thrown
away, and proof may not. An entry's `digest` is the SHA-256 of the entry without it, `before` the digest of
the entry before; so a changed entry gives itself away, and a lost or moved one its neighbour. That the newest
entries are missing shows in `head`.
"""

from __future__ import annotations

import fcntl
import json
import os
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import asdict, dataclass, fields
from pathlib import Path
from typing import Any, Literal

from .canonical import canonical, digest

EventName = Literal["done", "held", "rejected", "released", "retried", "discarded", "expired"]
GONE: tuple[EventName, ...] = ("discarded", "expired")
"""Whose files were deleted: by a person, or because the shop keeps them no longer."""
FOLDER = "ledger"
FILE = "ledger.jsonl"
HEAD = "head"
FIRST = "0" * 64
"""What stands for the entry before the first."""
BLOCK = 1 << 16


@dataclass(frozen=True)
class Entry:
    """One thing that happened to a job.

    state   the job's state after it
    time    RFC 3339, UTC
    folder  where its files are, below the shop's folder; null once they are deleted
    files   path below the job's folder → SHA-256, as it was then; of a job that is gone, what was deleted
    by      the person who decided it, by the name of their token; not written where nobody was named
    """

    number: int
    event: EventName
    job: str
    state: str
    time: str
    folder: str | None
    files: Mapping[str, str]
    before: str
    digest: str = ""
    by: str | None = None

    def sealed(self) -> Entry:
        return Entry(**{**asdict(self), "digest": self.proper_digest()})

    def document(self) -> dict[str, Any]:
        """The entry as a JSON value. Nobody is not written: entries of the first versions have no `by`."""
        values = asdict(self)
        return values if self.by is not None else {k: v for k, v in values.items() if k != "by"}

    def proper_digest(self) -> str:
        """The digest that the rest of the entry calls for."""
        return digest({k: v for k, v in self.document().items() if k != "digest"})

    def line(self) -> bytes:
        return canonical(self.document()) + b"\n"


def entry_from(line: bytes) -> Entry:
    """The entry on a line. Raises ValueError with what is wrong with the line itself."""
    try:
        values = json.loads(line)
        entry = Entry(**values)
        named = "" if entry.by is None else entry.by
        if [type(values[f.name]) for f in fields(Entry) if f.name not in ("folder", "files", "by")] != _TYPES:
            raise TypeError("a value of another kind")
        if not all(
            isinstance(text, str) for text in (entry.folder or "", named, *dict(entry.files).values())
        ):
            raise TypeError("a path or digest that is no text")
        same = entry.line() == line
    except (ValueError, TypeError, KeyError, RecursionError) as error:
        raise ValueError("is not an entry of a ledger") from error
    if not same:
        raise ValueError("is not written in the canonical form of RFC 8785")
    return entry


_TYPES = [int, str, str, str, str, str, str]


class Ledger:
    """The ledger of one shop. Several processes may use it; a file lock keeps them apart."""

    def __init__(self, shop: Path) -> None:
        self.folder = shop / FOLDER
        self.path = self.folder / FILE

    def append(
        self,
        event: EventName,
        *,
        job: str,
        state: str,
        time: str,
        folder: str | None,
        files: Mapping[str, str],
        by: str | None = None,
        reach: Callable[[str], None] = lambda point: None,
    ) -> Entry:
        """Add an entry; when this returns it is on the disk. What a power cut left of a line is cut off.

        `reach` is told of the instants between two writes.
        """
        with self._locked(fcntl.LOCK_EX) as handle:
            last = self._mended_end(handle)
            entry = Entry(
                number=last.number + 1 if last else 1,
                event=event, job=job, state=state, time=time, folder=folder, files=dict(files),
                before=last.digest if last else FIRST, by=by,
            ).sealed()  # fmt: skip
            line = entry.line()
            end = os.lseek(handle, 0, os.SEEK_END)
            try:
                written = os.write(handle, line)
                if written < len(line):
                    os.write(handle, line[written:])
                os.fsync(handle)
            except OSError:
                os.ftruncate(handle, end)  # a full disk: half a line helps nobody
                raise
            reach("entered")
            self._note_head(last, entry)
        return entry

    def mend(self) -> None:
        """After a power cut: cut off what it left of a line, and move on a head that is one entry behind."""
        if self.path.is_file():
            with self._locked(fcntl.LOCK_EX) as handle:
                last = self._mended_end(handle)
                if last is not None and one_behind(self.head(), last):
                    self._write_head(last)

    def lines(self) -> list[bytes]:
        """Every line as it stands, with its end; the last may lack it."""
        if not self.path.is_file():
            return []
        with self._locked(fcntl.LOCK_SH):
            return _lines(self.path.read_bytes())

    def entries(self) -> Iterator[Entry]:
        """The entries that can be read; what cannot is left to the audit."""
        if not self.path.is_file():
            return
        with self.path.open("rb") as file:
            for line in file:
                try:
                    yield entry_from(line)
                except ValueError:
                    continue

    def head(self) -> tuple[int, str] | None:
        """Number and digest of the newest entry, as `head` says; (-1, "") for what makes no sense."""
        try:
            number, _, digest_ = (self.folder / HEAD).read_text("ascii").strip().partition(" ")
            return int(number), digest_
        except FileNotFoundError:
            return None
        except ValueError:
            return -1, ""

    def _note_head(self, last: Entry | None, entry: Entry) -> None:
        """Move the head on. One that does not fit what stands before stays: the audit has to see it."""
        head = self.head()
        if head is None or (
            last is not None and (head == (last.number, last.digest) or one_behind(head, last))
        ):
            self._write_head(entry)

    def _write_head(self, entry: Entry) -> None:
        beside = self.folder / f"{HEAD}.tmp"
        with beside.open("w", encoding="ascii") as file:
            file.write(f"{entry.number} {entry.digest}\n")
            file.flush()
            os.fsync(file.fileno())
        beside.replace(self.folder / HEAD)
        _flush(self.folder)

    def _mended_end(self, handle: int) -> Entry | None:
        """Cut off what a power cut left of a line; the last entry that can be read."""
        size = os.lseek(handle, 0, os.SEEK_END)
        tail, start = b"", size
        while start > 0:
            step = min(max(BLOCK, len(tail)), start)
            start -= step
            tail = os.pread(handle, step, start) + tail
            whole = tail.rfind(b"\n") + 1
            if whole:
                if whole < len(tail):
                    os.ftruncate(handle, start + whole)
                    tail = tail[:whole]
                for line in reversed(_lines(tail)[0 if start == 0 else 1 :]):
                    try:
                        return entry_from(line)
                    except ValueError:
                        continue  # damaged: the audit says so; the chain goes on from what can be read
        if size and b"\n" not in tail:
            os.ftruncate(handle, 0)
        return None

    @contextmanager
    def _locked(self, how: int) -> Iterator[int]:
        self.folder.mkdir(parents=True, exist_ok=True)
        new = not self.path.exists()
        handle = os.open(
            self.path, os.O_RDWR | os.O_CREAT | os.O_APPEND | os.O_CLOEXEC | os.O_NOFOLLOW, 0o644
        )
        try:
            fcntl.flock(handle, how)
            if new:
                _flush(self.folder)
                _flush(self.folder.parent)
            yield handle
        finally:
            os.close(handle)


def one_behind(head: tuple[int, str] | None, last: Entry) -> bool:
    """Whether power may have gone between the entry `last` and its head."""
    return (head or (0, FIRST)) == (last.number - 1, last.before)


def _lines(data: bytes) -> list[bytes]:
    """Lines with their ends. (`bytes.splitlines` would also split at a damaged byte that became a return.)"""
    parts = data.split(b"\n")
    return [part + b"\n" for part in parts[:-1]] + [part for part in parts[-1:] if part]


def _flush(folder: Path) -> None:
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
