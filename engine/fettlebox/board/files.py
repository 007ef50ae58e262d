"""A job's files: which of them may be seen, and how they are opened without ever leaving the job's folder."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from ..jobs.folders import ORIGINAL, Card, read_card
from ..traveler.model import MODEL
from ..traveler.pictures import FOLDER as PICTURES
from ..traveler.record import JobRecord
from ..traveler.writing import PAGE, PROVENANCE, TRAVELER, read_traveler

_FOLDER = os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC
_FILE = os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC
MOST_FILES = 2000

TYPES = {
    ".png": "image/png",
    ".json": "application/json",
    ".yaml": "text/plain; charset=utf-8",
    ".txt": "text/plain; charset=utf-8",
    ".html": "text/html; charset=utf-8",
}
"""What a browser may show. Everything else is a stream of bytes to save; no type is guessed."""


@dataclass(frozen=True)
class JobFile:
    """A file that may be handed out. `path` is below the job's folder; `kind` says what it is to a person."""

    path: str
    kind: str
    bytes: int
    sha256: str | None = None


def record_of(folder: Path) -> JobRecord | None:
    """The record in a job's folder, if there is one that can be read."""
    try:
        return read_traveler(folder)
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return None


def files_of_job(folder: Path, record: JobRecord | None = None) -> list[JobFile]:
    """Everything of a finished job that may be handed out: parts, record, pictures, the original."""
    record = record or record_of(folder)
    card = read_card(folder)
    found: list[JobFile] = []
    if record is not None:
        found += [_file(folder, out.path, "part", out.sha256) for out in record.outputs]
        found += [_file(folder, name, "record") for name in (PAGE, TRAVELER, PROVENANCE)]
        found += [_file(folder, path, "picture") for path in record.pictures]
        found.append(_file(folder, f"{PICTURES}/{MODEL}", "view"))
    if card is not None:
        found += [_file(folder, path, "original") for path in _originals(folder, card)]
    there = {file.path: file for file in reversed(found) if file.bytes >= 0}
    return [there[path] for path in dict.fromkeys(file.path for file in found if file.path in there)]


def _originals(folder: Path, card: Card) -> Iterator[str]:
    """The scan as it arrived: a file, or what lies in its folder; its further takes, and its ticket."""
    for name in (card.scan, *card.takes, *([card.ticket] if card.ticket else [])):
        place = folder / ORIGINAL / name
        if place.is_dir() and not place.is_symlink():
            for number, path in enumerate(sorted(place.rglob("*"))):
                if number >= MOST_FILES:
                    return
                yield path.relative_to(folder).as_posix()
        else:
            yield f"{ORIGINAL}/{name}"


def _file(folder: Path, path: str, kind: str, sha256: str | None = None) -> JobFile:
    try:
        with open_inside(folder, path) as handle:
            return JobFile(path, kind, os.fstat(handle).st_size, sha256)
    except (OSError, ValueError):
        return JobFile(path, kind, -1)


@contextmanager
def open_inside(folder: Path, path: str) -> Iterator[int]:
    """A file below a folder, for reading. Every name on the way is opened in the folder before it, and no
    link is followed, so there is no way out, even if somebody changes the folders meanwhile.

    Raises ValueError for a path that is none, OSError for what is not there or no plain file.
    """
    parts = path.split("/")
    if not path or "\0" in path or any(part in ("", ".", "..") for part in parts):
        raise ValueError(f"{path!r} is no path below a folder")
    here = os.open(folder, _FOLDER)
    try:
        for part in parts[:-1]:
            there = os.open(part, _FOLDER, dir_fd=here)
            os.close(here)
            here = there
        handle = os.open(parts[-1], _FILE, dir_fd=here)
    finally:
        os.close(here)
    try:
        if not stat.S_ISREG(os.fstat(handle).st_mode):
            raise FileNotFoundError(f"{path!r} is no plain file")
        yield handle
    finally:
        os.close(handle)


def read_inside(folder: Path, path: str, most: int) -> bytes:
    """All bytes of a file below a folder. Raises ValueError if there are more than `most`, and as above."""
    with open_inside(folder, path) as handle:
        if os.fstat(handle).st_size > most:
            raise ValueError(f"{path!r} is larger than {most} bytes")
        with os.fdopen(os.dup(handle), "rb") as file:
            return file.read(most + 1)[:most]


def media_type(path: str) -> str:
    return TYPES.get(PurePosixPath(path).suffix.lower(), "application/octet-stream")
