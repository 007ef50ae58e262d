"""One job as a worker of the server does it, with what each step cost; for the benchmarks.

    python benchmarks/our_job.py RECIPE SCAN FOLDER [--set NAME=VALUE …] [--kind KIND] [--room MM]

A small job of the same recipe goes before it, so that compiled code is loaded as in a worker that has worked
before. Says on its last line: state, reason, of each step and of what is beside them the processor seconds,
the seconds and the highest memory, the same of the whole, bytes on disk, files delivered, placement.
`--table` prints the steps as rows before it.
"""

from __future__ import annotations

import argparse
import itertools
import json
import shutil
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from fettlebox.idling import let_idle_threads_sleep

let_idle_threads_sleep()  # as in a worker; before numpy is imported

from bounded import costing  # noqa: E402
from raw_scans import KINDS, ROOT, raw_scan  # noqa: E402
from rows import forget_peak, status_mb  # noqa: E402

WARMING = 20_000


@dataclass(frozen=True)
class Mark:
    """A moment at which a step began: processor seconds, seconds, highest memory since the mark before."""

    step: str
    cpu_s: float
    wall_s: float
    peak_mb: float

    @classmethod
    def now(cls, step: str) -> Mark:
        peak_mb = status_mb("VmHWM")
        forget_peak()
        return cls(step, time.process_time(), time.perf_counter(), peak_mb)

    def until(self, after: Mark) -> dict[str, float]:
        return {
            "cpu_s": after.cpu_s - self.cpu_s,
            "wall_s": after.wall_s - self.wall_s,
            "peak_mb": after.peak_mb,
        }


def job(recipe: Path, scan: Path, folder: Path, values: dict[str, str], room_mm: float) -> dict[str, Any]:
    """Run a job in a folder of its own and say how it went."""
    from fettlebox.api import Printer
    from fettlebox.run_job import ORIGINAL, JobTask, perform

    shutil.rmtree(folder, ignore_errors=True)
    (folder / ORIGINAL).mkdir(parents=True)
    shutil.copy2(scan, folder / ORIGINAL / scan.name)
    (folder / ORIGINAL / "it.ticket.yaml").write_text("unit: mm\n")
    task = JobTask(
        job="0" * 64,
        folder=folder,
        scan_name=scan.name,
        recipe_text=recipe.read_text("utf-8"),
        recipe_name=recipe.name,
        recipe_folder=recipe.parent,
        ticket_name="it.ticket.yaml",
        printer=Printer("bench", (room_mm, room_mm, room_mm)),
        values=values,
    )
    marks: list[Mark] = []

    def progress(step: str, fraction: float) -> None:
        if not marks or marks[-1].step != step:
            marks.append(Mark.now(step))

    result, cost = costing(lambda: perform(task, progress))
    marks.append(Mark.now(""))
    took = {one.step: one.until(after) for one, after in itertools.pairwise(marks)}
    record = result.record
    nothing = {"cpu_s": 0.0, "wall_s": 0.0, "peak_mb": 0.0}
    steps = {one.id: {**took.get(one.id, nothing), "name": one.name} for one in record.steps}
    made = sum(file.stat().st_size for file in folder.rglob("*") if file.is_file())
    return {
        "state": result.state, "reason": result.reason,
        "triangles": int(record.before.get("triangles", 0)),
        "cpu_s": cost.cpu_s, "wall_s": cost.wall_s, "peak_mb": max(mark.peak_mb for mark in marks),
        "steps": steps, "steps_cpu_s": sum(step["cpu_s"] for step in steps.values()),
        "beside": {name: took[name]["cpu_s"] for name in took if name not in steps},
        "phases": took,
        "disk_bytes": made, "scan_bytes": scan.stat().st_size,
        "files": [str(folder / one.path) for one in record.outputs if one.format == "stl"],
        "placement": record.placement,
    }  # fmt: skip


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("recipe")
    asked.add_argument("scan", type=Path)
    asked.add_argument("folder", type=Path)
    asked.add_argument("--set", action="append", default=[])
    asked.add_argument("--kind", default="head", choices=KINDS, help="of the small scan before it")
    asked.add_argument("--room", type=float, default=400.0)
    asked.add_argument("--table", action="store_true", help="a row a step, for a person")
    given = asked.parse_args()
    values = dict(each.split("=", 1) for each in given.set)
    recipe = Path(given.recipe)
    if not recipe.is_file():
        recipe = ROOT / "recipes" / f"{given.recipe}.yaml"
    small = raw_scan(given.kind, WARMING).scan
    job(recipe, small, given.folder, values, given.room)
    done = job(recipe, given.scan, given.folder, values, given.room)
    if given.table:
        print(f"{'':20}{'cpu s':>9}{'wall s':>9}{'peak MB':>9}")
        for step, took in [*done["phases"].items(), ("whole", done)]:
            print(f"{step:20}{took['cpu_s']:9.1f}{took['wall_s']:9.1f}{took['peak_mb']:9.0f}")
    print(json.dumps(done, default=float))


if __name__ == "__main__":
    main()
