"""How the shop has been doing: jobs a day, what stopped them, how long steps take."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from .cabinet import Cabinet

DAYS = 30
KINDS = ("done", "held", "rejected")
MOST_TIMES = 2000
"""Of each step the newest so many: enough for a percentile, bounded however old the shop is."""


@dataclass(frozen=True)
class StepTime:
    """Seconds that a step takes: half of all jobs at most `middle`, 95 of 100 at most `slow`."""

    step: str
    count: int
    middle_s: float
    slow_s: float


@dataclass(frozen=True)
class History:
    """`days`: day and jobs ended so, in the order of KINDS. `stopped`: state, what stopped it, how many."""

    days: tuple[tuple[str, tuple[int, ...]], ...]
    stopped: tuple[tuple[str, str, int], ...]
    steps: tuple[StepTime, ...]


def history(cabinet: Cabinet, now: datetime | None = None, days: int = DAYS) -> History:
    today = (now or datetime.now(UTC)).date()
    first = today - timedelta(days=days - 1)
    counted = {
        (day, state): int(count)
        for day, state, count in cabinet.all(
            "SELECT substr(time, 1, 10), state, count(*) FROM ended WHERE time >= ? GROUP BY 1, 2",
            first.isoformat(),
        )
    }
    listed = [(first + timedelta(days=number)).isoformat() for number in range(days)]
    stopped = cabinet.all(
        "SELECT state, why, count(*) FROM ended WHERE why IS NOT NULL AND time >= ? GROUP BY 1, 2"
        " ORDER BY 3 DESC, 1, 2 LIMIT 12",
        first.isoformat(),
    )
    return History(
        tuple((day, tuple(counted.get((day, kind), 0) for kind in KINDS)) for day in listed),
        tuple((str(state), str(why), int(count)) for state, why, count in stopped),
        tuple(_step_times(cabinet)),
    )


def _step_times(cabinet: Cabinet) -> list[StepTime]:
    found = []
    newest = cabinet.one("SELECT max(number) FROM step_times")[0] or 0
    names = cabinet.all("SELECT DISTINCT step FROM step_times WHERE number > ?", newest - MOST_TIMES)
    for (name,) in names:
        rows = cabinet.all(
            "SELECT seconds FROM step_times WHERE step = ? AND number > ? ORDER BY seconds",
            name, newest - MOST_TIMES,
        )  # fmt: skip
        times = [float(seconds) for (seconds,) in rows]
        found.append(StepTime(str(name), len(times), _at(times, 50), _at(times, 95)))
    return sorted(found, key=lambda each: (-each.slow_s, each.step))


def _at(times: list[float], percent: int) -> float:
    """The nearest-rank percentile of sorted times: the one at place ⌈n·p/100⌉."""
    return times[max(-(-len(times) * percent // 100) - 1, 0)]
