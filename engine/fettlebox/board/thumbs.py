"""Small pictures for lists, made from the pictures of a job and kept in memory only."""

from __future__ import annotations

import io
import threading
from collections import OrderedDict
from pathlib import Path

from ..traveler.pictures import FOLDER
from .files import read_inside

NAMES = ("before-after.png", "part.png", "patches.png", "scan.png")
"""Whichever is there first."""

MOST_BYTES = 16 << 20
MOST_PIXELS = 40_000_000
SIZE = (320, 200)
MOST_KEPT = 400


def has_picture(folder: Path) -> bool:
    """Whether there is one to make a thumbnail of."""
    return any((folder / FOLDER / name).is_file() for name in NAMES)


class Thumbs:
    """Thumbnails by job and end; the least recently asked for are forgotten."""

    def __init__(self) -> None:
        self._kept: OrderedDict[tuple[str, str], bytes] = OrderedDict()
        self._lock = threading.Lock()

    def of(self, job: str, ended: str, folder: Path) -> bytes | None:
        """A PNG, or None if the job has no picture that can be shown."""
        key = (job, ended)
        with self._lock:
            if key in self._kept:
                self._kept.move_to_end(key)
                return self._kept[key] or None
        made = next((made for name in NAMES if (made := _small(folder, f"{FOLDER}/{name}"))), b"")
        with self._lock:
            self._kept[key] = made
            while len(self._kept) > MOST_KEPT:
                self._kept.popitem(last=False)
        return made or None


def _small(folder: Path, path: str) -> bytes | None:
    from PIL import Image

    try:
        data = read_inside(folder, path, MOST_BYTES)
        with Image.open(io.BytesIO(data), formats=("PNG",)) as picture:
            if picture.width * picture.height > MOST_PIXELS:
                return None
            small = picture.convert("RGB")
        small.thumbnail(SIZE)
        out = io.BytesIO()
        small.save(out, "PNG", optimize=False)
    except (OSError, ValueError, SyntaxError):
        return None
    return out.getvalue()
