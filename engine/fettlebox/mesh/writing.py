"""Write a part: whole or not at all, and the same part always as the same bytes.

write_part(part, Path("outbox/bust.3mf"), {"Title": "Bust", "Application": "Fettlebox"})
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Callable, Mapping
from contextlib import suppress
from importlib import import_module
from pathlib import Path
from typing import cast

from ..errors import UsageError
from .part import Part

_MODULES = {".stl": "stl", ".3mf": "threemf_write", ".ply": "ply", ".glb": "gltf_write"}
WRITABLE: tuple[str, ...] = tuple(_MODULES)
SEVERAL: tuple[str, ...] = (".3mf",)
"""Of these, the formats of which one file holds several parts."""

LONGEST_TEXT = 1000
"""Characters kept of a text that goes into a file: long enough for a description."""
MOST_TEXTS = 50


def write_part(part: Part, path: Path, about: Mapping[str, str] | None = None) -> None:
    """Write `part` to `path` in the format of its suffix: `.stl`, `.3mf`, `.ply` or `.glb`.

    `about` are texts that go with it where the format has a place for them; names such as Title,
    Designer, Description and Application are standard ones. They may come from a stranger: they are
    stripped of control characters, cut to `LONGEST_TEXT`, and escaped.

    The file appears by one rename, with its bytes already on disk; if anything fails, nothing is left
    and what stood at `path` is untouched. Raises UsageError for another suffix, ValueError for a part
    without triangles, OSError if the disk fails.
    """
    suffix = path.suffix.lower()
    if suffix not in _MODULES:
        raise UsageError(f"{path.name}: cannot write {suffix or 'a name without a suffix'!r}; "
                         f"expected one of {', '.join(WRITABLE)}")  # fmt: skip
    if not len(part.faces):
        raise ValueError("a part without triangles cannot be written")
    module = import_module(f".formats.{_MODULES[suffix]}", __package__)
    encode = cast(Callable[[Part, dict[str, str]], bytes], module.write)
    put_in_place(path, encode(part, tame(about or {})))


def write_parts_together(
    parts: Mapping[str, Part], path: Path, about: Mapping[str, str] | None = None
) -> None:
    """Write parts, by name, side by side into one file of a format in SEVERAL; else as `write_part`."""
    suffix = path.suffix.lower()
    if suffix not in SEVERAL:
        raise UsageError(f"{path.name}: {suffix} holds one part; expected one of {', '.join(SEVERAL)}")
    if not parts or not all(len(part.faces) for part in parts.values()):
        raise ValueError("a part without triangles cannot be written")
    module = import_module(f".formats.{_MODULES[suffix]}", __package__)
    encode = cast(Callable[[Mapping[str, Part], dict[str, str]], bytes], module.write_several)
    names = tame({str(k): name for k, name in enumerate(parts)})
    named = {names[str(k)]: part for k, part in enumerate(parts.values())}
    put_in_place(path, encode(named, tame(about or {})))


def tame(about: Mapping[str, str]) -> dict[str, str]:
    """Texts made fit for any format: one line each, printable, bounded in length and number."""
    texts = {}
    for key, text in list(about.items())[:MOST_TEXTS]:
        texts[_printable(key, 64)] = _printable(text, LONGEST_TEXT)
    return texts


def _printable(text: str, longest: int) -> str:
    return "".join(c if c.isprintable() else " " for c in str(text)[:longest]).strip()


def put_in_place(path: Path, content: bytes) -> None:
    """Write beside `path` under a name that nothing watches for, flush to disk, then rename."""
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name[:100]}.", suffix=".part")
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(content)
            stream.flush()
            os.fsync(stream.fileno())
        Path(name).chmod(0o666 & ~_umask())  # mkstemp's own mode would keep the shop from reading it
        Path(name).replace(path)
    except BaseException:
        with suppress(OSError):
            Path(name).unlink()
        raise
    _settle(path.parent)


def _settle(folder: Path) -> None:
    """Make the rename itself survive a power cut, where the system lets a folder be flushed."""
    with suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
