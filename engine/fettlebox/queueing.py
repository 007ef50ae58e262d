"""The queue of a served shop, seen with the sizes of its scans: whose turn is it?"""

from __future__ import annotations

from collections.abc import Collection
from datetime import UTC, datetime

from .jobs.folders import ORIGINAL
from .jobs.spool import Row
from .jobs.store import Store
from .turns import Size, Waiting, next_turn, size_of

LOOK_AHEAD = 64
"""So many jobs that have waited longest are compared; a short one behind all of them waits for a start."""


class Queue:
    """Remembers the sizes of the jobs in sight and at work, no others: a long queue takes no more memory."""

    def __init__(self, store: Store, room_mb: float) -> None:
        self._store = store
        self._room_mb = room_mb
        self._sizes: dict[str, Size] = {}

    def next_row(self, at_work: Collection[str], workers: int, most_memory_mb: float) -> Row | None:
        """The job that shall start now beside those at work, if any."""
        rows = {row.id: row for row in self._store.spool.queued(LOOK_AHEAD)}
        known, self._sizes = self._sizes, {}
        for job, row in rows.items():
            scan = self._store.shop.root / row.folder / ORIGINAL / row.scan_name
            self._sizes[job] = known.get(job) or size_of(scan, most_memory_mb)
        running = {job: known[job] for job in at_work if job in known}
        now = datetime.now(UTC)
        waiting = [
            Waiting(job, self._sizes[job], _seconds_since(row.arrived, now)) for job, row in rows.items()
        ]
        self._sizes |= running
        turn = next_turn(waiting, running.values(), workers, self._room_mb)
        return None if turn is None else rows[turn.job]

    def memory_mb(self, job: str) -> float:
        """What a job in sight or at work is expected to need."""
        size = self._sizes.get(job)
        return 0.0 if size is None else size.memory_mb


def _seconds_since(arrived: str, now: datetime) -> float:
    """Zero when the clock was set back, or when what is written is no time."""
    try:
        return max((now - datetime.fromisoformat(arrived)).total_seconds(), 0.0)
    except (ValueError, TypeError):
        return 0.0
