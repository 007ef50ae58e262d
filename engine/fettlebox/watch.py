"""The inbox: a scan that has settled becomes a job. Looking is the truth; file system events only hint.

Time is an argument of `look`. Nothing here sleeps, and nothing here trusts a clock to go forward.
"""

from __future__ import annotations

import contextlib
import os
import stat
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

from .choosing import (
    almost_a_recipe,
    choose_recipe,
    done_before,
)
from .jobs.atomic import is_no_room
from .jobs.digest import NotAScan, Signature, digest, joined, seen_of, signature
from .jobs.folders import Card, job_base
from .jobs.journal import utc_now
from .jobs.rules import Rules
from .jobs.siblings import TAKES_TICKET, Siblings, TakeLists, still_coming
from .jobs.store import Store
from .jobs.tickets import TICKET_ENDINGS, lone_ticket, ticket_inside, ticket_names, ticket_of

PARTIAL_ENDINGS = (".part", ".partial", ".filepart", ".crdownload", ".download", ".tmp", ".temp", ".swp", "~")
PARTIAL_BEGINNINGS = (".", "~")

# One look claims so much and no more, then the server sees to its workers before it looks again.
MOST_CLAIMS = 200
MOST_BYTES = 1_000_000_000
LONELY_S = 60.0  # a ticket may come before its scan; after this it is odd
MOST_SEEN = 1000  # scans watched at a time; the rest of a backlog costs no memory and waits its turn


@dataclass(frozen=True)
class Look:
    """What one look at the inbox found.

    claimed     ids of the jobs it made
    settling    how many scans may still be being written
    more        there is work for another look at once
    notes       (name, sentence) of what is left alone, each told once
    """

    claimed: tuple[str, ...] = ()
    settling: int = 0
    more: bool = False
    notes: tuple[tuple[str, str], ...] = ()


@dataclass
class _Seen:
    signature: Signature
    since: float


@dataclass
class _Folder:
    """One folder of arrivals: the inbox, or the folder of one recipe in it.

    siblings  of each scan that is a take among others
    coming    scans whose siblings are still being written
    lone_tickets  names of tickets, of which those of scans are taken out again
    """

    path: Path
    recipe: str | None
    scans: dict[str, Signature] = field(default_factory=dict)
    tickets: dict[str, Signature] = field(default_factory=dict)
    lone_tickets: list[str] = field(default_factory=list)
    take_tickets: dict[Path, Signature] = field(default_factory=dict)
    partial: list[str] = field(default_factory=list)
    siblings: dict[str, Siblings] = field(default_factory=dict)
    coming: set[str] = field(default_factory=set)

    def together(self, name: str) -> tuple[str, ...]:
        """The scans that become one job with this one."""
        return self.siblings[name].scans if name in self.siblings else (name,)

    def ticket_of(self, name: str) -> str | None:
        return self.siblings[name].ticket if name in self.siblings else ticket_of(name, self.tickets)


