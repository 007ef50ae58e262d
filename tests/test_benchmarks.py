"""The one table of all benchmarks: verdicts by hand, a fixed result, and what memory is measured."""

from __future__ import annotations

import importlib.util
import json
import re
import subprocess
import sys
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

ROOT = Path(__file__).resolve().parents[1]


@pytest.fixture(scope="module")
def rows() -> ModuleType:
    spec = importlib.util.spec_from_file_location("benchmark_rows", ROOT / "benchmarks" / "rows.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


def test_table_of_a_fixed_result(rows: ModuleType) -> None:
    table = rows.table(
        [
            rows.Row("hollow", 81920, "a library", 7.04, None, "wall exact", target=5.0),
            rows.Row("cut", 5, "another", 0.5, 2.0, "same volume"),
        ]
    )
    assert table.splitlines() == [
        "step    triangles  against    time  memory  quality      verdict",
        "hollow     81,920  a library  7.0×       –  wall exact   won",
        "cut             5  another    0.5×    2.0×  same volume  lost: 2.0 times as long",
    ]


@pytest.mark.parametrize(
    ("time", "ours", "theirs", "verdict"),
    [
        (50.0, "open", "", "lost: open"),  # fast and wrong
        (50.0, "open", "open", "lost: open"),  # that the other is wrong as well is no excuse
        (0.1, "", "open", "won: the other's is open"),  # slow and right against fast and wrong
        (4.9, "", "", "ahead, short of 5"),
        (5.0, "", "", "won"),
        (0.25, "", "", "lost: 4.0 times as long"),
        (0.95, "", "", "even"),  # within what one run differs from the next
        (None, "", "", "good"),
    ],
)
def test_wrong_answers_are_lost(
    rows: ModuleType, time: float | None, ours: str, theirs: str, verdict: str
) -> None:
    assert rows.Row("s", 1, "l", time, None, "", ours, theirs, 5.0).verdict == verdict


def test_rows_travel_as_lines_of_json(
    rows: ModuleType, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    row = rows.Row("cut", 12, "a library", 2.5, None, "same", "", "open", 3.0)
    rows.tell(row)  # nobody asked: nothing is written, nothing fails
    monkeypatch.setenv(rows.TELL_TO, str(tmp_path / "rows"))
    rows.tell(row)
    rows.tell(row)
    assert rows.told(tmp_path / "rows") == [row, row]
    assert json.loads((tmp_path / "rows").read_text().splitlines()[0])["theirs_wrong"] == "open"


@pytest.mark.skipif(sys.platform != "linux", reason="the high-water mark can be set back on Linux only")
def test_growth_is_that_of_the_work_alone(rows: ModuleType) -> None:
    """An array of 80 MB that is freed again shows; what was used before it does not."""
    del_later = [np.ones(25_000_000)]
    del_later.clear()
    grown = [rows.spent(lambda size=size: np.ones(size).sum()).grown_mb for size in (10_000_000, 1_000)]
    assert grown[0] is None or grown[0] == pytest.approx(80.0, abs=4.0)
    assert grown[1] is None or grown[1] < 4.0


def test_every_benchmark_is_in_the_table_and_none_is_made_up() -> None:
    """Each file but those that others import is run by `python -m benchmarks`."""
    shared = {"__main__", "rows", "bump_shapes"}
    there = {path.stem for path in (ROOT / "benchmarks").glob("*.py")} - shared
    said = subprocess.run(
        [sys.executable, "-m", "benchmarks", "--only", "none such"],
        cwd=ROOT, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert said.returncode == 2
    assert set(re.findall(r"\w+", said.stderr.partition("choose from")[2])) == there
