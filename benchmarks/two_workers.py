"""Jobs an hour of two workers against one: on this machine, and on a cluster of processes on loopback.

    python benchmarks/two_workers.py [--jobs 12] [--rounds 3] [--triangles 20000] [--only local|cluster]

Of each kind three servers, each with a shop of its own and warm workers, wait for scans: one worker that has
one core (it, its server and its scheduler are bound to it), one worker that has the machine, and two workers.
In each round each in turn is given the same scans at once, and is timed from the first job's start to the
last one's end. What is told is the median of the rounds' ratios: what slows the machine down for long slows
all of them.

against one core     what a second worker brings; 2 at most
against the machine  what a shop gains; a worker that is alone has the threads of both cores, so this is less
a job's seconds      of processor time, all threads of its worker: not more with two workers than with one
                     core, or they do each other's work twice, or wait for each other by spinning
the head's           processor seconds a job of the server itself
idle                 share of the time, between first start and last end, in which a worker had no job
cores                what two busy cores bring here when they share nothing, and when both read memory

A cluster has a scheduler and workers of one thread, each a process of its own, and gets scans and gives parts
as bytes.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import multiprocessing
import os
import signal
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from measured_run import drop, make_shop, times, wait_for
from raw_scans import raw_scan

from tests.server.clusters import TestCluster

WANTED = 1.8  # jobs an hour of two workers over those of one
HOW = {"one core": (1, 1), "one": (1, None), "two": (2, None)}
"""Name → workers, and cores that they may use together (None: all)."""
TICKS = os.sysconf("SC_CLK_TCK")


class Served:
    """A server and its shop; `cluster` is what does its jobs, if not children of its own."""

    def __init__(self, root: Path, how: str, recipe: str, *, clustered: bool) -> None:
        root.mkdir()
        self.count, cores = HOW[how]
        self.dropped = 0
        self.shop = make_shop(root, self.count)
        file = self.shop / "shop.yaml"
        file.write_text(file.read_text().replace("recipe: quarter-bust", f"recipe: {recipe}"))
        with bound_to(cores):
            self.cluster = TestCluster(root) if clustered else None
            workers = str(self.count)
            if self.cluster is not None:
                workers = self.cluster.address
                for _ in range(self.count):
                    self.cluster.start_worker()
            self.server = subprocess.Popen(
                [sys.executable, "-m", "fettlebox", "serve", str(self.shop), "--workers", workers],
                stdout=subprocess.DEVNULL, stderr=(root / "server.txt").open("wb"),
            )  # fmt: skip

    def run(self, scan: bytes, jobs: int) -> dict[str, float]:
        """Do so many scans more; what is told of a run, see above."""
        before = self.dropped
        roots = self.cluster.workers if self.cluster is not None else [self.server]
        workers = [process for root in roots for process in below(root.pid)]
        used, head = processor_s(workers), processor_s([self.server.pid])
        for _ in range(jobs):
            drop(self.shop, scan, self.dropped)
            self.dropped += 1
        wait_for(self.shop, self.dropped, self.server)
        mine = [times(self.shop)[f"scan-{number}.ply"] for number in range(before, self.dropped)]
        ended = [*(self.shop / "outbox").iterdir(), *(self.shop / "hold").iterdir()]
        if len(ended) != self.dropped:
            raise SystemExit(f"not every job was done: {len(ended)} of {self.dropped}")
        began, took = min(begun for _, begun, _ in mine), self._worked(max(came for came, _, _ in mine))
        seconds = max(finished for _, _, finished in mine) - began
        return {
            "seconds": seconds,
            "idle": 1 - sum(took) / (self.count * seconds),
            "a job's seconds": (processor_s(workers) - used) / jobs,
            "the head's": (processor_s([self.server.pid]) - head) / jobs,
        }

    def _worked(self, since: float) -> list[float]:
        """Seconds of the jobs that ended since then, as their workers tell."""
        told = [json.loads(file.read_text())["timing"] for file in self.shop.glob("*/*/traveler.json")]
        return [one["seconds"] for one in told if datetime.fromisoformat(one["finished"]).timestamp() > since]

    def close(self) -> None:
        self.server.send_signal(signal.SIGTERM)
        self.server.wait()
        if self.cluster is not None:
            self.cluster.close()


@contextmanager
def bound_to(cores: int | None) -> Iterator[None]:
    """What is started in here may use so many cores."""
    all_cores = os.sched_getaffinity(0)
    os.sched_setaffinity(0, sorted(all_cores)[:cores])
    try:
        yield
    finally:
        os.sched_setaffinity(0, all_cores)


def processor_s(processes: Iterable[int]) -> float:
    """Seconds of processor time that processes have used, with that of children that are gone."""
    fields = [_text(Path(f"/proc/{process}/stat")).rpartition(")")[2].split() for process in processes]
    return sum(int(tick) for one in fields for tick in one[11:15]) / TICKS


def below(root: int) -> Iterator[int]:
    """The children of a process, and theirs."""
    for file in Path(f"/proc/{root}/task").glob("*/children"):
        for child in _text(file).split():
            yield int(child)
            yield from below(int(child))


def _text(file: Path) -> str:
    try:
        return file.read_text()
    except OSError:
        return ""


def arithmetic(number: int) -> float:
    """Seconds of work that stays within a core."""
    data, start = bytes(4096), time.perf_counter()
    for _ in range(200_000):
        data = hashlib.sha256(data).digest() * 128
    return time.perf_counter() - start


def memory(number: int) -> float:
    """Seconds of reading 32 MB in random order again and again, and writing it elsewhere."""
    values = np.random.default_rng(number).random(4_000_000)
    order = np.random.default_rng(number + 1).permutation(len(values))
    start = time.perf_counter()
    for _ in range(20):
        values = values[order]
    return time.perf_counter() - start


def two_cores_bring() -> dict[str, float]:
    """Work done by two processes in the time in which one does 1."""
    found = {}
    with multiprocessing.get_context("spawn").Pool(2) as pool:
        for work in (arithmetic, memory):
            pool.map(work, range(2), chunksize=1)
            ratios = []
            for _ in range(3):
                alone, both = pool.map(work, range(1)), pool.map(work, range(2), chunksize=1)
                ratios.append(2 * alone[0] / statistics.mean(both))
            found[work.__name__] = round(statistics.median(ratios), 3)
    return found


def measure(root: Path, given: argparse.Namespace) -> dict[str, Any]:
    scan = raw_scan("head", given.triangles).scan.read_bytes()
    kinds = [given.only] if given.only else ["local", "cluster"]
    served: dict[tuple[str, str], Served] = {}
    runs: dict[tuple[str, str], list[dict[str, float]]] = {}
    told: dict[str, Any] = {"jobs": given.jobs, "rounds": given.rounds, "machine": os.cpu_count()}
    told["cores"] = two_cores_bring()
    try:
        for kind in kinds:
            for how in HOW:
                place = root / f"{kind}-{how.replace(' ', '-')}"
                served[kind, how] = Served(place, how, given.recipe, clustered=kind == "cluster")
        for one in served.values():  # compiled code is loaded; every worker is warm
            one.run(scan, 2 * one.count)
        for number in range(given.rounds):
            for key, one in served.items():
                runs.setdefault(key, []).append(one.run(scan, given.jobs))
                print(f"round {number + 1}: {' '.join(key)}: {runs[key][-1]}", file=sys.stderr)
    finally:
        for one in served.values():
            one.close()
    for kind in kinds:
        told[kind] = {how: _told(runs[kind, how], given.jobs) for how in HOW}
        for name, how in (("against one core", "one core"), ("against the machine", "one")):
            told[kind][name] = _ratio(runs[kind, how], runs[kind, "two"]) | {"wanted": WANTED}
    if not given.only:
        told["local over cluster"] = _ratio(runs["cluster", "two"], runs["local", "two"])
    return told


def _told(runs: list[dict[str, float]], jobs: int) -> dict[str, float]:
    middle = {name: statistics.median(run[name] for run in runs) for name in runs[0]}
    return {
        "jobs an hour": round(3600 * jobs / middle["seconds"], 1),
        "idle": round(middle["idle"], 3),
        "a job's seconds": round(middle["a job's seconds"], 3),
        "the head's": round(middle["the head's"], 3),
    }


def _ratio(ones: list[dict[str, float]], others: list[dict[str, float]]) -> dict[str, Any]:
    """How many times as much the others do, round by round."""
    ratios = [one["seconds"] / other["seconds"] for one, other in zip(ones, others, strict=True)]
    return {"ratio": round(statistics.median(ratios), 3), "ratios": [round(one, 3) for one in ratios]}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--jobs", type=int, default=12)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--triangles", type=int, default=20_000)
    parser.add_argument("--recipe", default="quarter-bust")
    parser.add_argument("--only", choices=["local", "cluster"])
    with tempfile.TemporaryDirectory(dir=os.environ.get("BENCH_FOLDER")) as root:
        print(json.dumps(measure(Path(root), parser.parse_args()), indent=2))


if __name__ == "__main__":
    main()