class Intake:
    """Watches one inbox. `rules` may be replaced between looks."""

    def __init__(self, store: Store, rules: Rules) -> None:
        self.store = store
        self.rules = rules
        self._seen: dict[Path, _Seen] = {}
        self._told: dict[Path, str] = {}
        self._lone: dict[Path, float] = {}
        self._stuck: dict[Path, Signature] = {}
        self._take_lists = TakeLists()

    def look(self, now: float) -> Look:
        """One pass over the inbox; `now` in seconds, from any clock. Raises OSError if the disk is full."""
        folders, notes, crowded = self._survey()
        if not crowded:  # else the scan of a ticket may be one that is not watched yet
            self._look_for_lone_tickets(folders, now, notes)
        settled, settling = self._settle(folders, now)
        claimed: list[str] = []
        claimed_bytes = 0
        left = len(settled)
        sources: set[Path] = set()
        full: OSError | None = None
        arrived = utc_now()  # one for all: a large scan, long to read, did not come before the next
        with self.store.spool.transaction():
            for folder, name in settled:
                if len(claimed) >= MOST_CLAIMS or claimed_bytes >= MOST_BYTES:
                    break
                left -= 1
                claimed_bytes += sum(folder.scans[each].size for each in folder.together(name))
                try:
                    job = self._claim(folder, name, arrived)
                except FileNotFoundError:
                    continue  # taken away again while we looked
                except NotAScan as error:
                    self._tell(folder.path / name, str(error), notes)
                except OSError as error:
                    if is_no_room(error):
                        full = error
                        break  # what was claimed before is claimed: the spool must say so
                    self._tell(folder.path / name, f"cannot be taken in: {error.strerror}", notes)
                    if not isinstance(error, PermissionError):  # a person may give us the right any time
                        self._stuck[folder.path / name] = folder.scans[name]
                else:
                    claimed += [job] if job else []
                    settling += 0 if job else 1
                    sources.add(folder.path)
            self.store.sync_claims(sources)
        if full is not None:
            raise full
        return Look(tuple(claimed), settling, left > 0 or (crowded and bool(claimed)), tuple(notes))

    def _survey(self) -> tuple[list[_Folder], list[tuple[str, str]], bool]:
        """What to watch in the inbox, by folder; what to tell; whether there is more than is watched."""
        notes: list[tuple[str, str]] = []
        folders = [_Folder(self.store.shop.inbox, None)]
        room, crowded = MOST_SEEN, False
        for folder in folders:
            for entry in _entries(folder.path):
                is_ticket = entry.name.endswith(TICKET_ENDINGS) and entry.is_file(follow_symlinks=False)
                if is_ticket or is_partial(entry.name):
                    self._note(folder, entry.name)
                    continue  # any other ticket is looked up when its scan is there
                path = Path(entry.path)
                is_folder = entry.is_dir(follow_symlinks=False)
                if is_folder and folder.recipe is None and entry.name in self.rules.recipes:
                    folders.append(_Folder(path, entry.name))
                elif not room:
                    crowded = True
                else:
                    room -= self._add(folder, entry, path, notes)
        self._group(folders, notes)
        self._told = {path: reason for path, reason in self._told.items() if os.path.lexists(path)}
        self._stuck = {path: found for path, found in self._stuck.items() if os.path.lexists(path)}
        return folders, notes, crowded

    def _look_for_lone_tickets(
        self, folders: list[_Folder], now: float, notes: list[tuple[str, str]]
    ) -> None:
        """Tell of tickets that have waited long for a scan: its name or theirs may be misspelt."""
        lone: dict[Path, float] = {}
        for folder in folders:
            for name in folder.lone_tickets:
                if name in folder.tickets:
                    continue
                path = folder.path / name
                lone[path] = min(self._lone.get(path, now), now)
                if now - lone[path] >= max(LONELY_S, 10 * self.rules.settle_s):
                    self._tell(path, lone_ticket(name, folder.scans), notes)
        self._lone = lone

    def _note(self, folder: _Folder, name: str) -> None:
        """Keep what takes of one subject need to find each other, and tickets; a bounded number."""
        if name.endswith(TICKET_ENDINGS) and len(folder.lone_tickets) < MOST_SEEN:
            folder.lone_tickets.append(name)
        if name.endswith(TAKES_TICKET) and len(folder.take_tickets) < MOST_SEEN:
            path = folder.path / name
            with contextlib.suppress(OSError, NotAScan):
                folder.take_tickets[path] = signature(path)
        elif not name.endswith(TICKET_ENDINGS) and len(folder.partial) < MOST_SEEN:
            folder.partial.append(name)

    def _group(self, folders: list[_Folder], notes: list[tuple[str, str]]) -> None:
        """Find the scans that tickets list as takes; one that two tickets list goes with the first."""
        by_folder = {folder.path: folder for folder in folders}
        found = {path: seen for folder in folders for path, seen in folder.take_tickets.items()}
        for path, takes in self._take_lists.look(found).items():
            folder = by_folder[path.parent]
            for take in takes:
                if take not in folder.scans and not is_partial(take):  # it may lie beyond what is watched
                    self._add_take(folder, take, notes)
            here = tuple(take for take in takes if take in folder.scans and take not in folder.siblings)
            if here:
                folder.tickets[path.name] = found[path]
                folder.siblings.update(dict.fromkeys(here, Siblings(path.name, here)))
                if still_coming(takes, folder.scans, folder.partial):
                    folder.coming.update(here)

    def _add_take(self, folder: _Folder, take: str, notes: list[tuple[str, str]]) -> None:
        path = folder.path / take
        try:
            seen = signature(path)
            if self._stuck.get(path) != seen and not holds_partial(path, os.lstat(path)):
                folder.scans[take] = seen
        except NotAScan as error:
            self._tell(path, str(error), notes)
        except OSError:
            return  # not there; whoever works on the others says so

    def _add(
        self, folder: _Folder, entry: os.DirEntry[str], path: Path, notes: list[tuple[str, str]]
    ) -> bool:
        """Watch one scan and its ticket. False if it is left alone."""
        try:
            details = entry.stat(follow_symlinks=False)
            if holds_partial(path, details):
                return False
            found = signature(path, details)
        except FileNotFoundError:
            return False
        except NotAScan as error:
            self._tell(path, str(error), notes)
            return False
        except PermissionError as error:
            self._tell(path, f"cannot be looked at: {error.strerror}", notes)
            return False
        if self._stuck.get(path) == found:
            return False
        folder.scans[entry.name] = found
        for name in ticket_names(entry.name):
            with contextlib.suppress(OSError, NotAScan):  # no such ticket, or a name too long for one
                details = os.lstat(folder.path / name)
                if stat.S_ISREG(details.st_mode):
                    folder.tickets[name] = signature(folder.path / name, details)
        return True

    def _tell(self, path: Path, reason: str, notes: list[tuple[str, str]]) -> None:
        if self._told.get(path) != reason:
            self._told[path] = reason
            notes.append((path.name, f"{reason}; it is left alone in the inbox"))

    def _settle(self, folders: list[_Folder], now: float) -> tuple[list[tuple[_Folder, str]], int]:
        """Which scans have not changed for long enough, oldest first; how many have not yet."""
        seen: dict[Path, _Seen] = {}
        settled: list[tuple[int, _Folder, str]] = []
        settling = 0
        for folder in folders:
            quiet = set()
            for name, found in (*folder.tickets.items(), *folder.scans.items()):
                path = folder.path / name
                before = self._seen.get(path)
                if before is None or before.signature != found or now < before.since:
                    before = _Seen(found, now)  # new, changed, or the clock was put back
                seen[path] = before
                if now - before.since >= self.rules.settle_s:
                    quiet.add(name)
            for name, found in folder.scans.items():
                ticket, together = folder.ticket_of(name), folder.together(name)
                if name != together[0]:
                    continue  # comes with the first of its siblings
                is_quiet = quiet.issuperset(together) and name not in folder.coming
                if is_quiet and (ticket is None or ticket in quiet):
                    settled.append((found.changed_ns, folder, name))
                else:
                    settling += len(together)
        self._seen = seen
        settled.sort(key=lambda item: (item[0], item[2]))
        return [(folder, name) for _, folder, name in settled], settling

    def _claim(self, folder: _Folder, name: str, arrived: str) -> str | None:
        """Make a job of a settled scan. None if it changed under our hands and must settle again."""
        scan, together = folder.path / name, folder.together(name)
        before = [folder.scans[each] for each in together]
        ticket_name = folder.ticket_of(name)
        ticket = None if ticket_name is None else folder.path / ticket_name
        scan_digest = joined(together, [digest(folder.path / each) for each in together])
        inside = ticket_inside(scan) if ticket is None and scan.is_dir() else None
        read_from = ticket if inside is None else scan.parent / inside
        ticket_digest = "-" if ticket is None else digest(ticket)  # one inside is part of the scan's digest
        if _signatures(scan, together) != before:
            return None
        choice = choose_recipe(self.rules, folder.recipe, read_from)
        base = job_base(scan_digest, self.rules.recipe_digest(choice.recipe, choice.text), ticket_digest)
        refusal = None
        if scan.is_dir() and read_from is None and folder.recipe is None:
            refusal = almost_a_recipe(name, self.rules.recipes)
        if refusal is None and (choice.again or self.rules.again) == "skip":
            first = self.store.spool.standing(base)
            refusal = None if first is None else done_before(first)
        card = Card(
            job=self._new_id(base),
            scan=name,
            came_from=str(scan.relative_to(self.store.shop.inbox)),
            digest=scan_digest,
            recipe=choice.recipe,
            recipe_text=choice.text,
            ticket=ticket_name or inside,
            order=choice.order,
            arrived=arrived,
            takes=together[1:],
            refusal=refusal,
            seen=seen_of(before),
        )
        if not self.store.accept(card, scan, ticket, lambda moved: _signatures(moved, together) == before):
            return None
        folder.tickets.pop(ticket_name or "", None)
        return card.job

    def _new_id(self, base: str) -> str:
        job = self.store.spool.next_id(base)
        while (self.store.shop.work / job).exists():
            _, _, number = job.partition("-")
            job = f"{base}-{int(number or 1) + 1}"
        return job


