"""The spool: one row a job, in SQLite. It makes questions fast; the folders say what is true.

Durability: WAL with `synchronous = FULL`, so that a commit is on the disk when it returns. A spool that
is lost or damaged is rebuilt from the folders (see `recovery`).
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

from ..errors import UsageError
from .states import State, StateError, check_transition

SCHEMA_VERSION = 1
APPLICATION_ID = 0x46424F58  # "FBOX": tells our file from any other SQLite file
BUSY_S = 10.0  # a desk command and the server may write at the same time; each write takes milliseconds

SCHEMA = """
CREATE TABLE jobs (
    seq        INTEGER PRIMARY KEY AUTOINCREMENT,
    id         TEXT NOT NULL UNIQUE,
    base       TEXT NOT NULL,            -- id without its running number
    scan_name  TEXT NOT NULL,            -- name to show, the exact one is in job.json
    digest     TEXT NOT NULL,            -- SHA-256 of the scan as it arrived
    recipe     TEXT NOT NULL,
    order_no   TEXT,
    state      TEXT NOT NULL,
    attempts   INTEGER NOT NULL DEFAULT 0,
    arrived    TEXT NOT NULL,            -- times are RFC 3339, UTC
    started    TEXT,
    finished   TEXT,
    reason     TEXT,
    folder     TEXT NOT NULL,            -- below the shop's folder
    discarded  TEXT
);
CREATE INDEX jobs_by_state ON jobs (state, seq);
CREATE INDEX jobs_by_base ON jobs (base, seq);
CREATE INDEX jobs_by_digest ON jobs (digest);
"""


@contextmanager
def all_or_none(db: sqlite3.Connection) -> Iterator[None]:
    """All changes inside, or none (in autocommit mode). May be nested; the outermost commits."""
    if db.in_transaction:
        yield
        return
    db.execute("BEGIN IMMEDIATE")
    try:
        yield
        db.commit()
    except BaseException:
        db.rollback()
        raise


@dataclass(frozen=True)
class Row:
    """One job as the spool knows it."""

    seq: int
    id: str
    base: str
    scan_name: str
    digest: str
    recipe: str
    order_no: str | None
    state: State
    attempts: int
    arrived: str
    started: str | None
    finished: str | None
    reason: str | None
    folder: str
    discarded: str | None


COLUMNS = ", ".join(field.name for field in fields(Row))


class SpoolDamaged(Exception):  # noqa: N818 - it names a finding
    """The file is not a spool that can be used; rebuild it."""


class Spool:
    """An open spool. Use it from one thread."""

    def __init__(self, path: Path) -> None:
        """Open or create. Raises SpoolDamaged, or UsageError if a newer version of Fettlebox wrote it."""
        self.path = path
        self.is_new = not path.exists() or path.stat().st_size == 0
        self._db = sqlite3.connect(path, timeout=BUSY_S, isolation_level=None)
        try:
            self._prepare()
        except sqlite3.OperationalError as error:
            self._db.close()
            if "locked" in str(error) or "full" in str(error) or "unable to open" in str(error):
                raise
            raise SpoolDamaged(str(error)) from error
        except sqlite3.DatabaseError as error:
            self._db.close()
            raise SpoolDamaged(str(error)) from error
        except BaseException:
            self._db.close()
            raise

    def _prepare(self) -> None:
        self._db.execute("PRAGMA journal_mode = WAL")
        self._db.execute("PRAGMA synchronous = FULL")
        version = self._db.execute("PRAGMA user_version").fetchone()[0]
        if version > SCHEMA_VERSION:
            raise UsageError(
                f"{self.path} was written by a newer version of Fettlebox (format {version}, this one knows "
                f"{SCHEMA_VERSION}); use that version, or set the file aside to have it rebuilt"
            )
        if version == 0:
            with self.transaction():
                if self._db.execute("PRAGMA user_version").fetchone()[0] == 0:
                    for statement in SCHEMA.split(";"):
                        self._db.execute(statement)
                    self._db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
                    self._db.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")
            self.is_new = True
        found = self._db.execute("PRAGMA quick_check(1)").fetchone()[0]
        if found != "ok":
            raise SpoolDamaged(found)
        self._db.execute(f"SELECT {COLUMNS} FROM jobs LIMIT 1")

    def close(self) -> None:
        self._db.close()

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """All changes inside, or none. May be nested; the outermost commits."""
        with all_or_none(self._db):
            yield

    def next_id(self, base: str) -> str:
        """`base` for the first job of its kind, then `base-2`, `base-3` …"""
        row = self._db.execute(
            "SELECT id FROM jobs WHERE base = ? ORDER BY seq DESC LIMIT 1", (base,)
        ).fetchone()
        if row is None:
            return base
        _, _, number = row[0].partition("-")
        return f"{base}-{int(number or 1) + 1}"

    def add(
        self,
        job: str,
        *,
        scan_name: str,
        digest: str,
        recipe: str,
        order_no: str | None,
        state: State,
        arrived: str,
        folder: str,
        reason: str | None = None,
        attempts: int = 0,
        finished: str | None = None,
    ) -> None:
        """A new row. Raises sqlite3.IntegrityError if the id is taken."""
        self._db.execute(
            "INSERT INTO jobs (id, base, scan_name, digest, recipe, order_no, state, attempts, arrived,"
            " finished, reason, folder) VALUES (?,?,?,?,?,?,?,?,?,?,?,?)",
            (
                job,
                job.partition("-")[0],
                showable(scan_name),
                digest,
                recipe,
                order_no,
                str(state),
                attempts,
                arrived,
                finished,
                None if reason is None else showable(reason),
                folder,
            ),
        )

    def move(self, job: str, expected: State, new: State, **columns: Any) -> None:
        """The one way to change a state: from the expected one, or StateError and no change."""
        check_transition(expected, new)
        self._set(job, expected, new, columns)

    def correct(self, job: str, new: State, **columns: Any) -> None:
        """Make a row say what the folders say. Only recovery may do this."""
        self._set(job, None, new, columns)

    def _set(self, job: str, expected: State | None, new: State, columns: dict[str, Any]) -> None:
        if isinstance(columns.get("reason"), str):
            columns["reason"] = showable(columns["reason"])
        names = ", ".join(f"{name} = ?" for name in ("state", *columns))
        where = "id = ?" if expected is None else "id = ? AND state = ?"
        values: list[Any] = [str(new), *columns.values(), job]
        if expected is not None:
            values.append(str(expected))
        if self._db.execute(f"UPDATE jobs SET {names} WHERE {where}", values).rowcount != 1:
            row = self.get(job)
            found = "unknown" if row is None else f"{row.state}"
            raise StateError(f"job {job} is {found}; expected {expected or 'a row'}, to make it {new}")

    def mark_discarded(self, job: str, when: str) -> None:
        """Note that a job's files were deleted. Its state and digest stay."""
        self._db.execute("UPDATE jobs SET discarded = COALESCE(discarded, ?) WHERE id = ?", (when, job))

    def get(self, job: str) -> Row | None:
        rows = self._rows("WHERE id = ?", (job,))
        return rows[0] if rows else None

    def starting_with(self, prefix: str) -> list[Row]:
        """Jobs whose id begins so, at most two: enough to see that a short id is not unique."""
        pattern = prefix.replace("\\", "\\\\").replace("%", "\\%").replace("_", "\\_") + "%"
        return self._rows("WHERE id LIKE ? ESCAPE '\\' ORDER BY seq LIMIT 2", (pattern,))

    def jobs(self, state: State | None = None) -> list[Row]:
        """All jobs, or those of one state, in the order of their arrival."""
        return (
            self._rows("ORDER BY seq")
            if state is None
            else self._rows("WHERE state = ? ORDER BY seq", (state,))
        )

    def finished_before(self, when: str, most: int) -> list[Row]:
        """Finished jobs whose files are still there and whose end is before `when`, the oldest first."""
        return self._rows(
            "WHERE state IN ('done', 'held', 'rejected') AND discarded IS NULL AND finished < ?"
            " ORDER BY finished LIMIT ?",
            (when, most),
        )

    def standing(self, base: str) -> Row | None:
        """The first job of the same scan, recipe and ticket that was not rejected; its files are there."""
        rows = self._rows(
            "WHERE base = ? AND discarded IS NULL AND state != 'rejected' ORDER BY seq LIMIT 1", (base,)
        )
        return rows[0] if rows else None

    def next_queued(self, skip: Sequence[str] = ()) -> Row | None:
        """The job that has waited longest."""
        marks = ",".join("?" * len(skip))
        rows = self._rows(f"WHERE state = 'queued' AND id NOT IN ({marks}) ORDER BY seq LIMIT 1", tuple(skip))
        return rows[0] if rows else None

    def queued(self, most: int) -> list[Row]:
        """The jobs that have waited longest, oldest first."""
        return self._rows("WHERE state = 'queued' ORDER BY seq LIMIT ?", (most,))

    def folders(self) -> set[str]:
        """Where all jobs lie, below the shop's folder."""
        return {folder for (folder,) in self._db.execute("SELECT folder FROM jobs")}

    def counts(self) -> dict[State, int]:
        found = dict(self._db.execute("SELECT state, count(*) FROM jobs GROUP BY state").fetchall())
        return {state: int(found.get(state.value, 0)) for state in State if state is not State.SETTLING}

    def _rows(self, rest: str, values: tuple[Any, ...] = ()) -> list[Row]:
        cursor = self._db.execute(f"SELECT {COLUMNS} FROM jobs {rest}", values)
        return [_row(values) for values in cursor]


def _row(values: tuple[Any, ...]) -> Row:
    row = dict(zip((field.name for field in fields(Row)), values, strict=True))
    return Row(**{**row, "state": State(row["state"])})


def showable(text: str) -> str:
    """Text that any terminal, log or page may show: no control characters, no halves of characters."""
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in text)
