"""One job as a worker of the server does it, with what each step cost; for the benchmarks.

    python benchmarks/our_job.py RECIPE SCAN FOLDER [--set NAME=VALUE …] [--kind KIND] [--room MM]

A small job of the same recipe goes before it, so that compiled code is loaded as in a worker that has worked
before. Says on its last line: state, reason, processor seconds of each step, of the whole, peak of memory,
bytes on disk, files delivered, placement.
"""

from __future__ import annotations

import argparse
import itertools
import json
import shutil
import time
from pathlib import Path
from typing import Any

from bounded import costing
from raw_scans import KINDS, ROOT, raw_scan

WARMING = 20_000


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
    marks: list[tuple[str, float]] = []

    def progress(step: str, fraction: float) -> None:
        if not marks or marks[-1][0] != step:
            marks.append((step, time.process_time()))

    result, cost = costing(lambda: perform(task, progress))
    marks.append(("", time.process_time()))
    took = {name: after - at for (name, at), (_, after) in itertools.pairwise(marks)}
    record = result.record
    steps = {one.id: {"cpu_s": took.get(one.id, 0.0), "name": one.name} for one in record.steps}
    made = sum(file.stat().st_size for file in folder.rglob("*") if file.is_file())
    return {
        "state": result.state, "reason": result.reason,
        "triangles": int(record.before.get("triangles", 0)),
        "cpu_s": cost.cpu_s, "wall_s": cost.wall_s, "peak_mb": cost.peak_mb,
        "steps": steps, "steps_cpu_s": sum(step["cpu_s"] for step in steps.values()),
        "beside": {name: took[name] for name in took if name not in steps},
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
    given = asked.parse_args()
    values = dict(each.split("=", 1) for each in given.set)
    recipe = Path(given.recipe)
    if not recipe.is_file():
        recipe = ROOT / "recipes" / f"{given.recipe}.yaml"
    small = raw_scan(given.kind, WARMING).scan
    job(recipe, small, given.folder, values, given.room)
    print(json.dumps(job(recipe, given.scan, given.folder, values, given.room), default=float))


if __name__ == "__main__":
    main()
