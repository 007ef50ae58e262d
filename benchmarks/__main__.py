"""All benchmarks, one after the other, and one table of ratios.

    python -m benchmarks [--only NAME …] [--full] [--fresh] [--json FILE]

Each call runs in a process of its own with bounds on time and memory, which compares ours with the other in
one run; so ratios mean something, seconds depend on the machine. "time" and "memory" say how many times what
ours needs the other needs: more than 1 is good for us. A wrong answer counts as lost, however fast it came.
Sizes are small, for a look within ten minutes; `--full` takes the large ones as well, for figures to quote.

What is done is kept as it comes: a run that was stopped goes on where it was, `--fresh` starts anew. `--only`
takes names, or beginnings of calls such as "whole_recipes relief", and does those anew. What is called no
longer drops out.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE))

from bounded import run  # noqa: E402
from calls import BENCHMARKS, Call, calls_of, still_called  # noqa: E402
from growth import as_json, growth_rows, growths  # noqa: E402
from plots import plot_growth, plot_ratios  # noqa: E402
from rows import TELL_TO, Row, table, told, told_jobs  # noqa: E402

Done = dict[str, dict[str, Any]]


def main() -> int:
    asked = argparse.ArgumentParser(prog="python -m benchmarks", description=__doc__.splitlines()[0])
    asked.add_argument("--only", nargs="+", metavar="NAME", help="some of them: " + ", ".join(BENCHMARKS))
    asked.add_argument("--full", action="store_true", help="large sizes as well: an hour or more")
    asked.add_argument("--fresh", action="store_true", help="forget what was done before")
    asked.add_argument("--json", type=Path, default=Path("build/benchmarks.json"), help="where figures go")
    given = asked.parse_args()
    calls = calls_of(given.full)
    wanted = [call for call in calls if _is_wanted(call, given.only)]
    if not wanted:
        asked.error(f"nothing is called {' or '.join(given.only)}; choose from {', '.join(BENCHMARKS)}")
    done: Done = {} if given.fresh else still_called(kept(given.json), (*calls_of(False), *calls_of(True)))
    for number, call in enumerate(wanted, start=1):
        before = done.get(call.label)
        if before is not None and not before["trouble"] and not given.only:
            continue
        print(f"[{number}/{len(wanted)}] {call.label} …", file=sys.stderr, flush=True)
        done[call.label] = one(call)
        keep(given.json, done)
    return finish(given.json, {call.label: done[call.label] for call in calls if call.label in done})


def _is_wanted(call: Call, only: Sequence[str] | None) -> bool:
    return only is None or any(call.label == name or call.label.startswith(f"{name} ") for name in only)


def one(call: Call) -> dict[str, Any]:
    """Do one call. What it told before it failed is kept."""
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder) / "rows"
        place.touch()
        command = [sys.executable, str(HERE / f"{call.script}.py"), *call.arguments]
        ended = run(command, seconds=call.seconds, memory_mb=call.memory_mb, more={TELL_TO: str(place)})
        rows, jobs = told(place), told_jobs(place)
    trouble = ended.trouble or ("" if rows or jobs else "told nothing")
    if trouble:
        print(f"    {trouble}", file=sys.stderr, flush=True)
    when = time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime())
    return {
        "rows": [asdict(row) for row in rows], "jobs": jobs, "trouble": trouble, "when": when,
        "seconds": round(ended.seconds, 1),
    }  # fmt: skip


def kept(place: Path) -> Done:
    """What earlier runs did."""
    if not place.is_file():
        return {}
    done: Done = json.loads(place.read_text("utf-8")).get("done", {})
    return done


def keep(place: Path, done: Done) -> None:
    """All that a later reader needs to judge the figures by, written whole."""
    rows = [Row(**row) for each in done.values() for row in each["rows"]]
    found = growths(job for each in done.values() for job in each["jobs"])
    account = {
        "machine": {
            "system": f"{platform.system()} {platform.machine()}", "cores": os.cpu_count(),
            "memory_gb": _memory_gb(), "python": platform.python_version(),
        },
        "rows": [{**asdict(row), "verdict": row.verdict} for row in (*rows, *growth_rows(found))],
        "growth": as_json(found),
        "failed": {label: each["trouble"] for label, each in done.items() if each["trouble"]},
        "done": done,
    }  # fmt: skip
    place.parent.mkdir(parents=True, exist_ok=True)
    beside = place.with_name(f".{place.name}.new")
    beside.write_text(json.dumps(account, indent=1, ensure_ascii=False, default=float) + "\n", "utf-8")
    beside.replace(place)


def finish(place: Path, done: Done) -> int:
    """Table, pictures, and what failed."""
    rows = [Row(**row) for each in done.values() for row in each["rows"]]
    found = growths(job for each in done.values() for job in each["jobs"])
    print(table([*rows, *growth_rows(found)]))
    failed = {label: each["trouble"] for label, each in done.items() if each["trouble"]}
    for label, trouble in failed.items():
        print(f"{label} failed: {trouble}")
    plot_ratios(rows, place.with_name(f"{place.stem}-ratios.svg"))
    plot_growth(found, place.with_name(f"{place.stem}-growth.svg"))
    print(f"figures: {place}; pictures beside it", file=sys.stderr)
    return 1 if failed else 0


def _memory_gb() -> float:
    return round(float(os.sysconf("SC_PAGE_SIZE")) * os.sysconf("SC_PHYS_PAGES") / 2**30, 1)


if __name__ == "__main__":
    sys.exit(main())
