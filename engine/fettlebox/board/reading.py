"""Questions to the spool, which the board opens for reading only."""

from __future__ import annotations

import base64
import binascii
import sqlite3
import threading
from collections.abc import Sequence
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

from ..jobs.spool import COLUMNS, Row
from ..jobs.states import State
from .problems import Refused

PAGE = 50
MOST_ON_A_PAGE = 200
LONGEST_SEARCH = 200
SHOWN = tuple(state for state in State if state is not State.SETTLING)


@dataclass(frozen=True)
class Page:
    """Some jobs, newest first. `more` is the cursor of the next page, or None."""

    jobs: tuple[Row, ...]
    more: str | None


class SpoolReader:
    """Reads the spool beside the server that writes it. A spool that was rebuilt is opened anew."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._lock = threading.Lock()
        self._db: sqlite3.Connection | None = None
        self._file: tuple[int, int] | None = None

    def close(self) -> None:
        with self._lock:
            if self._db is not None:
                self._db.close()
                self._db = None

    def page(
        self,
        states: Sequence[State] = (),
        search: str = "",
        cursor: str | None = None,
        limit: int = PAGE,
    ) -> Page:
        """Jobs in these states (all, if none is named) that a search finds: by order, name, id or digest."""
        where: list[str] = ["1"]
        values: list[Any] = []
        if states:
            where.append(f"state IN ({','.join('?' * len(states))})")
            values += [str(state) for state in states]
        if search:
            inside, start = f"%{_escaped(search)}%", f"{_escaped(search.lower())}%"
            where.append(
                "(order_no LIKE ? ESCAPE '\\' OR scan_name LIKE ? ESCAPE '\\'"
                " OR id LIKE ? ESCAPE '\\' OR digest LIKE ? ESCAPE '\\')"
            )
            values += [inside, inside, start, start]
        if cursor is not None:
            where.append("seq < ?")
            values.append(_seq_of(cursor))
        rows = self._rows(f"WHERE {' AND '.join(where)} ORDER BY seq DESC LIMIT ?", (*values, limit + 1))
        more = _cursor_of(rows[limit - 1]) if len(rows) > limit else None
        return Page(tuple(rows[:limit]), more)

    def job(self, job: str) -> Row | None:
        rows = self._rows("WHERE id = ?", (job,))
        return rows[0] if rows else None

    def counts(self) -> dict[State, int]:
        found = dict(self._ask("SELECT state, count(*) FROM jobs GROUP BY state"))
        return {state: int(found.get(state.value, 0)) for state in SHOWN}

    def counts_by_recipe(self) -> list[tuple[str, str, int]]:
        """State, recipe, how many."""
        sql = "SELECT state, recipe, count(*) FROM jobs GROUP BY state, recipe ORDER BY state, recipe"
        return [(str(state), str(recipe), int(count)) for state, recipe, count in self._ask(sql)]

    def oldest_queued(self) -> str | None:
        """When the job arrived that has waited longest."""
        rows = self._ask("SELECT arrived FROM jobs WHERE state = 'queued' ORDER BY seq LIMIT 1")
        return str(rows[0][0]) if rows else None

    def version(self) -> tuple[Any, ...]:
        """Changes whenever somebody else has changed the spool."""
        return (self._file, *self._ask("PRAGMA data_version"))

    def _rows(self, rest: str, values: tuple[Any, ...]) -> list[Row]:
        names = [field.name for field in fields(Row)]
        rows = [
            dict(zip(names, row, strict=True))
            for row in self._ask(f"SELECT {COLUMNS} FROM jobs {rest}", values)
        ]
        return [Row(**{**row, "state": State(row["state"])}) for row in rows]

    def _ask(self, sql: str, values: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
        with self._lock:
            try:
                return self._open().execute(sql, values).fetchall()
            except sqlite3.Error as error:
                if self._db is not None:
                    self._db.close()
                    self._db = None
                raise Refused(503, "the list of jobs cannot be read now; try again in a moment") from error

    def _open(self) -> sqlite3.Connection:
        try:
            details = self._path.stat()
        except OSError as error:
            raise sqlite3.OperationalError(str(error)) from error
        file = (details.st_dev, details.st_ino)
        if self._db is None or file != self._file:
            if self._db is not None:
                self._db.close()
            address = f"{self._path.as_uri()}?mode=ro"
            self._db = sqlite3.connect(address, uri=True, timeout=5.0, check_same_thread=False)
            self._file = file
        return self._db


def _escaped(text: str) -> str:
    text = text[:LONGEST_SEARCH]
    return text.replace("\\", "\\\\").replace("%", "\\%").replace("_", "\\_")


def _cursor_of(row: Row) -> str:
    return base64.urlsafe_b64encode(f"seq {row.seq}".encode()).decode().rstrip("=")


def _seq_of(cursor: str) -> int:
    try:
        padded = cursor + "=" * (-len(cursor) % 4)
        word, _, number = (
            base64.b64decode(padded.encode("ascii"), b"-_", validate=True).decode().partition(" ")
        )
        seq = int(number)
        if word != "seq" or not 0 <= seq < 1 << 62:
            raise ValueError
    except (ValueError, UnicodeError, binascii.Error):
        raise Refused(400, "this cursor is not one that was given out; begin at the first page") from None
    return seq
