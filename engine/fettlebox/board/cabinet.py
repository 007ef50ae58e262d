"""What the board must remember: who may enter, what was answered, what is being sent. One SQLite file.

It lies in `.fettlebox/`, readable by its owner only. Secrets are kept as digests. Whoever throws it away has
to hand out tokens again; no scan and no record depends on it.
"""

from __future__ import annotations

import os
import sqlite3
import threading
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from ..jobs.spool import all_or_none

FILE = "board.sqlite"
VERSION = 1
BUSY_S = 10.0

SCHEMA = """
CREATE TABLE tokens (
    name TEXT PRIMARY KEY, may TEXT NOT NULL, digest TEXT NOT NULL UNIQUE, created TEXT NOT NULL
);
CREATE TABLE links (digest TEXT PRIMARY KEY, expires REAL NOT NULL);
CREATE TABLE sessions (
    digest TEXT PRIMARY KEY, name TEXT NOT NULL, may TEXT NOT NULL,
    token TEXT,                              -- digest of the token; null: entered by a one-time link
    expires REAL NOT NULL
);
CREATE TABLE answers (                       -- of requests that carry an idempotency key
    key TEXT PRIMARY KEY, request TEXT NOT NULL, status INTEGER, body TEXT, at REAL NOT NULL
);
CREATE TABLE uploads (
    id TEXT PRIMARY KEY, name TEXT NOT NULL, size INTEGER NOT NULL, ticket TEXT NOT NULL,
    by TEXT NOT NULL, at REAL NOT NULL
);
CREATE TABLE entries (                       -- the ledger again, to be asked quickly
    number INTEGER PRIMARY KEY, event TEXT NOT NULL, job TEXT NOT NULL, state TEXT NOT NULL,
    time TEXT NOT NULL, by TEXT, folder TEXT, digest TEXT NOT NULL
);
CREATE INDEX entries_by_job ON entries (job, number);
CREATE INDEX entries_by_time ON entries (time);
CREATE TABLE ended (                         -- one row each time that the server ended a job
    number INTEGER PRIMARY KEY, job TEXT NOT NULL, time TEXT NOT NULL, state TEXT NOT NULL,
    recipe TEXT NOT NULL, why TEXT, seconds REAL
);
CREATE INDEX ended_by_time ON ended (time);
CREATE TABLE step_times (number INTEGER NOT NULL, step TEXT NOT NULL, seconds REAL NOT NULL);
CREATE INDEX step_times_by_number ON step_times (number);
CREATE TABLE marks (name TEXT PRIMARY KEY, value TEXT NOT NULL);
CREATE TABLE hooks (
    id TEXT PRIMARY KEY, url TEXT NOT NULL UNIQUE, secret TEXT NOT NULL, since INTEGER NOT NULL,
    created TEXT NOT NULL
);
CREATE TABLE deliveries (
    id INTEGER PRIMARY KEY, hook TEXT NOT NULL, entry INTEGER NOT NULL, body TEXT NOT NULL,
    tries INTEGER NOT NULL DEFAULT 0, due REAL, -- null: given up
    said TEXT, UNIQUE (hook, entry)
);
CREATE INDEX deliveries_by_due ON deliveries (due);
"""


class Cabinet:
    """An open cabinet. May be used from several threads; each call holds its lock."""

    def __init__(self, private: Path) -> None:
        private.mkdir(parents=True, exist_ok=True)
        self.path = private / FILE
        os.close(os.open(self.path, os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW | os.O_CLOEXEC, 0o600))
        self._lock = threading.RLock()
        self._db = sqlite3.connect(self.path, timeout=BUSY_S, isolation_level=None, check_same_thread=False)
        self._db.execute("PRAGMA journal_mode = WAL")
        self._db.execute("PRAGMA synchronous = NORMAL")
        with self.change():
            if self.one("PRAGMA user_version")[0] == 0:
                for statement in SCHEMA.split(";\n"):
                    self._db.execute(statement)
                self._db.execute(f"PRAGMA user_version = {VERSION}")

    def close(self) -> None:
        with self._lock:
            self._db.close()

    @contextmanager
    def change(self) -> Iterator[None]:
        """All changes inside, or none. May be nested; the outermost commits."""
        with self._lock, all_or_none(self._db):
            yield

    def all(self, sql: str, *values: Any) -> list[tuple[Any, ...]]:
        with self._lock:
            return self._db.execute(sql, values).fetchall()

    def one(self, sql: str, *values: Any) -> Any:
        """The first row, or None."""
        with self._lock:
            return self._db.execute(sql, values).fetchone()

    def do(self, sql: str, *values: Any) -> int:
        """Run a statement; how many rows it changed."""
        with self._lock:
            return self._db.execute(sql, values).rowcount

    def each(self, sql: str, rows: Iterable[tuple[Any, ...]]) -> None:
        with self._lock:
            self._db.executemany(sql, rows)

    def mark(self, name: str) -> str | None:
        row = self.one("SELECT value FROM marks WHERE name = ?", name)
        return None if row is None else str(row[0])

    def set_mark(self, name: str, value: str) -> None:
        self.do("INSERT OR REPLACE INTO marks VALUES (?, ?)", name, value)
