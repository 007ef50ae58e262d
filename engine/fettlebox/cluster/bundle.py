"""Files as one piece of bytes that says of each file how long it is and what its SHA-256 is.

    MAGIC, length of the header as 8 bytes, header as JSON, then the files' bytes one after the other

A bundle is checked as a whole before the first file is written, and writes nowhere but below its folder.
"""

from __future__ import annotations

import hashlib
import json
import os
import stat
from collections.abc import Collection, Iterator, Mapping
from pathlib import Path
from typing import Any

from ..jobs.digest import kind_of

MAGIC = b"fettlebox bundle 1\n"
LENGTH_BYTES = 8


class TornError(ValueError):
    """A bundle that is not what was packed; the text says what is wrong."""


class NotBundledError(ValueError):
    """Something that is neither file nor folder."""


def pack(places: Mapping[str, Path], leave_out: Collection[str] = ()) -> bytes:
    """Everything below each place, under the place's name ("" for none); `leave_out` are whole names at the
    top of a place. Always the same bytes for the same files. Raises NotBundledError, OSError.
    """
    files: list[tuple[str, int, str]] = []
    folders: list[str] = []
    contents: list[bytes] = []
    for prefix, place in sorted(places.items()):
        for name, path in _walk(place, leave_out):
            whole = f"{prefix}/{name}" if prefix else name
            if path is None:
                folders.append(whole)
                continue
            data = path.read_bytes()
            files.append((whole, len(data), hashlib.sha256(data).hexdigest()))
            contents.append(data)
    header = json.dumps({"files": files, "folders": folders}).encode("ascii")
    return b"".join([MAGIC, len(header).to_bytes(LENGTH_BYTES, "big"), header, *contents])


def _walk(
    folder: Path, leave_out: Collection[str] = (), below: str = ""
) -> Iterator[tuple[str, Path | None]]:
    with os.scandir(folder) as entries:
        found = sorted(entries, key=lambda entry: entry.name)
    for entry in found:
        name = below + entry.name
        if name in leave_out:
            continue
        mode = entry.stat(follow_symlinks=False).st_mode
        if stat.S_ISDIR(mode):
            yield name, None
            yield from _walk(Path(entry.path), (), f"{name}/")
        elif stat.S_ISREG(mode):
            yield name, Path(entry.path)
        else:
            raise NotBundledError(f"{name!r} is {kind_of(mode)}, and only files and folders are sent")


def unpack(bundle: bytes, folder: Path, refused: Collection[str] = ()) -> None:
    """Write a bundle's files into a folder where none of them is yet; `refused` are names at the top that
    are nobody's to send. Raises TornError before anything is written, OSError.
    """
    header, start = _header(bundle)
    folders = [_checked(name, refused) for name in header["folders"]]
    view, spans = memoryview(bundle), []
    for name, size, digest in header["files"]:
        if not isinstance(size, int) or size < 0 or start + size > len(bundle):
            raise TornError(f"{name!r} is cut off")
        piece = view[start : start + size]
        if hashlib.sha256(piece).hexdigest() != digest:
            raise TornError(f"{name!r} has another SHA-256 than was told")
        spans.append((_checked(name, refused), piece))
        start += size
    if start != len(bundle):
        raise TornError(f"{len(bundle) - start} bytes belong to no file")
    for name in folders:
        (folder / name).mkdir(parents=True, exist_ok=True)
    for name, piece in spans:
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        with path.open("xb") as file:
            file.write(piece)


def _header(bundle: bytes) -> tuple[dict[str, Any], int]:
    head = len(MAGIC) + LENGTH_BYTES
    if not bundle.startswith(MAGIC) or len(bundle) < head:
        raise TornError("the bytes are no bundle")
    end = head + int.from_bytes(bundle[len(MAGIC) : head], "big")
    try:
        header = json.loads(bundle[head:end])
        if end <= len(bundle) and all(len(one) == 3 for one in header["files"]) and header.keys() == KEYS:
            return header, end
    except (ValueError, TypeError, KeyError, AttributeError):
        pass
    raise TornError("the header cannot be read")


KEYS = {"files", "folders"}


def _checked(name: Any, refused: Collection[str]) -> str:
    parts = name.split("/") if isinstance(name, str) else [""]
    if any(part in ("", ".", "..") or "\0" in part for part in parts) or parts[0] in refused:
        raise TornError(f"a file may not be called {name!r}")
    return str(name)
