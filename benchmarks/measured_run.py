"""A real server under scans that come by chance, beside the simulation of the same: do they agree?

    python benchmarks/measured_run.py [--jobs 40] [--workers 2] [--load 0.8] [--triangles 20000]

The server's own times of each job are taken from its spool. The simulation is given when the jobs came and,
once, how long each took ("replayed": is the queue right?), once only the median of the first ten
("foretold": is it of use beforehand?).
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
from queue_simulation import simulate
from raw_scans import ROOT, raw_scan

SETTLE_S = 0.3
FIRST = 10


def make_shop(root: Path, workers: int) -> Path:
    shop = root / "shop"
    for name in ("inbox", "outbox", "hold", "rejects"):
        (shop / name).mkdir(parents=True)
    shutil.copytree(ROOT / "recipes", shop / "recipes")
    (shop / "shop.yaml").write_text(
        f"shop: Bench\nrecipe: quarter-bust\nsettle: {SETTLE_S} s\nworkers: {workers}\nagain: redo\n"
    )
    return shop


def drop(shop: Path, scan: bytes, number: int) -> None:
    """A scan like no other: its comment tells the number."""
    beside = shop / f"{number}.part"
    beside.write_bytes(scan.replace(b"comment made by make_scans.py", b"comment scan %d" % number, 1))
    beside.rename(shop / "inbox" / f"scan-{number}.ply")


def times(shop: Path) -> dict[str, tuple[float, float, float]]:
    """Of each finished job: when it came, was begun, was finished."""
    with sqlite3.connect(f"file:{shop / '.fettlebox' / 'spool.sqlite'}?mode=ro", uri=True) as db:
        rows = db.execute("SELECT scan_name, arrived, started, finished FROM jobs WHERE finished NOT NULL")
        return {name: (_seconds(came), _seconds(begun), _seconds(done)) for name, came, begun, done in rows}


def _seconds(moment: str) -> float:
    return datetime.fromisoformat(moment).timestamp()


def measured(
    root: Path, jobs: int, workers: int, load: float, triangles: int, seed: int = 7
) -> dict[str, Any]:
    """Serve, drop, wait, compare."""
    scan = raw_scan("head", triangles).scan.read_bytes()
    shop = make_shop(root, workers)
    server = subprocess.Popen(
        [sys.executable, "-m", "fettlebox", "serve", str(shop), "--workers", str(workers)],
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    try:
        for number in range(workers):  # compiled code is loaded; workers are warm
            drop(shop, scan, -1 - number)
        wait_for(shop, workers, server)
        for number in range(workers, 2 * workers):
            drop(shop, scan, -1 - number)
        wait_for(shop, 2 * workers, server)
        warm = [done - begun for name, (_, begun, done) in times(shop).items()]
        need_s = float(np.median(warm[workers:]))
        rng = np.random.default_rng(seed)
        for number, gap in enumerate(rng.exponential(need_s / (workers * load), jobs)):
            time.sleep(gap)
            drop(shop, scan, number)
        wait_for(shop, 2 * workers + jobs, server)
        found = times(shop)
    finally:
        server.send_signal(signal.SIGTERM)
        server.wait(timeout=60)
    return compared(sorted(found[f"scan-{k}.ply"] for k in range(jobs)), workers, load)


def compared(jobs: list[tuple[float, float, float]], workers: int, load: float) -> dict[str, Any]:
    """Waits that were, that are replayed, and that were foretold."""
    came, begun, done = np.array(jobs).T
    came, begun, done = came - came[0], begun - came[0], done - came[0]
    took = done - begun
    replayed = simulate(came, took, workers)
    usual = float(np.median(took[:FIRST]))
    foretold = simulate(came, np.full(len(came), usual), workers)
    return {
        "jobs": len(came), "workers": workers, "load": load, "took_mean_s": float(took.mean()),
        "took_spread": float(took.std() / took.mean()),
        "waited_mean_s": float((begun - came).mean()),
        "replayed_waited_mean_s": float(replayed.waited.mean()),
        "foretold_waited_mean_s": float(foretold.waited.mean()),
        "turnaround_mean_s": float((done - came).mean()),
        "replayed_turnaround_mean_s": float((replayed.ended - came).mean()),
        "foretold_turnaround_mean_s": float((foretold.ended - came).mean()),
        "makespan_s": float(done.max()), "foretold_makespan_s": float(foretold.ended.max()),
    }  # fmt: skip


def wait_for(shop: Path, count: int, server: subprocess.Popen[bytes], patience_s: float = 900.0) -> None:
    until = time.monotonic() + patience_s
    while time.monotonic() < until:
        if server.poll() is not None:
            raise RuntimeError("the server ended")
        try:
            if len(times(shop)) >= count:
                return
        except sqlite3.Error:
            pass  # not there yet
        time.sleep(0.5)
    raise RuntimeError(f"{len(times(shop))} of {count} jobs were done in {patience_s:g} s")


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("--jobs", type=int, default=40)
    asked.add_argument("--workers", type=int, default=min(os.cpu_count() or 1, 2))
    asked.add_argument("--load", type=float, default=0.8)
    asked.add_argument("--triangles", type=int, default=20_000)
    given = asked.parse_args()
    with tempfile.TemporaryDirectory(prefix="measured-") as root:
        found = measured(Path(root), given.jobs, given.workers, given.load, given.triangles)
    print(json.dumps(found, indent=1))


if __name__ == "__main__":
    main()
