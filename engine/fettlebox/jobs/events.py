"""What a server tells: while it runs, and at its end."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from .folders import Card


@dataclass(frozen=True)
class Event:
    """Something that a person may want to see. `text` is safe to show in a terminal."""

    kind: str
    text: str
    job: str | None = None
    data: Mapping[str, Any] = field(default_factory=dict)

    def __str__(self) -> str:
        return self.text


@dataclass(frozen=True)
class JobOutcome:
    """How one job ended in this run of the server. `folder` is where its files are."""

    job: str
    scan: str
    recipe: str
    order: str | None
    state: str
    reason: str | None
    folder: Path
    attempts: int
    seconds: float


@dataclass(frozen=True)
class ServeSummary:
    """What one run of the server did: jobs by the state they ended in; `results` only with `once`.

    given_back  jobs that were taken from their workers at the end and wait in the queue
    stopped_by  the signal that ended the run, or None
    """

    counts: Mapping[str, int]
    results: tuple[JobOutcome, ...] = ()
    given_back: int = 0
    stopped_by: str | None = None


class Tally:
    """What a run has done so far. `each`: remember every job, not only how many ended in which state."""

    def __init__(self, each: bool = False) -> None:
        self.each = each
        self.counts: Counter[str] = Counter()
        self._results: list[JobOutcome] = []

    def add(self, card: Card, folder: Path, seconds: float) -> JobOutcome:
        """Take note of a job that has ended."""
        self.counts[str(card.state)] += 1
        outcome = JobOutcome(
            card.job, card.scan, card.recipe, card.order, str(card.state), card.reason, folder,
            card.attempts, round(seconds, 3),
        )  # fmt: skip
        if self.each:
            self._results.append(outcome)
        return outcome

    def summary(self, given_back: int, stopped_by: str | None) -> ServeSummary:
        return ServeSummary(dict(self.counts), tuple(self._results), given_back, stopped_by)
