"""The whole of a ready recipe against the script that an expert would write for the same job.

    python benchmarks/whole_recipes.py quarter-bust --triangles 100000 [--ours-only]
    python benchmarks/whole_recipes.py relief --real face

The script (`expert_recipes.py`) is made of pymeshlab, trimesh, manifold3d and igl. Both work on the same
made-up scan, whose truth is known, or on a real one, which is its own truth; one after the other, each in a
process of its own with bounds on time and memory. What both deliver is judged alike, from the files
(`judging.py`). Ours makes pictures and a record as well, which the script does not: hence two rows, the whole
job and its steps alone. Processor time of all threads and the highest memory of the process; read the ratios.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from bounded import answer
from judging import Quality, in_words, judged, useless
from raw_scans import REAL, RawScan, raw_scan, real_scan
from rows import Row, ratio, tell, tell_job

HERE = Path(__file__).resolve().parent
SECONDS_BASE, SECONDS_PER_MILLION = 300.0, 900.0
MEMORY_MB = 14_000.0
SCRIPT = "script of libraries"
PART_BEFORE_A_GATE = ("done", "held")


@dataclass(frozen=True)
class Job:
    """What a recipe is run on. `above_mm`: what of the part, as printed, is likeness and no base;
    `protected`: the upper share of the subject that its cut may not touch, as the recipe says.
    """

    kind: str
    values: tuple[str, ...] = ()
    room_mm: float = 400.0
    above_mm: float = 1.0
    wall_mm: float | None = None
    in_one: bool = True
    protected: float = 0.0


JOBS = {
    "quarter-bust": Job("head", protected=0.88),
    "figurine": Job("figurine"),
    "resin-figurine": Job("figurine", wall_mm=2.0),
    "full-size-head": Job("head", protected=0.75),
    "bust-on-plinth": Job("head", ("name=King", "number=LY-1041"), above_mm=15.0),
    "life-size-in-pieces": Job("head", ("size=150 %",), room_mm=220.0, in_one=False),
    "relief": Job("relief"),
    "inspect-only": Job("head"),
}


def our_job(recipe: str, scan: RawScan, folder: Path) -> dict[str, Any]:
    job = JOBS[recipe]
    given = [recipe, str(scan.scan), str(folder), "--room", f"{job.room_mm:g}", "--kind", job.kind]
    for value in job.values:
        given += ["--set", value]
    return answer(HERE / "our_job.py", given, seconds=patience_s(scan), memory_mb=MEMORY_MB)


def their_job(recipe: str, scan: RawScan, folder: Path) -> dict[str, Any]:
    given = [recipe, str(scan.scan), str(folder)]
    return answer(HERE / "expert_recipes.py", given, seconds=patience_s(scan), memory_mb=MEMORY_MB)


def patience_s(scan: RawScan) -> float:
    return SECONDS_BASE + SECONDS_PER_MILLION * scan.triangles / 1e6


def quality_of(done: dict[str, Any], job: Job, scan: RawScan) -> Quality:
    """What came of a job, or why nothing did. A real scan's way up is in no file."""
    if "trouble" in done:
        return Quality(False, 0, done["trouble"], 0, 0.0)
    if done.get("state", "done") not in PART_BEFORE_A_GATE or not done["files"]:
        return Quality(False, 0, done.get("reason") or "nothing was delivered", 0, 0.0)
    placement = np.array(done["placement"]) if job.in_one else None
    protected = job.protected if scan.made_up else 0.0
    files = [Path(file) for file in done["files"]]
    return judged(files, scan, placement, job.above_mm, job.wall_mm is not None, protected)


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("recipe", choices=sorted(JOBS))
    asked.add_argument("--triangles", type=int, default=100_000)
    asked.add_argument("--real", choices=sorted(REAL), help="a real scan instead")
    asked.add_argument("--ours-only", action="store_true", help="for the growth of each step's cost")
    given = asked.parse_args()
    job = JOBS[given.recipe]
    scan = real_scan(given.real) if given.real else raw_scan(job.kind, given.triangles)
    with tempfile.TemporaryDirectory(prefix="bench-") as place:
        own = our_job(given.recipe, scan, Path(place) / "ours")
        if "trouble" not in own and not given.real:  # growth is read from scans that differ in size alone
            tell_job({"recipe": given.recipe, **own, "files": len(own["files"]), "placement": None})
        if given.ours_only:
            print(own.get("trouble") or f"{own['cpu_s']:.1f} s, {own['peak_mb']:.0f} MB", flush=True)
            sys.exit(1 if "trouble" in own else 0)
        other = their_job(given.recipe, scan, Path(place) / "theirs")
        if given.recipe == "inspect-only":
            report_inspection(scan, own, other)
            return
        ours, theirs = (quality_of(done, job, scan) for done in (own, other))
    name = f"{given.recipe} of a real {given.real}" if given.real else given.recipe
    report(name, scan, job, (own, ours), (other, theirs))


def report(
    recipe: str,
    scan: RawScan,
    job: Job,
    own: tuple[dict[str, Any], Quality],
    other: tuple[dict[str, Any], Quality],
) -> None:
    """Print and tell both rows."""
    for name, (done, quality) in (("ours", own), (SCRIPT, other)):
        took = done.get("trouble") or f"{done['cpu_s']:.1f} s, {done['peak_mb']:.0f} MB"
        print(f"{name}: {took}; {useless(quality, job.wall_mm) or 'of use'}; {quality}", flush=True)
    wrong = [useless(quality, job.wall_mm) for _, quality in (own, other)]
    for what, seconds in (("whole job", own[0].get("cpu_s")), ("steps alone", own[0].get("steps_cpu_s"))):
        tell(
            Row(
                f"recipe {recipe}, {what}", scan.triangles, SCRIPT,
                ratio(other[0].get("cpu_s"), seconds), ratio(other[0].get("peak_mb"), own[0].get("peak_mb")),
                in_words(own[1], other[1]), *wrong,
            )
        )  # fmt: skip


def report_inspection(scan: RawScan, own: dict[str, Any], other: dict[str, Any]) -> None:
    """No part: what is told of the scan, and the time it took."""
    print(own, other, sep="\n")
    told = [f"{key} {value}" for key, value in other.get("found", {}).items() if isinstance(value, int)]
    for what, seconds in (("whole job", own.get("cpu_s")), ("steps alone", own.get("steps_cpu_s"))):
        tell(
            Row(
                f"recipe inspect-only, {what}", scan.triangles, SCRIPT,
                ratio(other.get("cpu_s"), seconds), ratio(other.get("peak_mb"), own.get("peak_mb")),
                f"ours: a grade with reasons and pictures; theirs: {', '.join(told)}",
                own.get("trouble", ""), other.get("trouble", ""),
            )
        )  # fmt: skip


if __name__ == "__main__":
    main()
