"""What the server asks of whoever does its jobs: child processes here (`workers`), or a cluster."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal, Protocol

JOBS_PER_PROCESS = 50  # native libraries leak a little; a fresh process costs two or three seconds of imports


class Task(Protocol):
    """What a pool must know of a job; the rest is the runner's business. Must be picklable."""

    @property
    def job(self) -> str: ...

    @property
    def folder(self) -> Path: ...

    @property
    def kept(self) -> Path | None: ...


@dataclass(frozen=True)
class Needs:
    """What a machine must have for a job: the recipe's tags, and memory as it is estimated."""

    tags: frozenset[str] = frozenset()
    memory_mb: float = 0.0


NOTHING = Needs()
Kind = Literal["answered", "failed", "no room", "stopped", "lost"]


@dataclass(frozen=True)
class Answer:
    """How one attempt at a job ended.

    answered   the runner returned `result`
    failed     exception, crash, time, memory: `sentence` says which
    no room    the disk is full; the job is not to blame
    stopped    the worker was stopped by us, or could not begin; the job is not to blame
    lost       the way to the worker was lost; the job is not to blame

    `step` is what the job was at, as far as it is known.
    """

    job: str
    kind: Kind
    result: Any = None
    sentence: str = ""
    seconds: float = 0.0
    step: str = ""


@dataclass(frozen=True)
class Limits:
    """Bounds of one job, and what a worker needs to start. `has`: the tags of this machine."""

    time_s: float
    memory_mb: float
    jobs_per_process: int = JOBS_PER_PROCESS
    has: frozenset[str] = frozenset()


class Pool(Protocol):
    """Does jobs, some at a time. All methods are to be called from one thread, but for `steps`."""

    @property
    def free(self) -> int:
        """How many jobs more may be started now."""
        ...

    @property
    def room_mb(self) -> float:
        """Memory that jobs may use together, as far as the server has to see to it."""
        ...

    @property
    def steps(self) -> Mapping[str, str]:
        """What each job is at. May be asked from any thread."""
        ...

    def why_not(self, needs: Needs) -> str | None:
        """None if a job can be started, now or when a worker comes; else what is missing, in a sentence."""
        ...

    def start(self, task: Task, needs: Needs = NOTHING) -> None:
        """Do a job; its answer comes later, from another thread."""
        ...

    def settle(self, job: str) -> None:
        """Take note that a job's answer was taken: its worker may have another."""
        ...

    def set_limits(self, limits: Limits) -> None:
        """New limits for jobs that start from now on."""
        ...

    def stop(self) -> None:
        """Stop all jobs now. When this returns, nothing is written to any job's folder any more."""
        ...
