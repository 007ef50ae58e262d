"""What a scan is, in numbers: whether it still changes, and the SHA-256 of its bytes.

The inbox is hostile. Nothing is followed that could be a link, nothing is opened that could block.
"""

from __future__ import annotations

import errno
import hashlib
import os
import stat
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

CHUNK = 1 << 20
MOST_FILES = 4096  # in a folder that is one scan: meshes come with tens of textures, not with thousands
DEEPEST = 8


class NotAScan(Exception):  # noqa: N818 - it names a finding, which is a sentence
    """Something in the inbox that is left alone; the text says why."""


@dataclass(frozen=True)
class Signature:
    """Equal as long as nothing was written: how many files, how many bytes, the newest change."""

    files: int
    size: int
    changed_ns: int
    inode: int


def signature(path: Path, found: os.stat_result | None = None) -> Signature:
    """Raises NotAScan for what is neither a file nor a folder of files, OSError if it cannot be looked at."""
    found = found or os.lstat(path)
    if stat.S_ISREG(found.st_mode):
        return Signature(1, found.st_size, found.st_mtime_ns, found.st_ino)
    if not stat.S_ISDIR(found.st_mode):
        raise NotAScan(f"is {kind_of(found.st_mode)}, not a file or folder")
    files, size, newest = 0, 0, found.st_mtime_ns
    for inner, details in _walk(path):
        if stat.S_ISREG(details.st_mode):
            files += 1
            size += details.st_size
        elif not stat.S_ISDIR(details.st_mode):
            raise NotAScan(f"holds {kind_of(details.st_mode)} ({inner.name!r}), not only files and folders")
        newest = max(newest, details.st_mtime_ns)
        if files > MOST_FILES:
            raise NotAScan(f"holds more than {MOST_FILES} files; expected one scan with its textures")
    return Signature(files, size, newest, found.st_ino)


def seen_of(signatures: Sequence[Signature]) -> tuple[tuple[int, int, int], ...]:
    """What of signatures is worth keeping: a rename changes none of it."""
    return tuple((found.files, found.size, found.changed_ns) for found in signatures)


def _walk(folder: Path, depth: int = 0) -> Iterator[tuple[Path, os.stat_result]]:
    if depth > DEEPEST:
        raise NotAScan(f"is more than {DEEPEST} folders deep; expected one scan with its textures")
    with os.scandir(folder) as entries:
        for entry in entries:
            details = entry.stat(follow_symlinks=False)
            yield Path(entry.path), details
            if stat.S_ISDIR(details.st_mode):
                yield from _walk(Path(entry.path), depth + 1)


def kind_of(mode: int) -> str:
    """What a thing is, in words."""
    kinds = {
        stat.S_IFLNK: "a link",
        stat.S_IFIFO: "a pipe",
        stat.S_IFSOCK: "a socket",
        stat.S_IFBLK: "a device",
        stat.S_IFCHR: "a device",
    }
    return kinds.get(stat.S_IFMT(mode), "something unknown")


def digest(path: Path) -> str:
    """SHA-256 of a file; of a folder, that of its files' sorted relative names and digests."""
    if not stat.S_ISDIR(os.lstat(path).st_mode):
        return _file_digest(path)
    sha = hashlib.sha256()
    files = [inner for inner, details in _walk(path) if stat.S_ISREG(details.st_mode)]
    for inner in sorted(files):
        name = os.fsencode(inner.relative_to(path).as_posix())
        sha.update(name + b"\0" + _file_digest(inner).encode() + b"\n")
    return sha.hexdigest()


def joined(names: Sequence[str], digests: Sequence[str]) -> str:
    """The digest of one scan; of several takes, that of their names and digests in their order."""
    if len(digests) == 1:
        return digests[0]
    lines = (
        os.fsencode(name) + b"\0" + each.encode() + b"\n" for name, each in zip(names, digests, strict=True)
    )
    return hashlib.sha256(b"".join(lines)).hexdigest()


def _file_digest(path: Path) -> str:
    # A pipe put in the file's place after we looked would block an ordinary open for ever.
    handle = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
    with os.fdopen(handle, "rb", buffering=0) as file:
        if not stat.S_ISREG(os.fstat(handle).st_mode):
            raise OSError(errno.EINVAL, "not a file any more", str(path))
        sha = hashlib.sha256()
        while chunk := file.read(CHUNK):
            sha.update(chunk)
    return sha.hexdigest()
