"""Which waiting job has its turn: by how long it has waited for its size, and by what fits into memory.

Pure: sizes and times in, a choice out. The server asks; workers do.
"""

from __future__ import annotations

import contextlib
import math
import os
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from pathlib import Path

BYTES_PER_TRIANGLE = {
    ".stl": 50.0,
    ".ply": 19.0,
    ".obj": 60.0,
    ".off": 40.0,
    ".3mf": 12.0,
    ".glb": 18.0,
    ".bin": 18.0,
    ".zip": 20.0,
}
"""Binary STL and PLY as their layout says (50 a triangle; 13 a triangle and 12 a vertex, of which there
are half as many), text as common programs write it, GLB and the buffers of glTF with 32-bit numbers; 3MF
and zips as measured. STL as text is taken for five times as large as it is, PLY as text for twice: too
careful, no worse."""

BASE_MB, MB_PER_MILLION = 1900.0, 2000.0
"""An upper bound of peaks measured on made-up busts of 20,000 to 1.3 million triangles. A solid bust:
377, 451, 758 and 1,903 MB at 0.02, 0.08, 0.33 and 1.3 million, a line of 370 MB and 1,170 MB a million. A
hollow figurine: 1,905 and 2,027 MB at 0.02 and 0.33 million, which its grid decides; hence the base. The
slope leaves room for scans that have to be closed by volume, and meets the project's bound of 10 GB at
four million."""

SECONDS_BASE, SECONDS_PER_MILLION = 8.0, 100.0
"""Of processor time, of the same solid busts: 9, 15, 38 and 142 s, on a busy machine. Only ratios matter
much."""

LEAST_TRIANGLES = 100_000
USUAL_TRIANGLES = 400_000
HUGE_TRIANGLES = 2_000_000
PATIENCE = 2.0
"""Whoever has waited as long as its work takes is not overtaken any more (see `response_ratio`)."""

SHARE_OF_MEMORY = 0.8  # the rest is for the system, its file cache, the server and what runs beside it
SHARE_BESIDE, LEAST_BESIDE_BYTES = 0.05, 512 << 20
"""What the board, and the observers, may each have of the machine's memory. Below 512 MB a board would not
stand up for long: it holds 100 MB, and 180 MB when all its threads are at work (measured).
"""


@dataclass(frozen=True)
class Size:
    """What a job is expected to need: memory at most, time to a factor of two or so."""

    triangles: int
    memory_mb: float
    seconds: float

    @property
    def huge(self) -> bool:
        return self.triangles >= HUGE_TRIANGLES


@dataclass(frozen=True)
class Waiting:
    """A job in the queue; sequences of them are in the order of arrival."""

    job: str
    size: Size
    waited_s: float

    @property
    def response_ratio(self) -> float:
        """(waited + work) / work: 1 on arrival, growing the faster the smaller the job.

        P. Brinch Hansen, "An analysis of response ratio scheduling", IFIP Congress 1971: short jobs go
        first, and none waits for ever.
        """
        return (max(self.waited_s, 0.0) + self.size.seconds) / self.size.seconds


def size_of(scan: Path, most_memory_mb: float = math.inf) -> Size:
    """Size of a scan, file or folder, from its bytes alone; no job may use more than `most_memory_mb`."""
    return size_for(triangles_in(scan), most_memory_mb)


def size_for(triangles: float, most_memory_mb: float = math.inf) -> Size:
    """Rounded up to a power of two: jobs that are alike keep the order in which they came."""
    steps = max(math.ceil(math.log2(max(triangles, 1.0) / LEAST_TRIANGLES)), 0)
    count = LEAST_TRIANGLES * 2**steps
    millions = max(triangles, LEAST_TRIANGLES) / 1e6
    memory_mb = min(BASE_MB + MB_PER_MILLION * millions, most_memory_mb)
    return Size(count, memory_mb, SECONDS_BASE + SECONDS_PER_MILLION * count / 1e6)


def triangles_in(scan: Path) -> float:
    """How many triangles there may be, from names and bytes; of several takes, the largest counts."""
    try:
        if scan.is_dir():
            files = [Path(folder, name) for folder, _, names in os.walk(scan) for name in names]
            return max((triangles_in(file) for file in files), default=0.0)
        each = BYTES_PER_TRIANGLE.get(scan.suffix.lower())
        return scan.stat().st_size / each if each else 0.0
    except OSError:
        return 0.0


def next_turn(
    waiting: Sequence[Waiting], running: Collection[Size], workers: int, room_mb: float
) -> Waiting | None:
    """The job that shall start now on a free worker; None if all had better wait.

    - Whose response ratio is highest goes first; among equals, who came first.
    - What does not fit into memory beside the jobs at work is passed over. But when a job has waited as long
      as its work takes, the room is kept for it, or a stream of small jobs would hold it up for ever.
    - One of several workers is kept free of huge jobs. A huge job loses little by that: it has the threads
      of a worker that is idle.
    - Alone, every job may start, whatever it is expected to need: the limit on memory will tell.
    """
    if len(running) >= workers:
        return None
    left_mb = room_mb - sum(size.memory_mb for size in running)
    huge_left = max(workers - 1, 1) - sum(size.huge for size in running)
    for job in sorted(waiting, key=lambda job: -job.response_ratio):  # stable
        if job.size.huge and running and huge_left <= 0:
            continue
        if not running or job.size.memory_mb <= left_mb:
            return job
        if job.response_ratio >= PATIENCE:
            return None
    return None


def threads_each(cores: int, running: int) -> int:
    """Threads for each of the jobs at work: all for one alone, one each when all workers are busy."""
    return max(cores // max(running, 1), 1)


def memory_here_mb() -> float:
    """Memory that jobs may use together: a share of the machine's, or of what its container may use."""
    return SHARE_OF_MEMORY * _all_memory_bytes() / 1e6


def room_beside_bytes(most_bytes: int) -> int:
    """Memory that one process beside the server may have, such that jobs and two of them go together."""
    return int(min(most_bytes, max(SHARE_BESIDE * _all_memory_bytes(), LEAST_BESIDE_BYTES)))


def _all_memory_bytes() -> float:
    total = float(os.sysconf("SC_PAGE_SIZE")) * os.sysconf("SC_PHYS_PAGES")
    with contextlib.suppress(OSError, ValueError):  # no container, or one without a limit ("max")
        total = min(total, float(Path("/sys/fs/cgroup/memory.max").read_text()))
    return total


def workers_for(cores: int, room_mb: float) -> int:
    """One for each core, as long as usual jobs would still fit into memory together; at least one."""
    return max(min(cores, int(room_mb / size_for(USUAL_TRIANGLES).memory_mb)), 1)


def workers_here() -> int:
    """How many jobs this machine can do at the same time."""
    return workers_for(cores_here(), memory_here_mb())


def cores_here() -> int:
    """Cores that this process may use."""
    affinity = getattr(os, "sched_getaffinity", None)
    return len(affinity(0)) if affinity else os.cpu_count() or 1
