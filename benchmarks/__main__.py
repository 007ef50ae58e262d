"""All benchmarks, one after the other, and one table of ratios.

    python -m benchmarks [--only NAME …] [--full] [--json FILE]

Each benchmark runs in a process of its own, which compares ours with the other in one run; so ratios mean
something, seconds depend on the machine. "time" and "memory" say how many times what ours needs the other
needs: more than 1 is good for us. A wrong answer counts as lost, however fast it came. Sizes are small, for a
look within minutes; `--full` takes the large ones, for figures to quote.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import subprocess
import sys
import tempfile
import time
from dataclasses import asdict, dataclass
from pathlib import Path

from .rows import TELL_TO, Row, table, told

HERE = Path(__file__).resolve().parent
PATIENCE_S = {False: 900.0, True: 4 * 3600.0}


@dataclass(frozen=True)
class Sizes:
    """What a benchmark is called with. None: it has nothing of this size."""

    small: tuple[str, ...] | None
    full: tuple[str, ...] | None


BENCHMARKS = {
    "formats": Sizes(("--side", "224"), ("--side", "895")),
    "slicing": Sizes(("--side", "100", "--layers", "200"), ("--side", "317", "--layers", "600")),
    "plinth_and_text": Sizes(("--detail", "6"), ("--detail", "8")),
    "split": Sizes(("--detail", "6"), ("--detail", "8")),
    "hollow": Sizes(("--detail", "6"), ("--detail", "8")),
    "tilted_cut": Sizes(("81920",), ("327680",)),
    "closing": Sizes(("--least",), ()),
    "knockdown": Sizes(None, ()),
}


def main() -> int:
    asked = argparse.ArgumentParser(prog="python -m benchmarks", description=__doc__.splitlines()[0])
    asked.add_argument("--only", nargs="+", metavar="NAME", choices=sorted(BENCHMARKS), help="some of them")
    asked.add_argument("--full", action="store_true", help="large sizes: an hour or more")
    asked.add_argument("--json", type=Path, default=Path("build/benchmarks.json"), help="where figures go")
    given = asked.parse_args()
    rows: list[Row] = []
    failed: dict[str, str] = {}
    for name in given.only or BENCHMARKS:
        sizes = BENCHMARKS[name].full if given.full else BENCHMARKS[name].small
        if sizes is None:
            print(f"{name}: only with --full", file=sys.stderr)
            continue
        print(f"{name} {' '.join(sizes)} …", file=sys.stderr, flush=True)
        found, trouble = run(name, sizes, PATIENCE_S[given.full])
        rows += found
        if trouble:
            failed[name] = trouble
    print(table(rows))
    for name, trouble in failed.items():
        print(f"{name} failed: {trouble}")
    given.json.parent.mkdir(parents=True, exist_ok=True)
    given.json.write_text(json.dumps(account(rows, failed), indent=2, ensure_ascii=False) + "\n", "utf-8")
    print(f"figures: {given.json}", file=sys.stderr)
    return 1 if failed else 0


def run(name: str, sizes: tuple[str, ...], patience_s: float) -> tuple[list[Row], str]:
    """Rows of one benchmark, and what went wrong, if anything did. What it told before that is kept."""
    with tempfile.TemporaryDirectory() as folder:
        rows = Path(folder) / "rows"
        rows.touch()
        command = [sys.executable, str(HERE / f"{name}.py"), *sizes]
        try:
            done = subprocess.run(
                command, capture_output=True, text=True, timeout=patience_s, check=False,
                env={**os.environ, TELL_TO: str(rows)},
            )  # fmt: skip
        except subprocess.TimeoutExpired:
            return told(rows), f"not done after {patience_s:g} s"
        found = told(rows)
        if done.returncode:
            return found, (done.stderr.strip().splitlines() or [f"status {done.returncode}"])[-1]
        return found, "" if found else "told nothing"


def account(rows: list[Row], failed: dict[str, str]) -> dict[str, object]:
    """All that a later reader needs to judge the figures by."""
    return {
        "when": time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime()),
        "machine": {
            "system": platform.platform(),
            "cores": os.cpu_count(),
            "python": platform.python_version(),
        },
        "rows": [{**asdict(row), "verdict": row.verdict} for row in rows],
        "failed": failed,
    }


if __name__ == "__main__":
    sys.exit(main())
