"""Hold a shop's folders against its ledger, and the ledger against itself. Nothing is changed."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from ..errors import UsageError
from ..traveler.ledger import FILE, FIRST, FOLDER, GONE, HEAD, Entry, Ledger, entry_from, one_behind
from .bookkeeping import files_of
from .folders import ShopFolders, read_card
from .states import FINISHED

TRIES = 3
"""A server may finish jobs while the folders are read; then they are read again."""


@dataclass(frozen=True)
class Finding:
    """One thing that is not as the ledger says. `entry` is the number of the entry that says otherwise (for a
    line of the ledger: its place, from 1), null if none does; `file` is below the shop's folder.
    """

    entry: int | None
    job: str | None
    file: str
    expected: str
    found: str

    def __str__(self) -> str:
        where = f"entry {self.entry}, " if self.entry is not None else ""
        of = f" (job {self.job})" if self.job else ""
        return f"{where}{self.file}{of}: expected {self.expected}, found {self.found}"


@dataclass(frozen=True)
class Audit:
    """What was looked at, and every finding. `head` is the digest of the newest entry: noted elsewhere, it
    proves later that no entry was taken away or made anew.
    """

    findings: tuple[Finding, ...]
    entries: int
    jobs: int
    files: int
    discarded: int
    head: str

    @property
    def clean(self) -> bool:
        return not self.findings


def audit_shop(shop: Path) -> Audit:
    """Walk the chain and every finished folder. Raises UsageError if there is no shop."""
    folders = ShopFolders(shop)
    if not (shop / "shop.yaml").is_file():
        raise UsageError(f"{shop} is not a shop: it has no shop.yaml")
    ledger = Ledger(shop)
    for _ in range(TRIES):
        lines = ledger.lines()
        found = _audit(folders, ledger, lines)
        if found.clean or ledger.lines() == lines:
            break
    return found


def _audit(shop: ShopFolders, ledger: Ledger, lines: list[bytes]) -> Audit:
    findings: list[Finding] = []
    last: dict[str, Entry] = {}  # of each job the newest alone: a ledger may be longer than memory is large
    newest: Entry | None = None
    for entry in _chain(lines, findings):
        last[entry.job] = newest = entry
    _check_head(ledger, lines, newest, findings)
    at_rest = {
        entry.folder: entry
        for entry in last.values()
        if entry.folder is not None and entry.state in FINISHED and entry.event not in GONE
    }
    count = 0
    places = {place.name for _, place in shop.places()}
    for path, entry in at_rest.items():
        if len(path.split("/")) != 2 or path.split("/")[0] not in places or path.endswith("/.."):
            findings.append(Finding(entry.number, entry.job, f"{FOLDER}/{FILE}",
                                    "a folder in outbox, hold or rejects", path))  # fmt: skip
            continue
        count += _check_folder(shop, path, entry, findings)
    findings += _strangers(shop, at_rest, last)
    discarded = sum(entry.event in GONE for entry in last.values())
    head = newest.digest if newest is not None else FIRST
    return Audit(tuple(findings), len(lines), len(at_rest), count, discarded, head)


def _chain(lines: list[bytes], findings: list[Finding]) -> Iterator[Entry]:
    """The entry of each line that can be read; what is wrong with a line, or with where it stands, is a
    finding.
    """
    file = f"{FOLDER}/{FILE}"
    known: tuple[int, set[str]] | None = (0, {FIRST})
    for place, line in enumerate(lines, start=1):
        try:
            entry = entry_from(line)
        except ValueError as error:
            torn = "is cut off before its end" if not line.endswith(b"\n") else str(error)
            findings.append(
                Finding(place, None, file, "an entry of the ledger", f"line {place}, which {torn}")
            )
            known = None
            continue
        proper = entry.proper_digest()
        if proper != entry.digest:
            findings.append(Finding(place, entry.job, file, f"content with the digest {entry.digest}",
                                    f"content with the digest {proper}"))  # fmt: skip
        elif known is not None and entry.number != known[0] + 1:
            findings.append(Finding(place, entry.job, file, f"entry number {known[0] + 1} on line {place}",
                                    f"entry number {entry.number}"))  # fmt: skip
        elif known is not None and entry.before not in known[1]:
            findings.append(Finding(place, entry.job, file, "the digest of the entry before, "
                                    + " or ".join(sorted(known[1])), entry.before))  # fmt: skip
        known = entry.number, {entry.digest, proper}
        yield entry


def _check_head(ledger: Ledger, lines: list[bytes], last: Entry | None, findings: list[Finding]) -> None:
    head = ledger.head()
    file = f"{FOLDER}/{HEAD}"
    if not lines:
        if head is not None:
            findings.append(
                Finding(None, None, f"{FOLDER}/{FILE}", f"{head[0]} entries, as {file} says", "none")
            )
        return
    if last is None:
        return
    shown = f"{last.number} {last.digest}"
    if one_behind(head, last):
        return  # the next entry, or the next start, sets it right
    if head is None:
        findings.append(Finding(last.number, None, file, shown, "no such file"))
    elif head[0] > last.number:
        said = f"{head[0]} entries, as {file} says"
        findings.append(Finding(last.number, last.job, f"{FOLDER}/{FILE}", said, f"{last.number}"))
    elif head != (last.number, last.digest):
        findings.append(Finding(last.number, None, file, shown, f"{head[0]} {head[1]}"))


def _check_folder(shop: ShopFolders, path: str, entry: Entry, findings: list[Finding]) -> int:
    folder = shop.root / path
    if not folder.is_dir() or folder.is_symlink():
        findings.append(Finding(entry.number, entry.job, path, "the job's folder",
                                "nothing; it was moved, taken away or deleted by hand"))  # fmt: skip
        return 0
    there = files_of(folder)
    for name in sorted(there.keys() | entry.files.keys()):
        expected, found = entry.files.get(name), there.get(name)
        if expected != found:
            findings.append(
                Finding(entry.number, entry.job, f"{path}/{name}", expected or "no such file",
                        found or "no such file")
            )  # fmt: skip
    return len(there)


def _strangers(shop: ShopFolders, at_rest: dict[str, Entry], last: dict[str, Entry]) -> Iterator[Finding]:
    """What lies in the places of finished jobs without an entry that says so."""
    for _, place in shop.places():
        if not place.is_dir():
            continue
        for name in sorted(os.listdir(place)):  # noqa: PTH208 - names, not paths
            path = f"{place.name}/{name}"
            if path in at_rest:
                continue
            card = read_card(place / name)
            entry = last.get(card.job) if card is not None else None
            if entry is None:
                yield Finding(None, card.job if card else None, path, "nothing; no entry tells of it",
                              "a folder" if (place / name).is_dir() else "a file")  # fmt: skip
            else:
                said = entry.folder if entry.folder in at_rest else f"nothing; the job was {entry.event}"
                yield Finding(entry.number, entry.job, path, str(said), "the job's folder")
