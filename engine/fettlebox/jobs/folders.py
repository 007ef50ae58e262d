"""Where a job's files lie. At every instant a scan is in exactly one place, and the places are the truth.

    inbox/NAME                            the customer's, still arriving or waiting
    .fettlebox/work/JOB/original/NAME     ours: queued or being worked on
    outbox/STEM.JOB8/original/NAME        done; hold/ and rejects/ look the same

One rename takes a scan from the first to the second, one rename of the whole folder to the third.
`job.json` lies in the folder from before the first rename: with it the spool can be rebuilt from nothing.
"""

from __future__ import annotations

import errno
import hashlib
import json
import os
import unicodedata
from collections.abc import Iterable, Iterator
from dataclasses import asdict, dataclass, fields, replace
from pathlib import Path

from ..errors import UsageError
from . import faults
from .atomic import move_without_replacing, remove, sync_folder, sync_tree, write_whole
from .states import FINISHED, State

CARD = "job.json"
ORIGINAL = "original"
REASON = "reason.txt"
PROBE = ".fettlebox-probe"
NAME_BYTES = 255  # the longest name of one file on every file system in use


@dataclass(frozen=True)
class Card:
    """`job.json`: all that must survive the loss of the spool.

    came_from    path of the scan below the inbox, `RECIPE/NAME` or `NAME`
    takes        further scans of the same subject that came with it, and lay beside it
    recipe_text  the recipe as it was when the job was claimed; None: read it when the job starts
    refusal      why the scan is not to be worked on, found out when it was claimed
    seen         files, bytes and time of the last change of each scan when `digest` was taken
    by           the person whose decision put it where it is; None: the server did, or nobody was named
    """

    job: str
    scan: str
    came_from: str
    digest: str
    recipe: str
    recipe_text: str | None
    ticket: str | None
    order: str | None
    arrived: str
    state: State = State.QUEUED
    reason: str | None = None
    attempts: int = 0
    finished: str | None = None
    takes: tuple[str, ...] = ()
    refusal: str | None = None
    seen: tuple[tuple[int, int, int], ...] = ()
    by: str | None = None

    @property
    def sealed(self) -> bool:
        """All results are on the disk and nothing may be written to the folder any more."""
        return self.state in FINISHED

    def to_json(self) -> bytes:
        return (json.dumps(asdict(self), indent=2) + "\n").encode("ascii")


def read_card(folder: Path) -> Card | None:
    """The card of a job's folder, or None if there is none that can be used."""
    try:
        data = json.loads((folder / CARD).read_bytes())
        known = {field.name for field in fields(Card)}
        card = Card(**{key: value for key, value in data.items() if key in known})
        return replace(card, state=State(card.state), takes=tuple(map(str, card.takes)),
                       seen=tuple((int(n), int(size), int(when)) for n, size, when in card.seen))  # fmt: skip
    except (OSError, ValueError, TypeError, AttributeError):
        return None


@dataclass(frozen=True)
class ShopFolders:
    """The folders of one shop."""

    root: Path

    @property
    def inbox(self) -> Path:
        return self.root / "inbox"

    @property
    def recipes(self) -> Path:
        return self.root / "recipes"

    @property
    def private(self) -> Path:
        return self.root / ".fettlebox"

    @property
    def work(self) -> Path:
        return self.private / "work"

    @property
    def trash(self) -> Path:
        return self.private / "trash"

    @property
    def kept_steps(self) -> Path:
        """Results of steps, in one folder for each scan."""
        return self.private / "kept-steps"

    def kept_steps_of(self, digest: str) -> Path:
        """What was kept of one scan; `digest` is the scan's."""
        return self.kept_steps / digest

    @property
    def spool(self) -> Path:
        return self.private / "spool.sqlite"

    def place(self, state: State) -> Path:
        """The folder that holds the jobs of a state."""
        return {
            State.DONE: self.root / "outbox",
            State.HELD: self.root / "hold",
            State.REJECTED: self.root / "rejects",
        }.get(state, self.work)

    def places(self) -> Iterator[tuple[State, Path]]:
        """The three places where finished jobs lie."""
        for state in (State.DONE, State.HELD, State.REJECTED):
            yield state, self.place(state)

    def make(self) -> None:
        """Make every folder that is missing; touch no other."""
        for folder in (self.inbox, self.recipes, self.work, self.trash, *(path for _, path in self.places())):
            folder.mkdir(parents=True, exist_ok=True)

    def relative(self, folder: Path) -> str:
        return str(folder.relative_to(self.root))

    def check_one_file_system(self) -> None:
        """Try a rename from the work folder to each place (bind mounts share a device number)."""
        for folder in (self.inbox, *(path for _, path in self.places())):
            probe, there = self.work / PROBE, folder / PROBE
            remove(there)  # of a server that was killed in the middle of this
            probe.mkdir(exist_ok=True)
            try:
                probe.rename(there)
            except OSError as error:
                if error.errno != errno.EXDEV:
                    raise
                raise UsageError(
                    f"{folder} is on another disk than {self.work}; a scan can be moved between them only by "
                    "copying, and a copy can be cut off half-way. Put the whole shop on one disk."
                ) from error
            finally:
                remove(probe)
                remove(there)


