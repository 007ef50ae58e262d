"""A shop of 100, 10,000 and 1,000,000 scans a day, on paper: what it needs and what breaks first.

    python benchmarks/shop_model.py FIGURES [--json FILE] [--jobs 40] [--recipe quarter-bust] [--no-run]

FIGURES is what `python -m benchmarks` wrote: from its jobs of one recipe come processor time, memory and
bytes of a job by its triangles. The head's costs and a run of a real server are measured here and now. Queues
are simulated (`queue_simulation.py`).

What is assumed, no published source: a day has busy hours (`DAY`); scans have the sizes in `MIX`; what is
kept is kept 90 days; a machine has 16 cores, 64 GB, 4 TB; nobody shall wait over ten minutes for a
job to start, but for one in twenty.
"""

from __future__ import annotations

import argparse
import json
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
from head_costs import measured as measure_head
from measured_run import measured as measure_run
from queue_simulation import Floats, arrivals, pollaczek_khinchine_wait, servers_for, simulate

A_DAY = (100, 10_000, 1_000_000)
DAY = (1, 1, 1, 1, 1, 1, 2, 4, 8, 10, 10, 10, 8, 10, 10, 10, 8, 6, 4, 2, 1, 1, 1, 1)
"""How much comes in each hour, beside the others."""

MIX = {100_000: 0.50, 400_000: 0.35, 1_000_000: 0.13, 4_000_000: 0.02}
"""Triangles of a scan: share of all scans."""

KEPT_DAYS = 90
CORES, MEMORY_MB, DISK_BYTES = 16, 64_000.0, 4e12
NETWORK_BYTES_S = 125e6
"""A gigabit a second."""

IN_TIME, WITHIN_S = 0.95, 600.0
SLOW_FLUSH_S = 0.010
"""One turn of a disk of 6,000 revolutions a minute, by hand 60/6000 s: what a flush costs without flash."""

HEADROOM = 0.8
"""A queue at four fifths of its capacity waits twice its service; beyond that it soon has no end."""


@dataclass(frozen=True)
class Job:
    """What one scan of a size takes: processor seconds of one core, MB at most, bytes in and bytes kept."""

    triangles: int
    cpu_s: float
    peak_mb: float
    scan_bytes: float
    kept_bytes: float


@dataclass(frozen=True)
class Head:
    """What the server itself takes for a job: seconds, flushes of the disk beside them, bytes of record."""

    cpu_s: float
    cpu_s_per_byte: float
    fsyncs: float
    transactions: float
    ledger_bytes: float
    spool_bytes: float
    audit_s: float

    def seconds(self, job_bytes: float, flush_s: float) -> float:
        """Of the head's only thread; its flushes go to the disk one after the other."""
        return self.cpu_s + self.cpu_s_per_byte * job_bytes + (self.fsyncs + self.transactions) * flush_s


def jobs_by_size(figures: Mapping[str, Any], recipe: str) -> list[Job]:
    """What was measured, brought to the sizes of `MIX` on the straight lines between logarithms."""
    seen: dict[int, Job] = {}
    for done in figures["done"].values():
        for one in done["jobs"]:
            if one["recipe"] == recipe:
                n = int(one["triangles"])
                seen[n] = Job(n, one["cpu_s"], one["peak_mb"], one["scan_bytes"], one["disk_bytes"])
    if len(seen) < 2:
        raise SystemExit(f"the figures tell of {len(seen)} sizes of {recipe}; expected 2 or more")
    sizes = np.array(sorted(seen))
    names = ("cpu_s", "peak_mb", "scan_bytes", "kept_bytes")
    known = {name: np.array([getattr(seen[n], name) for n in sizes]) for name in names}
    return [Job(n, *(_on_line(n, sizes, known[name]) for name in names)) for n in MIX]


def _on_line(n: float, sizes: Floats, values: Floats) -> float:
    """Between two sizes, or beyond the last two, on the line through their logarithms."""
    k = int(np.clip(np.searchsorted(sizes, n), 1, len(sizes) - 1))
    x, y = np.log(sizes[k - 1 : k + 1]), np.log(values[k - 1 : k + 1])
    return float(np.exp(y[0] + (np.log(n) - x[0]) * (y[1] - y[0]) / (x[1] - x[0])))


