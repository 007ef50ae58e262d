"""Jobs that arrive, wait for one of several servers and are served: a simulation, and what theory says.

Whoever came first goes first. Times in seconds.
"""

from __future__ import annotations

import heapq
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Waits:
    """waited (n,) of each job; started (n,); ended (n,)."""

    waited: Floats
    started: Floats
    ended: Floats

    def at_work(self, moment: Floats) -> NDArray[np.int64]:
        """(k,) how many jobs are being served at each moment."""
        started, ended = np.sort(self.started), np.sort(self.ended)
        return np.searchsorted(started, moment, "right") - np.searchsorted(ended, moment, "right")


def simulate(arrived: Sequence[float] | Floats, needs: Sequence[float] | Floats, servers: int) -> Waits:
    """Serve jobs that arrive in order (n,) and need a server for so long each (n,)."""
    if servers < 1:
        raise ValueError(f"{servers} servers serve nobody")
    free_at = [0.0] * servers
    started = np.empty(len(arrived))
    for k, (at, need) in enumerate(zip(arrived, needs, strict=True)):
        start = max(at, free_at[0])
        heapq.heapreplace(free_at, start + need)
        started[k] = start
    return Waits(started - np.asarray(arrived), started, started + np.asarray(needs))


def arrivals(rate_per_s: Sequence[float], seconds_each: float, rng: np.random.Generator) -> Floats:
    """A Poisson process whose rate changes from one stretch of time to the next."""
    counts = rng.poisson(np.asarray(rate_per_s) * seconds_each)
    times = [np.sort(rng.uniform(k, k + 1, count)) * seconds_each for k, count in enumerate(counts)]
    return np.concatenate(times) if times else np.zeros(0)


def erlang_c_wait(rate_per_s: float, need_s: float, servers: int) -> float:
    """Mean wait in M/M/c, all jobs counted.

    A. K. Erlang, "Solution of some problems in the theory of probabilities of significance in automatic
    telephone exchanges", 1917, through the recursion of his loss formula (from memory; any text on queues).
    """
    offered = rate_per_s * need_s
    if offered >= servers:
        return float("inf")
    lost = 1.0
    for k in range(1, servers + 1):
        lost = offered * lost / (k + offered * lost)
    share = offered / servers
    waits = lost / (1.0 - share + share * lost)
    return waits * need_s / (servers - offered)


def pollaczek_khinchine_wait(rate_per_s: float, mean_s: float, mean_square_s2: float) -> float:
    """Mean wait in M/G/1, of which M/D/1 is that with a mean square of mean².

    F. Pollaczek, "Über eine Aufgabe der Wahrscheinlichkeitstheorie", Math. Zeitschrift 32, 1930;
    A. Khinchine, 1932 (formula from memory; any text on queues).
    """
    used = rate_per_s * mean_s
    return float("inf") if used >= 1 else rate_per_s * mean_square_s2 / (2.0 * (1.0 - used))


def servers_for(arrived: Floats, needs: Floats, share: float, within_s: float, most: int = 1_000_000) -> int:
    """Fewest servers with which this share of all jobs starts in time."""

    def good(servers: int) -> bool:
        return float((simulate(arrived, needs, servers).waited <= within_s).mean()) >= share

    high = max(int(needs.sum() / max(float(arrived[-1]), 1.0)), 1)
    while not good(high):
        high *= 2
        if high > most:
            raise ValueError(f"{most} servers are not enough")
    low = high // 2
    while high - low > max(1, high // 200):
        middle = (low + high) // 2
        low, high = (low, middle) if good(middle) else (middle, high)
    return high
