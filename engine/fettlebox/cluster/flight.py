"""A job between the server and a worker."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from ..pool import Needs, Task


@dataclass
class Flight:
    """A job that was begun. `future` is Dask's; without one the job waits for a worker that suits."""

    task: Task
    needs: Needs
    order: bytes
    key: str = ""
    future: Any = None
    addresses: frozenset[str] | None = None
    begun_at: str = ""
    over: bool = False
    step: str = ""
    waits: str = ""
    errors: int = 0


@dataclass(frozen=True)
class Verdict:
    """What a runner on a worker came to, as far as the server asks."""

    state: str
    reason: str | None
