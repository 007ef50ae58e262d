"""A reject sentence names the scan once, whoever begins it."""

from __future__ import annotations

from pathlib import Path

import pytest
from fettlebox.cli import app
from fettlebox.reasons import reason
from typer.testing import CliRunner

ROOT = Path(__file__).resolve().parents[1]


@pytest.mark.parametrize(
    ("found", "text"),
    [
        ("found no facets", "a.stl: reading: found no facets. Do this"),
        ("a.stl: found no facets.", "a.stl: reading: found no facets. Do this"),
        ("a.stl, line 6: found 'nan'", "a.stl: reading: line 6: found 'nan'. Do this"),
        ("a.stl/b.off, line 6: found 'nan'", "a.stl: reading: b.off, line 6: found 'nan'. Do this"),
        ("a.stl: reading: found no facets", "a.stl: reading: found no facets. Do this"),
        ("a.stlx: found", "a.stl: reading: a.stlx: found. Do this"),
        ("is it a.stl?", "a.stl: reading: is it a.stl? Do this"),
    ],
)
def test_what_it_begins_with_is_not_said_twice(found: str, text: str) -> None:
    assert reason("a.stl", "reading", found, "Do this") == text


NAN = b"OFF\n4 4 0\n0 0 0\n9 0 0\n0 9 0\n0 0 nan\n3 0 2 1\n3 0 1 3\n3 0 3 2\n3 1 2 3\n"


@pytest.mark.parametrize("inside", ["", "mesh.off"])
def test_a_run_names_the_scan_once(tmp_path: Path, inside: str) -> None:
    scan = tmp_path / "scan.off"
    if inside:
        scan.mkdir()
    (scan / inside).write_bytes(NAN)
    recipe = ROOT / "recipes" / "quarter-bust.yaml"
    said = CliRunner().invoke(app, ["run", str(recipe), str(scan), "--out", str(tmp_path / "out")])
    assert said.exit_code == 4
    first = said.stdout.splitlines()[0]
    where = f"{inside}, line 6" if inside else "line 6"
    assert first.startswith(f"scan.off: rejected. reading: {where}: found 'nan'; expected a number"), first
    assert first.count("scan.off") == 1
