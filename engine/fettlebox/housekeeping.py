"""What a server does now and then: delete what has been kept as long as the shop wants."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

from .jobs.atomic import is_no_room, remove
from .jobs.folders import ShopFolders
from .jobs.retention import Sweeper
from .jobs.rules import Rules
from .jobs.store import Store
from .step_cache import KEPT, KEPT_FOR_S, StepCache, make_room

EVERY_S = 60.0


class Housekeeping:
    """One shop's. `now` is from a clock that only goes forward; the time of day is asked for separately."""

    def __init__(self, store: Store) -> None:
        self._shop = store.shop
        self._sweeper = Sweeper(store)
        self._next = float("-inf")
        self._told_of_leap = False

    def look(self, rules: Rules, now: float) -> Iterator[tuple[str, str, str | None]]:
        """Do what is due; give what to tell: kind, sentence, job."""
        if now < self._next:
            return
        self._next = now + EVERY_S
        today, keep_s = utc_today(), rules.keep_s
        swept = self._sweeper.sweep(keep_s, today, now)
        if swept.more:
            self._next = now
        if swept.leap and not self._told_of_leap:
            yield "clock", "the clock was put forward by hours; nothing is deleted in this minute", None
        self._told_of_leap = swept.leap
        for job in swept.jobs:
            yield "expired", f"job {job}: its files were kept as long as the shop wants, and are deleted", job
        if keep_s is not None and not swept.leap:
            for folder in _tried_steps(self._shop.root):
                StepCache(folder).sweep(keep_s, today.timestamp())
        kept_for_s = KEPT_FOR_S if keep_s is None else min(keep_s, KEPT_FOR_S)
        make_room(self._shop.kept_steps, rules.keep_steps_mb * 1e6, kept_for_s, today.timestamp())

    def kept_steps_of(self, digest: str, rules: Rules) -> Path | None:
        """The folder for half-made parts of one scan; None if the shop wants none or the disk has no room."""
        if rules.keep_steps_mb <= 0 or not digest:
            return None
        folder = self._shop.kept_steps_of(digest)
        try:
            folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        except OSError as error:
            if is_no_room(error):
                return None
            raise
        return folder

    def drop_kept_steps(self) -> None:
        """All of them, at once: the disk is full, and customers' scans go first."""
        for folder in _folders(self._shop):
            remove(folder)


def utc_today() -> datetime:
    """The time of day. Here alone a server asks for it to judge how old something is."""
    return datetime.now(UTC)


def _folders(shop: ShopFolders) -> list[Path]:
    return list(shop.kept_steps.iterdir()) if shop.kept_steps.is_dir() else []


def _tried_steps(root: Path) -> Iterator[Path]:
    """Results of steps that `try` kept in the shop's folder or in one right below it."""
    yield from (place for place in (root / KEPT, *root.glob(f"*/{KEPT}")) if place.is_dir())
