"""What the server itself takes for each job, with workers that do next to nothing: the limits of the head.

    python benchmarks/head_costs.py [--jobs 200] [--folder DIR]

A real server works off an inbox of tiny scans; each job delivers so many bytes. Counted in its process alone:
processor time, flushes to the disk, transactions of the spool. Then, by themselves: one flush of this disk,
one look at an inbox with many files in it, the audit of the ledger.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import sqlite3
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

SHOP = "shop: Bench\nrecipe: plain\nsettle: 0 s\nworkers: 2\n"
RECIPE = "recipe: plain\nabout: For measuring.\nsteps:\n  - units\ndeliver: [stl]\n"
SIZES = {"small": 1_000, "usual": 15_000_000}
"""Bytes that a job delivers: next to nothing, and what a quarter-bust of 100,000 triangles makes."""


@dataclass(frozen=True)
class Result:
    """As the server wants it of a runner."""

    job: str
    state: str
    reason: str | None = None


def small(task: Any, progress: Any = None) -> Result:
    (task.folder / "part.bin").write_bytes(b"p" * SIZES["small"])
    return Result(task.job, "done")


def usual(task: Any, progress: Any = None) -> Result:
    (task.folder / "part.bin").write_bytes(os.urandom(SIZES["usual"]))
    return Result(task.job, "done")


def make_shop(root: Path) -> Path:
    shop = root / "shop"
    for name in ("recipes", "inbox", "outbox", "hold", "rejects"):
        (shop / name).mkdir(parents=True)
    (shop / "recipes" / "plain.yaml").write_text(RECIPE)
    (shop / "shop.yaml").write_text(SHOP)
    return shop


@contextmanager
def counting() -> Iterator[Counter[str]]:
    """Count flushes and transactions of this process."""
    counts: Counter[str] = Counter()
    flush, connect = os.fsync, sqlite3.connect

    def flushed(handle: int) -> None:
        counts["fsync"] += 1
        flush(handle)

    def connected(*given: Any, **named: Any) -> sqlite3.Connection:
        db = connect(*given, **named)

        def trace(statement: str) -> None:
            first = statement.lstrip().split(maxsplit=1)[0].upper() if statement.strip() else ""
            alone = first in ("INSERT", "UPDATE", "DELETE") and not db.in_transaction
            counts["transactions"] += first == "COMMIT" or alone

        db.set_trace_callback(trace)
        return db

    os.fsync, sqlite3.connect = flushed, connected  # type: ignore[assignment]
    try:
        yield counts
    finally:
        os.fsync, sqlite3.connect = flush, connect


def served(folder: Path, jobs: int, size: str) -> dict[str, float]:
    """Costs of the head per job, with jobs that deliver so much."""
    from fettlebox.jobs.audit import audit_shop
    from fettlebox.server import serve

    shop = make_shop(folder)
    for number in range(jobs):
        (shop / "inbox" / f"scan-{number}.stl").write_text(f"scan {number}")
    with counting() as counts:
        wall, busy = time.perf_counter(), time.process_time()
        summary = serve(shop, once=True, perform={"small": small, "usual": usual}[size])
        wall, busy = time.perf_counter() - wall, time.process_time() - busy
    if summary.counts.get("done") != jobs:
        raise RuntimeError(f"{summary.counts} of {jobs} jobs")
    start = time.process_time()
    audit = audit_shop(shop)
    audited = time.process_time() - start
    if not audit.clean:
        raise RuntimeError("the audit found something")
    ledger = sum(file.stat().st_size for file in shop.rglob("ledger*") if file.is_file())
    spool = sum(file.stat().st_size for file in (shop / ".fettlebox").glob("spool.sqlite*"))
    return {
        "cpu_s": busy / jobs, "wall_s": wall / jobs, "fsyncs": counts["fsync"] / jobs,
        "transactions": counts["transactions"] / jobs, "ledger_bytes": ledger / jobs,
        "spool_bytes": spool / jobs, "audit_cpu_s": audited / jobs,
    }  # fmt: skip


def flush_s(folder: Path, times: int = 60) -> float:
    """Middle time of one small write that is flushed."""
    took = []
    with (folder / "flushed").open("wb") as file:
        for _ in range(times):
            start = time.perf_counter()
            file.write(b"x" * 4096)
            file.flush()
            os.fsync(file.fileno())
            took.append(time.perf_counter() - start)
    return float(np.median(took))


def looks(folder: Path, waiting: tuple[int, ...] = (100, 1_000, 10_000)) -> dict[str, float]:
    """Processor seconds of one look at an inbox in which so many scans settle."""
    from fettlebox.jobs.folders import ShopFolders
    from fettlebox.jobs.opening import open_shop
    from fettlebox.jobs.rules import load_rules
    from fettlebox.watch import Intake

    found = {}
    for count in waiting:
        shop = make_shop(folder / str(count))
        (shop / "shop.yaml").write_text(SHOP.replace("0 s", "1 h"))
        for number in range(count):
            (shop / "inbox" / f"scan-{number}.stl").write_text("s")
        with open_shop(ShopFolders(shop)) as (store, _):
            intake = Intake(store, load_rules(shop))
            intake.look(0.0)
            start = time.process_time()
            for turn in range(5):
                intake.look(1.0 + turn)
            found[str(count)] = (time.process_time() - start) / 5
    return found


def measured(folder: Path, jobs: int) -> dict[str, Any]:
    """All of it, in a folder of its own below this one."""
    place = Path(tempfile.mkdtemp(prefix="head-", dir=folder))
    try:
        return {
            "jobs": jobs,
            "flush_s": flush_s(place),
            "small": served(place / "small", jobs, "small"),
            "usual": served(place / "usual", max(jobs // 4, 10), "usual"),
            "bytes": SIZES,
            "look_cpu_s": looks(place / "looks"),
        }
    finally:
        shutil.rmtree(place, ignore_errors=True)


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("--jobs", type=int, default=200)
    asked.add_argument("--folder", type=Path, default=Path(tempfile.gettempdir()))
    given = asked.parse_args()
    print(json.dumps(measured(given.folder, given.jobs), indent=1))


if __name__ == "__main__":
    from head_costs import main as by_name  # children import the runner by this module's name

    by_name()
