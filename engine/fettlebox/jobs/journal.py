"""The server's log: one JSON object a line, safe to show in any terminal.

It tells what happened to which job and when. It never holds what is in a scan or a ticket.
"""

from __future__ import annotations

import contextlib
import json
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

LARGEST_BYTES = 10_000_000  # then the file becomes `log.1`, and the `log.1` before it goes


def utc_now() -> str:
    """The time as RFC 3339, UTC, to the millisecond."""
    return datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


class Journal:
    """Appends to `.fettlebox/log`. A log that cannot be written never stops the server."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def write(self, kind: str, fields: Mapping[str, Any]) -> None:
        """One line. Text is escaped to ASCII, so no byte of it can steer a terminal."""
        line = json.dumps({"time": utc_now(), "event": kind, **fields}, ensure_ascii=True, default=str)
        with contextlib.suppress(OSError):
            if self.path.exists() and self.path.stat().st_size > LARGEST_BYTES:
                self.path.replace(self.path.with_name(f"{self.path.name}.1"))
            with self.path.open("a", encoding="ascii") as file:
                file.write(line.replace("\x7f", "\\u007f") + "\n")