def _signatures(scan: Path, together: tuple[str, ...]) -> list[Signature]:
    return [signature(scan.with_name(name)) for name in together]


def _entries(folder: Path) -> Iterator[os.DirEntry[str]]:
    with contextlib.suppress(FileNotFoundError, PermissionError), os.scandir(folder) as entries:
        yield from entries


def is_partial(name: str) -> bool:
    """Names that uploads and editors give to what is not complete, and hidden names."""
    return name.startswith(PARTIAL_BEGINNINGS) or name.lower().endswith(PARTIAL_ENDINGS)


def holds_partial(path: Path, details: os.stat_result) -> bool:
    """Is this a folder that is empty, or in which something is still being uploaded?"""
    if not stat.S_ISDIR(details.st_mode):
        return False
    names = os.listdir(path)  # noqa: PTH208 - names, not paths
    return not names or any(name.lower().endswith(PARTIAL_ENDINGS) for name in names)


@contextlib.contextmanager
def hints(inbox: Path, hint: Callable[[], None]) -> Iterator[OSError | None]:
    """While inside, call `hint` whenever something happens in the inbox. Gives the error if the system has no
    watches left; looking now and then is then all there is.
    """
    from watchdog.events import FileSystemEvent, FileSystemEventHandler
    from watchdog.observers import Observer

    class Hints(FileSystemEventHandler):
        def on_any_event(self, event: FileSystemEvent) -> None:
            if event.event_type not in ("opened", "closed_no_write"):
                hint()

    observer = Observer()
    try:
        observer.schedule(Hints(), str(inbox), recursive=True)
        observer.start()
    except OSError as error:
        yield error
        return
    try:
        yield None
    finally:
        observer.stop()
        observer.join()
