"""The inbox: a scan that has settled becomes a job. Looking is the truth; file system events only hint.

Time is an argument of `look`. Nothing here sleeps, and nothing here trusts a clock to go forward.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import stat
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

from .errors import FettleboxError
from .jobs.atomic import is_no_room
from .jobs.digest import NotAScan, Signature, digest, joined, signature
from .jobs.folders import ORIGINAL, Card, job_base
from .jobs.journal import utc_now
from .jobs.rules import Rules
from .jobs.siblings import TAKES_TICKET, Siblings, TakeLists, still_coming
from .jobs.store import Store
from .recipe import TICKET_SUFFIX

PARTIAL_ENDINGS = (".part", ".partial", ".filepart", ".crdownload", ".download", ".tmp", ".temp", ".swp", "~")
PARTIAL_BEGINNINGS = (".", "~")
LARGEST_TICKET_BYTES = 64_000

# One look claims so much and no more, then the server sees to its workers before it looks again.
MOST_CLAIMS = 200
MOST_BYTES = 1_000_000_000
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
    """

    path: Path
    recipe: str | None
    scans: dict[str, Signature] = field(default_factory=dict)
    tickets: dict[str, Signature] = field(default_factory=dict)
    take_tickets: dict[Path, Signature] = field(default_factory=dict)
    partial: list[str] = field(default_factory=list)
    siblings: dict[str, Siblings] = field(default_factory=dict)
    coming: set[str] = field(default_factory=set)

    def together(self, name: str) -> tuple[str, ...]:
        """The scans that become one job with this one."""
        return self.siblings[name].scans if name in self.siblings else (name,)

    def ticket_of(self, name: str) -> str | None:
        return self.siblings[name].ticket if name in self.siblings else ticket_of(name, self.tickets)


@dataclass(frozen=True)
class Choice:
    """The recipe that a scan gets, or the sentence why it cannot have one."""

    recipe: str
    text: str | None
    order: str | None = None
    refusal: str | None = None


class Intake:
    """Watches one inbox. `rules` may be replaced between looks."""

    def __init__(self, store: Store, rules: Rules) -> None:
        self.store = store
        self.rules = rules
        self._seen: dict[Path, _Seen] = {}
        self._told: dict[Path, str] = {}
        self._stuck: dict[Path, Signature] = {}
        self._take_lists = TakeLists()

    def look(self, now: float) -> Look:
        """One pass over the inbox; `now` in seconds, from any clock. Raises OSError if the disk is full."""
        folders, notes, crowded = self._survey()
        settled, settling = self._settle(folders, now)
        claimed: list[str] = []
        claimed_bytes = 0
        left = len(settled)
        sources: set[Path] = set()
        full: OSError | None = None
        with self.store.spool.transaction():
            for folder, name in settled:
                if len(claimed) >= MOST_CLAIMS or claimed_bytes >= MOST_BYTES:
                    break
                left -= 1
                claimed_bytes += sum(folder.scans[each].size for each in folder.together(name))
                try:
                    job = self._claim(folder, name)
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
                is_ticket = entry.name.endswith(TICKET_SUFFIX) and entry.is_file(follow_symlinks=False)
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

    def _note(self, folder: _Folder, name: str) -> None:
        """Keep what takes of one subject need to find each other; a bounded number."""
        if name.endswith(TAKES_TICKET) and len(folder.take_tickets) < MOST_SEEN:
            path = folder.path / name
            with contextlib.suppress(OSError, NotAScan):
                folder.take_tickets[path] = signature(path)
        elif not name.endswith(TICKET_SUFFIX) and len(folder.partial) < MOST_SEEN:
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

    def _claim(self, folder: _Folder, name: str) -> str | None:
        """Make a job of a settled scan. None if it changed under our hands and must settle again."""
        scan, together = folder.path / name, folder.together(name)
        before = [folder.scans[each] for each in together]
        ticket_name = folder.ticket_of(name)
        ticket = None if ticket_name is None else folder.path / ticket_name
        scan_digest = joined(together, [digest(folder.path / each) for each in together])
        ticket_digest = "-" if ticket is None else digest(ticket)
        if _signatures(scan, together) != before:
            return None
        choice = choose_recipe(self.rules, folder.recipe, ticket)
        recipe_digest = hashlib.sha256((choice.text or choice.recipe).encode()).hexdigest()
        card = Card(
            job=self._new_id(job_base(scan_digest, recipe_digest, ticket_digest)),
            scan=name,
            came_from=str(scan.relative_to(self.store.shop.inbox)),
            digest=scan_digest,
            recipe=choice.recipe,
            recipe_text=choice.text,
            ticket=ticket_name,
            order=choice.order,
            arrived=utc_now(),
            takes=together[1:],
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


def choose_recipe(rules: Rules, folder_recipe: str | None, ticket: Path | None) -> Choice:
    """The ticket's recipe wins, then that of the folder the scan arrived in, then the shop's."""
    name, order = folder_recipe or rules.default_recipe, None
    if ticket is not None:
        from .recipe import load_ticket

        if ticket.stat().st_size > LARGEST_TICKET_BYTES:
            refusal = f"its ticket is larger than {LARGEST_TICKET_BYTES} bytes; expected a few lines"
            return Choice(name or "?", None, refusal=refusal)
        try:
            read = load_ticket(ticket, ticket.name)
        except FettleboxError as error:
            return Choice(name or "?", None, refusal=f"its ticket cannot be used: {error}")
        name, order = read.recipe or name, read.order
    if name is None:
        refusal = "nothing says which recipe to run: no ticket names one and the shop has no default"
        return Choice("?", None, order, refusal)
    try:
        return Choice(name, rules.recipe_text(name), order)
    except FettleboxError as error:
        return Choice(name, None, order, str(error))


def choose_again(rules: Rules, card: Card, folder: Path) -> Choice:
    """The choice for a job that was claimed before, with the recipes of today."""
    parent = Path(card.came_from).parent.name
    ticket = None if card.ticket is None else folder / ORIGINAL / card.ticket
    return choose_recipe(rules, parent or None, ticket)


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


def ticket_names(scan: str) -> tuple[str, str]:
    """What a scan's ticket may be called: `bust.stl.ticket.yaml`, else `bust.ticket.yaml`."""
    return scan + TICKET_SUFFIX, Path(scan).stem + TICKET_SUFFIX


def ticket_of(scan: str, tickets: dict[str, Signature]) -> str | None:
    """The name of a scan's ticket, if it is there."""
    return next((name for name in ticket_names(scan) if name in tickets), None)


def watch_for_hints(inbox: Path, hint: Callable[[], None]) -> Callable[[], None]:
    """Call `hint` whenever something happens in the inbox; returns a function that stops it.

    Raises OSError if the system has no watches left; looking now and then is then all there is.
    """
    from watchdog.events import FileSystemEvent, FileSystemEventHandler
    from watchdog.observers import Observer

    class Hints(FileSystemEventHandler):
        def on_any_event(self, event: FileSystemEvent) -> None:
            if event.event_type not in ("opened", "closed_no_write"):
                hint()

    observer = Observer()
    observer.schedule(Hints(), str(inbox), recursive=True)
    observer.start()

    def stop() -> None:
        observer.stop()
        observer.join()

    return stop