def head_of(found: Mapping[str, Any]) -> Head:
    """From the costs of jobs that deliver next to nothing and of jobs that deliver much."""
    little, much = found["small"], found["usual"]
    more = found["bytes"]["usual"] - found["bytes"]["small"]
    return Head(
        little["cpu_s"], max(much["cpu_s"] - little["cpu_s"], 0.0) / more, little["fsyncs"],
        little["transactions"], little["ledger_bytes"], little["spool_bytes"], much["audit_cpu_s"],
    )  # fmt: skip


@dataclass(frozen=True)
class Need:
    """What a shop with so many scans a day needs, and how busy its head is in the busiest hour."""

    a_day: int
    busiest_per_s: float
    cores: int
    waited_mean_s: float
    waited_p95_s: float
    memory_mb: float
    machines: int
    disk_a_day_bytes: float
    disk_kept_bytes: float
    network_bytes_s: float
    head_used: float
    head_used_slow_disk: float
    head_wait_s: float
    transactions_per_s: float
    ledger_a_year_bytes: float
    audit_s: float


def need_of(a_day: int, jobs: Sequence[Job], head: Head, flush_s: float, seed: int = 1) -> Need:
    """Simulate a day, after a night to begin with."""
    rng = np.random.default_rng(seed)
    hours = np.array(DAY, float) / sum(DAY) * a_day / 3600.0
    days = max(1, min(30, 3000 // a_day))
    came = arrivals(np.tile(hours, days), 3600.0, rng)
    which = rng.choice(len(jobs), size=len(came), p=list(MIX.values()))
    needs = np.array([job.cpu_s for job in jobs])[which]
    cores = servers_for(came, needs, IN_TIME, WITHIN_S)
    done = simulate(came, needs, cores)
    memory = _memory_mb(done.started, done.ended, np.array([job.peak_mb for job in jobs])[which])
    shares = np.array(list(MIX.values()))
    mean = {
        name: float(shares @ [getattr(job, name) for job in jobs]) for name in ("scan_bytes", "kept_bytes")
    }
    rate = float(hours.max())
    both = mean["scan_bytes"] + mean["kept_bytes"]
    here, slow = head.seconds(both, flush_s), head.seconds(both, SLOW_FLUSH_S)
    kept = KEPT_DAYS * a_day * mean["kept_bytes"]
    return Need(
        a_day, rate, cores, float(done.waited.mean()), float(np.percentile(done.waited, 95)), memory,
        int(max(np.ceil(cores / CORES), np.ceil(memory / MEMORY_MB))),
        a_day * mean["kept_bytes"], kept, rate * both, rate * here, rate * slow,
        pollaczek_khinchine_wait(rate, here, here * here), rate * head.transactions,
        365 * a_day * head.ledger_bytes, KEPT_DAYS * a_day * head.audit_s,
    )  # fmt: skip


def _memory_mb(started: Floats, ended: Floats, peaks: Floats) -> float:
    """The most that all jobs at work would need at once, were each at its peak: more than ever comes."""
    at = np.concatenate([started, ended])
    change = np.concatenate([peaks, -peaks])
    return float(np.cumsum(change[np.lexsort((change, at))]).max())


def limits_of(
    jobs: Sequence[Job], head: Head, flush_s: float, cores: int, memory_mb: float
) -> dict[str, float]:
    """Scans a day at which one machine meets each of its limits, the first first."""
    shares = np.array(list(MIX.values()))

    def mean(name: str) -> float:
        return float(shares @ [getattr(job, name) for job in jobs])

    even = 86400.0 / (max(DAY) / (sum(DAY) / 24))
    both = mean("scan_bytes") + mean("kept_bytes")
    at_once = memory_mb / (shares @ [job.cpu_s * job.peak_mb for job in jobs] / mean("cpu_s"))
    found = {
        f"{cores} cores, four fifths busy": HEADROOM * cores * even / mean("cpu_s"),
        f"{memory_mb / 1000:.0f} GB of memory": HEADROOM * float(at_once) * even / mean("cpu_s"),
        f"{DISK_BYTES / 1e12:.0f} TB of disk, {KEPT_DAYS} days kept": DISK_BYTES
        / KEPT_DAYS
        / mean("kept_bytes"),
        "a gigabit network, with a cluster": HEADROOM * NETWORK_BYTES_S * even / both,
        f"the head's thread, flushes of {1e3 * flush_s:.1f} ms": HEADROOM
        * even
        / head.seconds(both, flush_s),
        f"the head's thread, flushes of {1e3 * SLOW_FLUSH_S:.0f} ms": HEADROOM
        * even
        / head.seconds(both, SLOW_FLUSH_S),
        "an audit of all that is kept within a night of 8 hours": 8 * 3600 / (KEPT_DAYS * head.audit_s),
    }
    return dict(sorted(found.items(), key=lambda one: one[1]))


def shown(needs: Sequence[Need], limits: Mapping[str, float], run: Mapping[str, Any] | None) -> str:
    """As tables in Markdown."""
    rows: list[tuple[str, list[str]]] = [
        ("busiest hour, scans a second", [_short(n.busiest_per_s) for n in needs]),
        ("cores, 95 % begun within 10 min", [f"{n.cores:,}" for n in needs]),
        ("mean wait, s", [f"{n.waited_mean_s:.0f}" for n in needs]),
        ("memory at most, GB", [f"{n.memory_mb / 1000:,.0f}" for n in needs]),
        (f"machines of {CORES} cores and {MEMORY_MB / 1000:.0f} GB", [f"{n.machines:,}" for n in needs]),
        ("disk a day, GB", [_short(n.disk_a_day_bytes / 1e9) for n in needs]),
        (f"disk for {KEPT_DAYS} days, TB", [_short(n.disk_kept_bytes / 1e12) for n in needs]),
        ("network of a cluster, Mbit/s", [_short(n.network_bytes_s * 8 / 1e6) for n in needs]),
        ("head busy, this disk", [f"{n.head_used:.1%}" for n in needs]),
        ("head busy, flushes of 10 ms", [f"{n.head_used_slow_disk:.1%}" for n in needs]),
        ("transactions a second", [_short(n.transactions_per_s) for n in needs]),
        ("ledger a year, GB", [_short(n.ledger_a_year_bytes / 1e9) for n in needs]),
        ("audit of all that is kept, h", [_short(n.audit_s / 3600) for n in needs]),
    ]
    lines = [
        "| scans a day | " + " | ".join(f"{n.a_day:,}" for n in needs) + " |",
        "|---|" + "---:|" * len(needs),
    ]
    lines += [f"| {name} | " + " | ".join(cells) + " |" for name, cells in rows]
    lines += ["", "| what one machine meets first | scans a day |", "|---|---:|"]
    lines += [f"| {name} | {value:,.0f} |" for name, value in limits.items()]
    if run is not None:
        what = f"a real server, {run['jobs']} jobs, {run['workers']} workers"
        lines += ["", f"| {what} | measured | replayed | foretold |", "|---|---:|---:|---:|"]
        for name, key in (("mean wait, s", "waited_mean_s"), ("mean turnaround, s", "turnaround_mean_s")):
            lines.append(
                f"| {name} | {run[key]:.1f} | {run['replayed_' + key]:.1f} | {run['foretold_' + key]:.1f} |"
            )
        lines.append(f"| all done after, s | {run['makespan_s']:.0f} | | {run['foretold_makespan_s']:.0f} |")
    return "\n".join(lines)


def _short(value: float) -> str:
    """Two digits, or all before the point."""
    return f"{value:,.0f}" if value >= 10 else f"{value:.2g}"


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("figures", type=Path)
    asked.add_argument("--json", type=Path, default=Path("build/shop_model.json"))
    asked.add_argument("--jobs", type=int, default=40)
    asked.add_argument("--recipe", default="quarter-bust")
    asked.add_argument("--cores", type=int, default=2)
    asked.add_argument("--memory-gb", type=float, default=24.0)
    asked.add_argument("--no-run", action="store_true", help="no real server")
    given = asked.parse_args()
    jobs = jobs_by_size(json.loads(given.figures.read_text("utf-8")), given.recipe)
    with tempfile.TemporaryDirectory(prefix="shop-model-") as place:
        found = measure_head(Path(place), 200)
        run = None if given.no_run else measure_run(Path(place) / "run", given.jobs, 2, 0.8, 20_000)
    head = head_of(found)
    needs = [need_of(a_day, jobs, head, found["flush_s"]) for a_day in A_DAY]
    limits = limits_of(jobs, head, found["flush_s"], given.cores, given.memory_gb * 1000)
    account = {
        "jobs": [asdict(job) for job in jobs], "head": found, "needs": [asdict(need) for need in needs],
        "limits": limits, "run": run,
    }  # fmt: skip
    given.json.parent.mkdir(parents=True, exist_ok=True)
    given.json.write_text(json.dumps(account, indent=1, default=float) + "\n", "utf-8")
    print(shown(needs, limits, run))


if __name__ == "__main__":
    main()
