"""What a server tells: while it runs, and at its end."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any


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
