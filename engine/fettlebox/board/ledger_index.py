"""The ledger, indexed: what happened to a job, what happened last, how jobs of the past went.

The index follows the ledger's file from where it last stopped. It proves nothing (the audit does) and is made
anew whenever it does not fit the file.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from ..jobs.folders import read_card
from ..traveler.ledger import FILE, FOLDER, Entry, entry_from
from .cabinet import Cabinet
from .files import record_of

BATCH = 200
LONGEST_LINE = 4 << 20


@dataclass(frozen=True)
class Happening:
    """One entry of the ledger as lists show it."""

    number: int
    event: str
    job: str
    state: str
    time: str
    by: str | None
    digest: str


COLUMNS = "number, event, job, state, time, by, digest"


class LedgerIndex:
    """Follows one shop's ledger."""

    def __init__(self, shop: Path, cabinet: Cabinet) -> None:
        self.shop, self.cabinet = shop, cabinet
        self.path = shop / FOLDER / FILE
        self._lock = threading.Lock()

    def catch_up(self, most: int = 1 << 30) -> int:
        """Take in what was entered since; how many entries, at most `most`."""
        with self._lock:
            at = self._place()
            taken = 0
            while taken < most:
                batch, at = self._read(at, min(BATCH, most - taken))
                if not batch:
                    break
                with self.cabinet.change():
                    for entry in batch:
                        self._take(entry)
                    self.cabinet.set_mark("ledger", f"{self._file()} {at}")
                taken += len(batch)
            return taken

    def of_job(self, job: str, most: int = 50) -> list[Happening]:
        """What happened to a job, newest first."""
        rows = self.cabinet.all(
            f"SELECT {COLUMNS} FROM entries WHERE job = ? ORDER BY number DESC LIMIT ?", job, most
        )
        return [Happening(*row) for row in rows]

    def before(self, number: int | None, most: int) -> list[Happening]:
        """Entries below a number (the newest, if none is given), newest first."""
        rows = self.cabinet.all(
            f"SELECT {COLUMNS} FROM entries WHERE number < ? ORDER BY number DESC LIMIT ?",
            1 << 62 if number is None else number, most,
        )  # fmt: skip
        return [Happening(*row) for row in rows]

    def _place(self) -> int:
        """Where to read on; 0 if the file is another one, or shorter than it was."""
        file, _, place = (self.cabinet.mark("ledger") or "").partition(" ")
        if file == self._file() and place.isdigit() and int(place) <= self._size():
            return int(place)
        with self.cabinet.change():
            for table in ("entries", "ended", "step_times"):
                self.cabinet.do(f"DELETE FROM {table}")
        return 0

    def _file(self) -> str:
        try:
            return str(self.path.stat().st_ino)
        except OSError:
            return "-"

    def _size(self) -> int:
        try:
            return self.path.stat().st_size
        except OSError:
            return 0

    def _read(self, at: int, most: int) -> tuple[list[Entry], int]:
        """Whole lines from `at` on, those that are entries; and where the next one begins."""
        entries: list[Entry] = []
        if at >= self._size():
            return entries, at
        with self.path.open("rb") as file:
            file.seek(at)
            for line in self._lines(file):
                at += len(line)
                try:
                    entries.append(entry_from(line))
                except ValueError:
                    continue  # the audit names it
                if len(entries) >= most:
                    break
        return entries, at

    def _lines(self, file: object) -> Iterator[bytes]:
        while (line := file.readline(LONGEST_LINE)).endswith(b"\n"):  # type: ignore[attr-defined]
            yield line

    def _take(self, entry: Entry) -> None:
        self.cabinet.do(
            "INSERT OR REPLACE INTO entries VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
            entry.number, entry.event, entry.job, entry.state, entry.time, entry.by, entry.folder,
            entry.digest,
        )  # fmt: skip
        if entry.event in ("done", "held", "rejected") and entry.by is None:
            self._take_end(entry)

    def _take_end(self, entry: Entry) -> None:
        """How the job went, if its folder still lies where it was put."""
        folder = self.shop / (entry.folder or "-")
        card = read_card(folder) if entry.folder else None
        if card is None or card.job != entry.job:
            return
        record = record_of(folder) if card.finished == entry.time else None
        seconds = record.timing.get("seconds") if record is not None else None
        self.cabinet.do(
            "INSERT OR REPLACE INTO ended VALUES (?, ?, ?, ?, ?, ?, ?)",
            entry.number, entry.job, entry.time, entry.state, card.recipe, why(entry, card.reason, record),
            seconds if isinstance(seconds, (int, float)) else None,
        )  # fmt: skip
        if record is not None:
            done = [step for step in record.steps if step.outcome == "done"]
            rows = [(entry.number, step.name, step.seconds) for step in done]
            self.cabinet.each("INSERT INTO step_times VALUES (?, ?, ?)", rows)


def why(entry: Entry, reason: str | None, record: object) -> str | None:
    """What stopped a job, in a word that many jobs share: the step, or what was before any step. The reason
    itself may name a person's scan and belongs on the job's own page.
    """
    if entry.event == "done":
        return None
    steps = getattr(record, "steps", ())
    for step in steps:
        if step.outcome in ("held", "failed"):
            return str(step.name)
    if record is None:
        return "crash, time or memory"
    return "soundness" if steps else "scan, ticket or recipe"