def claim(shop: ShopFolders, card: Card, scan: Path, ticket: Path | None) -> Path:
    """Take a scan (and its ticket and further takes) from the inbox, each by one rename; that of the scan is
    the instant that counts.

    The scan goes last: if we are stopped before, a folder without its scan says so, and all goes back.
    """
    folder = shop.work / card.job
    folder.mkdir()
    try:
        original = folder / ORIGINAL
        original.mkdir()
        write_whole(folder / CARD, card.to_json())
        sync_folder(folder)
        faults.reach("prepared")
        if ticket is not None:
            ticket.rename(original / ticket.name)
            faults.reach("ticket-claimed")
        for take in card.takes:
            (scan.parent / take).rename(original / take)
        scan.rename(original / card.scan)
    except OSError:
        give_back(shop, folder, card)
        raise
    faults.reach("claimed")
    return folder


def give_back(shop: ShopFolders, folder: Path, card: Card) -> None:
    """Undo a claim: what is under `original/` goes back to the inbox, then the folder goes.

    The scan goes first: if we are stopped then, what is left is a claim that was cut off, and is undone.
    """
    home = (shop.inbox / card.came_from).parent
    home.mkdir(parents=True, exist_ok=True)
    original = folder / ORIGINAL
    names = [card.scan, *card.takes, *([card.ticket] if card.ticket else [])]
    for name in names:
        if os.path.lexists(original / name):
            move_without_replacing(original / name, free_name(home, name))
    sync_folder(home)
    remove(folder)


def free_name(folder: Path, name: str) -> Path:
    """`folder/name`, or the first of `name (2)`, `name (3)` … that is free."""
    path = folder / name
    stem, suffix = path.stem, path.suffix
    number = 1
    while os.path.lexists(path):
        number += 1
        tail = f" ({number}){suffix}"
        path = folder / (cut_to_bytes(stem, NAME_BYTES - len(os.fsencode(tail))) + tail)
    return path


def clear_results(folder: Path) -> None:
    """Take away what a failed attempt left: everything but `original/` and the card."""
    with os.scandir(folder) as entries:
        for entry in entries:
            if entry.name not in (ORIGINAL, CARD):
                remove(Path(entry.path))
    faults.reach("cleared")


def seal(folder: Path, card: Card) -> None:
    """Put all results on the disk, then the card that says they are complete. Never the other way round."""
    if card.reason is not None:
        write_whole(folder / REASON, (card.reason + "\n").encode("utf-8", "backslashreplace"))
    sync_tree(folder, skip=CARD)
    faults.reach("synced")
    write_whole(folder / CARD, card.to_json())
    sync_folder(folder)
    faults.reach("sealed")


def deliver(shop: ShopFolders, folder: Path, card: Card) -> Path:
    """Move a sealed folder to where its state belongs, by one rename. Returns its new path."""
    place = shop.place(card.state)
    for name in delivered_names(card):
        target = place / name
        if not os.path.lexists(target):
            break
    else:
        target = free_name(place, name)
    folder.rename(target)
    sync_folder(place)
    sync_folder(folder.parent)
    faults.reach("delivered")
    return target


def delivered_names(card: Card) -> tuple[str, str]:
    """Names of a finished folder: the usual one, and one with the whole job id if that is taken."""
    stem = plain_stem(card.scan, 200)
    return f"{stem}.{short_id(card.job)}", f"{stem}.{card.job}"


def find_delivered(shop: ShopFolders, jobs: Iterable[str]) -> dict[str, tuple[State, Path]]:
    """Where the finished folders of these jobs lie. One pass over the places, however many jobs."""
    wanted = set(jobs)
    tails = {tail for job in wanted for tail in (short_id(job), job)}
    found: dict[str, tuple[State, Path]] = {}
    for state, place in shop.places() if tails else ():
        with os.scandir(place) as entries:
            for entry in entries:
                tail = entry.name.rpartition(".")[2].partition(" (")[0]
                if tail in tails:
                    card = read_card(Path(entry.path))
                    if card is not None and card.job in wanted:
                        found[card.job] = (state, Path(entry.path))
    return found


def short_id(job: str) -> str:
    """The id as finished folders carry it: eight digits, and the running number if there is one."""
    base, dash, again = job.partition("-")
    return base[:8] + dash + again


def plain_stem(name: str, longest: int) -> str:
    """The stem of a file's name, harmless in any terminal and system, at most `longest` bytes of UTF-8."""
    stem = Path(os.fsencode(name).decode("utf-8", "replace")).stem
    kept = "".join("_" if c in '/\\:*?"<>|\ufffd' or unicodedata.category(c)[0] == "C" else c for c in stem)
    return cut_to_bytes(kept, longest).strip(" .") or "scan"


def cut_to_bytes(text: str, longest: int) -> str:
    """The longest beginning of a text that fits into so many bytes of a file's name."""
    while len(os.fsencode(text)) > longest:
        text = text[: min(len(text) - 1, longest)]
    return text


def job_base(scan_digest: str, recipe_digest: str, ticket_digest: str) -> str:
    """The id that the same scan, recipe and ticket always have. 48 bits: a clash gets a running number."""
    return hashlib.sha256(f"{scan_digest}\n{recipe_digest}\n{ticket_digest}".encode()).hexdigest()[:12]
