"""What a server does now and then: delete what has been kept as long as the shop wants."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

from .jobs.retention import Sweeper
from .jobs.store import Store
from .step_cache import KEPT, StepCache

EVERY_S = 60.0


class Housekeeping:
    """One shop's. `now` is from a clock that only goes forward; the time of day is asked for separately."""

    def __init__(self, store: Store) -> None:
        self._root = store.shop.root
        self._sweeper = Sweeper(store)
        self._next = float("-inf")
        self._told_of_leap = False

    def look(self, keep_s: float | None, now: float) -> Iterator[tuple[str, str, str | None]]:
        """Do what is due; give what to tell: kind, sentence, job."""
        if now < self._next:
            return
        self._next = now + EVERY_S
        today = utc_today()
        swept = self._sweeper.sweep(keep_s, today, now)
        if swept.more:
            self._next = now
        if swept.leap and not self._told_of_leap:
            yield "clock", "the clock was put forward by hours; nothing is deleted in this minute", None
        self._told_of_leap = swept.leap
        for job in swept.jobs:
            yield "expired", f"job {job}: its files were kept as long as the shop wants, and are deleted", job
        if keep_s is not None and not swept.leap:
            for folder in _kept_steps(self._root):
                StepCache(folder).sweep(keep_s, today.timestamp())


def utc_today() -> datetime:
    """The time of day. Here alone a server asks for it to judge how old something is."""
    return datetime.now(UTC)


def _kept_steps(root: Path) -> Iterator[Path]:
    """Results of steps that `try` kept in the shop's folder or in one right below it."""
    yield from (place for place in (root / KEPT, *root.glob(f"*/{KEPT}")) if place.is_dir())
