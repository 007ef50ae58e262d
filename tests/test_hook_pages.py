"""The examples of plugins/hooks/ work as they stand there, also the tests that they show."""

from __future__ import annotations

import csv
import json
import math
import re
import subprocess
import sys
from importlib.metadata import EntryPoint
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest
import trimesh
from fettlebox import hooks
from fettlebox.api import ENTRY_POINT_GROUP, Origin, StepContext
from fettlebox.catalog import KINDS, find_steps
from fettlebox.made_for import CONTRACT
from fettlebox.mesh import Part, ReadLimits, Source
from fettlebox.testing import ball, brick, bust

ROOT = Path(__file__).resolve().parents[1]
PAGES = ROOT / "plugins" / "hooks"
ORIGIN = Origin("scan.ply", "ply", "0" * 64)
MODULES = {
    page.stem: (name, re.findall(r"`[a-z-]+ = \"([a-z_]+):([a-z_]+)\"`", page.read_text("utf-8"))[0])
    for page in sorted(PAGES.glob("*.md"))
    if page.stem not in ("README", "fields", "pictures")
    for name in [page.stem]
}


def blocks(page: str) -> dict[str, str]:
    """The Python files that a page shows, by the names in their first lines."""
    found = re.findall(
        r"```python\n# (\w+\.py)\n(.*?)```", (PAGES / f"{page}.md").read_text("utf-8"), re.DOTALL
    )
    return dict(found)


@pytest.fixture
def module(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Any:
    """module("reader") is the module that a page shows, loaded from a file of the name it has there."""
    monkeypatch.syspath_prepend(tmp_path)
    before = set(sys.modules)

    def load(page: str) -> ModuleType:
        import importlib

        for name, code in blocks(page).items():
            (tmp_path / name).write_text(code, "utf-8")
        return importlib.import_module(MODULES[page][1][0])

    yield load
    for _, (name, _hook) in MODULES.values():
        if name not in before:
            sys.modules.pop(name, None)


@pytest.mark.parametrize("page", MODULES)
def test_every_example_is_found_by_its_entry_point(page: str, module: Any) -> None:
    name, hook = MODULES[page][1]
    assert module(page).FETTLEBOX_CONTRACT == CONTRACT
    catalog = find_steps([EntryPoint(hook, f"{name}:{hook}", ENTRY_POINT_GROUP)])
    assert catalog.quarantined == {} and catalog.notes == []
    assert sum(len(getattr(catalog, kind)) for kind in KINDS) == 1


@pytest.mark.parametrize("page", MODULES)
def test_the_tests_that_a_page_shows_pass(page: str, tmp_path: Path) -> None:
    for name, code in blocks(page).items():
        (tmp_path / name).write_text(code, "utf-8")
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", str(tmp_path)],
        cwd=tmp_path, capture_output=True, encoding="utf-8", check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout
    assert re.search(r"\d+ passed", done.stdout)


def test_the_table_names_every_hook_and_page() -> None:
    table = (PAGES / "README.md").read_text("utf-8")
    for kind in KINDS.values():
        assert f"`{kind.__name__}`" in table
    assert {f"{page}.md" for page in [*MODULES, "fields", "pictures"]} == set(
        re.findall(r"\]\(([a-z-]+\.md)\)", table)
    )
    assert f"FETTLEBOX_CONTRACT = {CONTRACT}" in table
    assert hooks.__doc__ and all(kind.__name__ in hooks.__doc__ for kind in list(KINDS.values())[3:])


def hill(rows: int, columns: int) -> np.ndarray:
    y, x = np.mgrid[0:rows, 0:columns]
    return np.round(500.0 + 40.0 * np.sin(x / 9.0) * np.cos(y / 7.0), 3)


def test_a_grid_is_read_where_its_description_puts_it(module: Any) -> None:
    """By hand from the format's description: `xllcenter` is the middle of the first cell of the last row.
    The area seen from above is that between the middles.
    """
    heights = hill(40, 60)
    text = "\n".join(" ".join(map(repr, row)) for row in heights.tolist())
    head = "NCOLS 60\nNROWS 40\nXLLCENTER 1000\nYLLCENTER 2000\nCELLSIZE 30\nNODATA_VALUE -1\n"
    data = (head + text).encode()
    mesh = module("reader").read(Source("hill.asc", data, ReadLimits()))
    assert mesh.up == "+z" and mesh.unit_mm is None
    assert mesh.vertices.min(axis=0)[:2].tolist() == [1000.0, 2000.0]
    assert mesh.vertices.max(axis=0)[:2].tolist() == [1000.0 + 59 * 30, 2000.0 + 39 * 30]
    seen = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False)
    assert (seen.face_normals[:, 2] > 0).all()
    flat = trimesh.Trimesh(mesh.vertices * [1, 1, 0], mesh.faces, process=False)
    assert np.isclose(flat.area, 59 * 39 * 900.0)
    by_place = {(x, y): z for x, y, z in mesh.vertices.tolist()}
    for row, column in ((0, 0), (0, 59), (39, 0), (17, 23)):
        assert by_place[1000.0 + 30 * column, 2000.0 + 30 * (39 - row)] == heights[row, column]


