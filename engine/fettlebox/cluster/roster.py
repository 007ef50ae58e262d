"""Which of the workers that a scheduler knows may have a job, and if none may, why. Pure.

Dask lets a task wait for ever, and says nothing, if no worker has the resources that it asks for; so what
suits is worked out here, and what does not becomes a sentence. Where a task runs is left to Dask.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import urlsplit

from ..pool import Needs

MEMORY = "memory"
"""What a worker has for jobs together, in bytes, if it was begun with `--resources "memory=…"`."""
FULL_DISK_S = 60.0  # how long a worker is left alone that could not do a job just then
MANY = 3


@dataclass(frozen=True)
class Seen:
    """A worker as the scheduler tells of it. `resources` as it was begun with; 0 bytes are no limit. One that
    is not running, as when it is short of memory, gets no new jobs and keeps those that it has.
    """

    address: str
    threads: int
    limit_bytes: float
    resources: Mapping[str, float] = field(default_factory=dict)
    running: bool = True

    @property
    def host(self) -> str:
        return host_of(self.address)

    @property
    def memory_bytes(self) -> float:
        """What one job may use at most."""
        return self.resources.get(MEMORY, self.limit_bytes) or float("inf")


def host_of(address: str) -> str:
    return urlsplit(address).hostname or address


def seen_in(info: Mapping[str, Any]) -> dict[str, Seen]:
    """The workers of what `Client.scheduler_info` gives."""
    return {
        address: Seen(
            address,
            int(one.get("nthreads") or 1),
            float(one.get("memory_limit") or 0),
            dict(one.get("resources") or {}),
            one.get("status", "running") == "running",
        )
        for address, one in info.get("workers", {}).items()
    }


class Roster:
    """The workers of one scheduler. A worker that nobody knows yet is asked for its terms first."""

    def __init__(self, scheme: str) -> None:
        self._scheme = scheme
        self._seen: dict[str, Seen] = {}
        self._passed: set[str] = set()
        self._refused: dict[str, tuple[str, float]] = {}  # why, and until when

    def update(self, seen: Mapping[str, Seen], now: float) -> list[str]:
        """Take note of who is there; returns who has to be asked for its terms."""
        self._seen = dict(seen)
        self._passed &= seen.keys()
        self._refused = {
            address: (why, until)
            for address, (why, until) in self._refused.items()
            if address in seen and now < until
        }
        for address in seen:
            if urlsplit(address).scheme != self._scheme:
                self.refuse(address, f"scans would go to it as {urlsplit(address).scheme}, unencrypted")
        return [one for one in seen if one not in self._passed and one not in self._refused]

    def let_in(self, address: str) -> None:
        self._passed.add(address)

    def refuse(self, address: str, why: str, until: float = float("inf")) -> bool:
        """Give it no more jobs until it is begun anew. True unless that was known."""
        known = self._refused.get(address, ("", 0.0))[0] == why
        self._refused[address] = (why, until)
        return not known

    def fit(self, needs: Needs) -> list[Seen]:
        """The workers that may have a job of such needs."""
        return [one for one in self._usable() if _suits(one, needs)]

    def restriction(self, fit: list[Seen]) -> list[str] | None:
        """Addresses that Dask has to keep to; None where it may choose from all, those to come included."""
        return [one.address for one in fit] if len(self._usable()) < len(self._seen) else None

    def resources(self, needs: Needs) -> dict[str, float]:
        """What Dask has to set aside for a job. Memory only where workers were begun with some."""
        asked: dict[str, float] = dict.fromkeys(needs.tags, 1.0)
        if any(MEMORY in one.resources for one in self._usable()):
            asked[MEMORY] = needs.memory_mb * 1e6
        return asked

    def may_scout(self, needs: Needs) -> bool:
        """Whether a job that nobody suits should be shown to Dask all the same, so that a cluster that scales
        itself sees it: not where a worker that was refused could get it.
        """
        return not self._refused and (bool(needs.tags) or not self._seen)

    @property
    def slots(self) -> int:
        """How many jobs the workers do at a time."""
        return sum(one.threads for one in self._usable())

    @property
    def on_hosts(self) -> dict[str, int]:
        """How many jobs each host does at a time, so that they can share its cores."""
        counted: Counter[str] = Counter()
        for one in self._seen.values():
            counted[one.host] += one.threads
        return dict(counted)

    def why_none(self, needs: Needs) -> str | None:
        """None if a worker suits; else a sentence for whoever waits for the job."""
        usable = self._usable()
        if any(_suits(one, needs) for one in usable):
            return None
        if not self._seen:
            return "waits for a worker: the cluster has none now"
        if not usable:
            whys = [f"{address}: {why}" for address, (why, _) in list(self._refused.items())[:MANY]]
            told = "; ".join(whys) or "they are being asked what they have installed, or are paused"
            return f"waits for a worker: none of {len(self._seen)} can be used ({told})"
        tagged = [one for one in usable if needs.tags <= one.resources.keys()]
        if not tagged:
            return f"waits for a worker that has {', '.join(sorted(needs.tags))}: none of {len(usable)} has"
        most = max(one.memory_bytes for one in tagged) / 1e9
        wanted = needs.memory_mb / 1e3
        return f"waits for a worker with {wanted:.1f} GB of memory: none has more than {most:.1f} GB"

    def _usable(self) -> list[Seen]:
        return [
            one
            for one in self._seen.values()
            if one.running and one.address in self._passed and one.address not in self._refused
        ]


def _suits(one: Seen, needs: Needs) -> bool:
    tagged = all(one.resources.get(tag, 0.0) >= 1.0 for tag in needs.tags)
    return tagged and needs.memory_mb * 1e6 <= one.memory_bytes
