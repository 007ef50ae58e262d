"""What every benchmark tells of one comparison, what it costs to get there, and the table of all of them."""

from __future__ import annotations

import ctypes
import json
import os
import time
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

TELL_TO = "FETTLEBOX_BENCHMARK_ROWS"
"""Environment variable: the file that `tell` adds a line of JSON to."""

EVEN = 0.9  # times of one run differ by as much
HEADS = ("step", "triangles", "against", "time", "memory", "quality", "verdict")


@dataclass(frozen=True)
class Row:
    """One comparison.

    time, memory  how many times what ours needs the other needs; None if not measured or not to be compared
    quality       what the results are like, both of them, in words and figures
    ours_wrong    why our result is of no use, however fast it came; empty if it is; `theirs_wrong` likewise
    target        how many times as long the other shall take
    """

    step: str
    triangles: int
    against: str
    time: float | None
    memory: float | None
    quality: str
    ours_wrong: str = ""
    theirs_wrong: str = ""
    target: float = 1.0

    @property
    def verdict(self) -> str:
        """A wrong answer is lost before anybody asks how fast it came."""
        if self.ours_wrong:
            return f"lost: {self.ours_wrong}"
        if self.theirs_wrong:
            return f"won: the other's is {self.theirs_wrong}"
        if self.time is None:
            return "good"
        if self.time >= self.target:
            return "won"
        if self.time >= 1.0:
            return f"ahead, short of {self.target:g}"
        if self.time > EVEN:
            return "even"
        return f"lost: {1 / self.time:.1f} times as long"


@dataclass(frozen=True)
class Spent:
    """A result, processor seconds of all threads, and by how many MB the process grew at its highest."""

    made: Any
    cpu_s: float
    grown_mb: float | None


def spent(work: Callable[[], Any]) -> Spent:
    """Run something once. The growth is the kernel's high-water mark, set back before (Linux only)."""
    before_mb = set_back_mb()
    start = time.process_time()
    made = work()
    cpu_s = time.process_time() - start
    return Spent(made, cpu_s, None if before_mb is None else max(status_mb("VmHWM") - before_mb, 0.0))


def ratio(theirs: float | None, ours: float | None) -> float | None:
    """How many times ours theirs is; None where either was not measured or ours is nothing."""
    return theirs / ours if theirs is not None and ours else None


def tell(row: Row) -> None:
    """Hand a row to whoever runs all benchmarks; nothing happens when one is run by itself."""
    place = os.environ.get(TELL_TO)
    if place:
        with Path(place).open("a", encoding="utf-8") as file:
            file.write(json.dumps(asdict(row), default=float) + "\n")


def tell_job(job: dict[str, Any]) -> None:
    """Hand on what a whole job of ours took, from which the growth of each step's cost is read."""
    place = os.environ.get(TELL_TO)
    if place:
        with Path(place).open("a", encoding="utf-8") as file:
            file.write(json.dumps({"job": job}, default=float) + "\n")


def told(place: Path) -> list[Row]:
    """The rows in a file that `tell` wrote."""
    return [Row(**line) for line in _lines(place) if "job" not in line]


def told_jobs(place: Path) -> list[dict[str, Any]]:
    """The jobs in the same file, as `tell_job` was given them."""
    return [line["job"] for line in _lines(place) if "job" in line]


def _lines(place: Path) -> list[dict[str, Any]]:
    return [json.loads(line) for line in place.read_text("utf-8").splitlines()]


def table(rows: Sequence[Row]) -> str:
    """All rows under their heads, columns as wide as they need to be."""
    lines = [HEADS, *(_cells(row) for row in rows)]
    wide = [max(len(line[k]) for line in lines) for k in range(len(HEADS))]
    to_the_right = {HEADS.index(name) for name in ("triangles", "time", "memory")}
    return "\n".join(
        "  ".join(
            cell.rjust(wide[k]) if k in to_the_right else cell.ljust(wide[k]) for k, cell in enumerate(line)
        ).rstrip()
        for line in lines
    )


def _cells(row: Row) -> tuple[str, ...]:
    times = ["–" if value is None else f"{value:.1f}×" for value in (row.time, row.memory)]
    return (row.step, f"{row.triangles:,}", row.against, *times, row.quality, row.verdict)


def set_back_mb() -> float | None:
    """Give free memory back, set the high-water mark to what is in use, and say how much that is."""
    try:
        ctypes.CDLL(None).malloc_trim(0)
        forget_peak()
        return status_mb("VmRSS")
    except (OSError, AttributeError):
        return None


def forget_peak() -> None:
    """Set the high-water mark to what is in use, and free nothing. Raises OSError where there is none."""
    Path("/proc/self/clear_refs").write_text("5")


def status_mb(name: str) -> float:
    """A size that the kernel tells of this process, such as VmRSS, in MB. Raises OSError if it does not."""
    for line in Path("/proc/self/status").read_text().splitlines():
        if line.startswith(f"{name}:"):
            return int(line.split()[1]) * 1024 / 1e6
    raise OSError(f"the kernel does not say {name}")