def test_a_real_terrain_is_read_as_another_parser_reads_it(module: Any, tmp_path: Path) -> None:
    """A fault near Jacksboro, from the sample data of matplotlib (elevations of the USGS, public domain)."""
    cbook = pytest.importorskip("matplotlib.cbook")
    with cbook.get_sample_data("jacksboro_fault_dem.npz") as dem:
        heights = dem["elevation"].astype(float)
    rows, columns = heights.shape
    path = tmp_path / "fault.asc"
    with path.open("w") as stream:
        stream.write(f"ncols {columns}\nnrows {rows}\nxllcorner 0\nyllcorner 0\ncellsize 30\n")
        csv.writer(stream, delimiter=" ").writerows(heights.tolist())
    mesh = module("reader").read(Source("fault.asc", path.read_bytes(), ReadLimits()))
    assert np.array_equal(mesh.vertices[:, 2].reshape(rows, columns), np.loadtxt(path, skiprows=5))
    assert len(mesh.faces) == 2 * (rows - 1) * (columns - 1)


def context(part: Part, tmp_path: Path) -> StepContext:
    return StepContext(ORIGIN, part, np.random.default_rng(0), tmp_path)


def test_the_foot_of_a_brick_is_its_underside(module: Any, tmp_path: Path) -> None:
    part = brick(30.0, 20.0, 10.0)
    assert module("fact-collector").collect(part, context(part, tmp_path)) == {
        "on_the_bed_mm2": 600.0, "height_to_width_ratio": 0.5,
    }  # fmt: skip


def test_overhang_is_the_angle_below_the_horizon(module: Any, tmp_path: Path) -> None:
    """On a ball a face hangs over by the latitude of its normal below the equator."""
    from fettlebox.hooking import require_picture

    drawn = module("painter")
    part = ball(4, 20.0)
    normals = trimesh.Trimesh(part.vertices, part.faces, process=False).face_normals
    latitude = np.array([math.degrees(math.asin(max(-z, 0.0))) for z in normals[:, 2]])
    assert np.allclose(drawn.overhang_deg(part), latitude, atol=1e-6)
    png = drawn.paint(part, context(part, tmp_path))
    require_picture(png)
    assert png == drawn.paint(part, context(part, tmp_path))
    assert drawn.paint(Part(np.zeros((0, 3)), np.zeros((0, 3), np.int32)), context(part, tmp_path)) is None


def test_the_finer_take_is_the_better_one(module: Any) -> None:
    grade = module("grader").grade
    coarse, fine = grade(bust(3), ORIGIN), grade(bust(5), ORIGIN)
    assert fine.rank > coarse.rank
    assert coarse.reasons and not fine.reasons
    json.dumps([coarse.facts, fine.facts])


def test_the_light_follows_the_jobs(module: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("STACK_LIGHT", str(tmp_path / "light"))
    see = module("job-observer").stack_light.see
    shown = []
    for event in ("claimed", "started", "step", "held", "started", "done"):
        see({"event": event, "job": "a"})
        shown.append((tmp_path / "light").read_text().strip())
    assert shown == ["off", "green", "green", "amber", "green", "off"]
