"""Jobs an hour of two workers against one: on this machine, and on a cluster of processes on loopback.

    python benchmarks/two_workers.py [--jobs 8] [--rounds 3] [--triangles 20000] [--recipe quarter-bust]

Four servers, each with a shop of its own and with warm workers, wait for scans. In each round each of them
in turn is given the same scans at once, and the time is taken until the last is done. What is told is the
median of the rounds' ratios: what slows the machine down for long slows all alike. A cluster has a scheduler
and workers of one thread, each a process of its own, and gets scans and gives parts as bytes.
"""

from __future__ import annotations

import argparse
import json
import os
import signal
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from measured_run import drop, make_shop, times, wait_for
from raw_scans import raw_scan

from tests.server.clusters import TestCluster

WANTED = 1.8  # jobs an hour of two workers over those of one


class Served:
    """A server and its shop; `cluster` is what does its jobs, if not children of its own."""

    def __init__(self, root: Path, count: int, recipe: str, *, clustered: bool) -> None:
        root.mkdir()
        self.count, self.dropped = count, 0
        self.shop = make_shop(root, count)
        file = self.shop / "shop.yaml"
        file.write_text(file.read_text().replace("recipe: quarter-bust", f"recipe: {recipe}"))
        self.cluster = TestCluster(root) if clustered else None
        workers = str(count)
        if self.cluster is not None:
            workers = self.cluster.address
            for _ in range(count):
                self.cluster.start_worker()
        self.server = subprocess.Popen(
            [sys.executable, "-m", "fettlebox", "serve", str(self.shop), "--workers", workers],
            stdout=subprocess.DEVNULL, stderr=(root / "server.txt").open("wb"),
        )  # fmt: skip

    def run(self, scan: bytes, jobs: int) -> float:
        """Seconds until so many scans more are done."""
        began = time.time()
        for _ in range(jobs):
            drop(self.shop, scan, self.dropped)
            self.dropped += 1
        wait_for(self.shop, self.dropped, self.server)
        ended = max(finished for _, _, finished in times(self.shop).values())
        done = len(list((self.shop / "outbox").iterdir()))
        if (
            done + len(list((self.shop / "hold").iterdir())) != self.dropped
            or len(times(self.shop)) != self.dropped
        ):
            raise SystemExit(f"not every job was done: {done} of {self.dropped}")
        return ended - began

    def close(self) -> None:
        self.server.send_signal(signal.SIGTERM)
        self.server.wait()
        if self.cluster is not None:
            self.cluster.close()


def measure(root: Path, given: argparse.Namespace) -> dict[str, Any]:
    scan = raw_scan("head", given.triangles).scan.read_bytes()
    served = {
        (kind, count): Served(root / f"{kind}-{count}", count, given.recipe, clustered=kind == "cluster")
        for kind in ("local", "cluster")
        for count in (1, 2)
    }
    taken: dict[tuple[str, int], list[float]] = {key: [] for key in served}
    try:
        for one in served.values():  # compiled code is loaded; every worker is warm
            one.run(scan, 2 * one.count)
        for number in range(given.rounds):
            for key, one in served.items():
                taken[key].append(one.run(scan, given.jobs))
                print(
                    f"round {number + 1}: {key[0]}, workers {key[1]}: {taken[key][-1]:.1f} s", file=sys.stderr
                )
    finally:
        for one in served.values():
            one.close()
    told: dict[str, Any] = {"jobs": given.jobs, "rounds": given.rounds, "cores": os.cpu_count()}
    for kind in ("local", "cluster"):
        ratios = [one / two for one, two in zip(taken[kind, 1], taken[kind, 2], strict=True)]
        hourly = [3600 * given.jobs / statistics.median(taken[kind, count]) for count in (1, 2)]
        told[kind] = {
            "jobs_an_hour": [round(one, 1) for one in hourly],
            "ratio": round(statistics.median(ratios), 3),
            "ratios": [round(one, 3) for one in ratios],
            "wanted": WANTED,
        }
    over = [one / two for one, two in zip(taken["local", 2], taken["cluster", 2], strict=True)]
    told["cluster_over_local"] = round(statistics.median(over), 3)
    return told


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--jobs", type=int, default=8)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--triangles", type=int, default=20_000)
    parser.add_argument("--recipe", default="quarter-bust")
    with tempfile.TemporaryDirectory(dir=os.environ.get("BENCH_FOLDER")) as root:
        print(json.dumps(measure(Path(root), parser.parse_args()), indent=2))


if __name__ == "__main__":
    main()
