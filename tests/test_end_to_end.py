"""The main job on real scans, judged from outside: independent libraries, the files' own bytes, lib3mf."""

from __future__ import annotations

import hashlib
import json
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import lib3mf
import numpy as np
import pytest
import trimesh
from scipy.spatial import cKDTree

ROOT = Path(__file__).resolve().parents[1]
RECIPES = ROOT / "recipes"
EXAMPLES = ROOT / "inbox_example" / "inbox"
FETTLEBOX = [sys.executable, "-m", "fettlebox"]


def run(recipe: str, scan: Path, out: Path, *more: str, status: int = 0) -> dict[str, Any]:
    """`fettlebox run --json` on one scan, as a script would call it."""
    path = RECIPES / f"{recipe}.yaml"
    command = [*FETTLEBOX, "run", str(path), str(scan), "--out", str(out), "--json", *more]
    done = subprocess.run(command, capture_output=True, encoding="utf-8", check=False)
    assert done.returncode == status, done.stdout + done.stderr
    result: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
    return result


def delivered(job: dict[str, Any], form: str) -> Path:
    return Path(next(out["path"] for out in job["outputs"] if out["format"] == form))


def assert_print_ready(job: dict[str, Any]) -> trimesh.Trimesh:
    """Closed, oriented, one body, flat on the bed: by trimesh, and by lib3mf in strict mode."""
    assert job["state"] == "done", job["reason"]
    assert job["facts"]["after"]["sound"] is True
    assert job["facts"]["after"]["bodies"] == 1
    mesh = trimesh.load_mesh(delivered(job, "stl"))
    assert mesh.is_watertight
    assert mesh.is_winding_consistent
    assert mesh.volume > 0
    assert mesh.body_count == 1
    low = mesh.bounds[0, 2]
    assert abs(low) < 1e-5, "the base is not on the bed"
    on_bed = np.abs(mesh.triangles[:, :, 2]).max(axis=1) < 1e-5
    assert mesh.area_faces[on_bed].sum() > 0.01 * mesh.area, "there is no flat base"
    reader = (model := lib3mf.get_wrapper().CreateModel()).QueryReader("3mf")
    reader.SetStrictModeActive(True)
    reader.ReadFromFile(str(delivered(job, "3mf")))
    assert reader.GetWarningCount() == 0
    assert model.GetUnit() == lib3mf.ModelUnit.MilliMeter
    meshes = model.GetMeshObjects()
    assert meshes.MoveNext()
    assert meshes.GetCurrentMeshObject().GetTriangleCount() == len(mesh.faces)
    return mesh


def test_raw_range_scan_of_a_head_becomes_a_quarter_size_part(face_scan: Path, tmp_path: Path) -> None:
    job = run("quarter-bust", face_scan, tmp_path)
    mesh = assert_print_ready(job)
    steps = {step["name"]: step for step in job["steps"]}
    assert steps["scale"]["facts"]["ratio"] == pytest.approx(0.25, rel=1e-3)
    assert job["facts"]["fidelity"]["scan_to_part_p95_mm"] <= 0.1
    # Against the files themselves: the record's placement turns and scales by exactly a quarter, and the
    # points of the scan that it puts above the cut lie on the delivered surface.
    record = json.loads((Path(job["folder"]) / "traveler.json").read_text("utf-8"))
    placement = np.array(record["placement"])
    turn = placement[:3, :3] / 0.25
    assert turn @ turn.T == pytest.approx(np.eye(3), abs=1e-9)
    scan = trimesh.load_mesh(face_scan, process=False).vertices
    face = scan[np.linalg.norm(scan - np.median(scan, axis=0), axis=1) < 60.0]
    placed = face @ placement[:3, :3].T + placement[:3, 3]
    surface = cKDTree(trimesh.sample.sample_surface(mesh, 400_000, seed=1)[0])
    away, _ = surface.query(placed[placed[:, 2] > 1.0])
    assert np.percentile(away, 95) <= 0.25 * 0.1 + 0.1, "0.1 mm in life, and the spacing of the samples"


def test_a_scanned_figurine_with_holes_is_closed_and_stands(bunny_scan: Path, tmp_path: Path) -> None:
    job = run("figurine", bunny_scan, tmp_path)
    assert_print_ready(job)
    assert job["facts"]["fidelity"]["scan_to_part_p95_mm"] <= 0.1


def test_a_head_stands_on_a_plinth_with_its_name_number_and_code(tmp_path: Path) -> None:
    asked = ["--set", "name=Old King", "--set", "number=LY-1041", "--set", "code=LY-1041"]
    job = run("bust-on-plinth", EXAMPLES / "old king.ply", tmp_path, *asked)
    mesh = assert_print_ready(job)
    steps = {step["id"]: step for step in job["steps"]}
    made = steps["plinth"]["facts"]
    assert made["united_mm3"] == pytest.approx(
        made["part_mm3"] + made["plinth_mm3"] - made["overlap_mm3"], rel=1e-6
    )
    marks = sum(steps[label]["facts"]["volume_change_mm3"] for label in ("name", "number", "code"))
    assert mesh.volume == pytest.approx(made["united_mm3"] + marks, rel=1e-5)
    assert [steps[label]["facts"]["facing"] for label in ("name", "code")] == [[0, -1, 0], [0, 0, -1]]


def test_a_scanned_open_sheet_becomes_a_relief_on_a_flat_back(sheet_scan: Path, tmp_path: Path) -> None:
    assert_print_ready(run("relief", sheet_scan, tmp_path))


def test_a_relief_of_a_head_in_metres_is_read_in_metres(tmp_path: Path) -> None:
    # The workshop's miller is 231 mm tall; read as mm, the back alone would be thirteen times his height.
    job = run("relief", EXAMPLES / "miller.ply", tmp_path)
    assert max(assert_print_ready(job).extents) == pytest.approx(80.0, rel=1e-6)
    facts = {step["id"]: step["facts"] for step in job["steps"]}
    assert (facts["units"]["unit"], facts["units"]["unit_from"]) == ("m", "judged by size")


@pytest.mark.parametrize("across", [9.0, 40.0])
def test_a_small_relief_is_read_in_mm_though_a_head_would_have_its_size_in_inches_or_cm(
    across: float, tmp_path: Path
) -> None:
    # A round medal as an STL, which declares no unit: a shallow dome of a twentieth of its width.
    x, y = np.meshgrid(*[np.linspace(-1, 1, 81)] * 2, indexing="ij")
    r = np.hypot(x, y).ravel()
    points = np.c_[x.ravel(), y.ravel(), 0.1 * (1 - r**2)] * across / 2
    corner = np.arange(len(r)).reshape(81, 81)
    a, b, c, d = (
        part.ravel() for part in (corner[:-1, :-1], corner[1:, :-1], corner[1:, 1:], corner[:-1, 1:])
    )
    faces = np.concatenate([np.c_[a, b, c], np.c_[a, c, d]])
    scan = tmp_path / "medal.stl"
    trimesh.Trimesh(points, faces[(r <= 1)[faces].all(axis=1)]).export(scan)
    mesh = assert_print_ready(run("relief", scan, tmp_path / "out"))
    # The back is 3 mm thick before the medal is made 80 mm wide, and the dome rises from its rim.
    high = (0.05 * across + 3.0) * 80.0 / across
    assert sorted(mesh.extents) == pytest.approx([high, 80.0, 80.0], rel=0.03)


def test_a_relief_with_an_edge_too_thin_to_print_is_held_and_says_so(tmp_path: Path) -> None:
    # A round tray of 100 mm whose side stands 20 mm high over 1.5 mm: on a straight wall, a knife's edge.
    at = np.arange(-50.0, 50.5, 0.5)
    x, y = np.meshgrid(at, at, indexing="ij")
    r = np.hypot(x, y).ravel()
    points = np.c_[x.ravel(), y.ravel(), np.clip((r - 48) / 1.5, 0, 1) * 20]
    corner = np.arange(len(r)).reshape(len(at), len(at))
    a, b, c, d = (
        part.ravel() for part in (corner[:-1, :-1], corner[1:, :-1], corner[1:, 1:], corner[:-1, 1:])
    )
    faces = np.concatenate([np.c_[a, b, c], np.c_[a, c, d]])
    scan = tmp_path / "tray.ply"
    trimesh.Trimesh(points, faces[(r < 49.6)[faces].all(axis=1)]).export(scan)
    job = run("relief", scan, tmp_path / "out", status=3)
    assert (job["state"], "thinnest wall" in job["reason"]) == ("held", True)


@pytest.mark.parametrize("name", ["old king.ply", "miller.ply", "witch.zip"])
def test_every_good_scan_of_the_example_shop_comes_out(name: str, tmp_path: Path) -> None:
    job = run("quarter-bust", EXAMPLES / name, tmp_path)
    mesh = assert_print_ready(job)
    # The workshop's heads are 230 to 260 mm tall before the cut; a quarter of that stands on the bed.
    assert 40 < mesh.extents[2] < 65


def test_the_same_job_gives_the_same_bytes_run_twice_and_served(tmp_path: Path) -> None:
    scan = EXAMPLES / "miller.ply"
    first = run("quarter-bust", scan, tmp_path / "one")
    second = run("quarter-bust", scan, tmp_path / "two")
    assert first["outputs"], first
    digests = [out["sha256"] for out in first["outputs"]]
    assert [out["sha256"] for out in second["outputs"]] == digests
    for out in first["outputs"]:
        assert hashlib.sha256(Path(out["path"]).read_bytes()).hexdigest() == out["sha256"]
    shop = tmp_path / "shop"
    subprocess.run([*FETTLEBOX, "init", str(shop)], check=True, capture_output=True)
    shutil.copy2(scan, shop / "inbox" / scan.name)
    subprocess.run([*FETTLEBOX, "serve", str(shop), "--once"], check=True, capture_output=True)
    (folder,) = (shop / "outbox").iterdir()
    names = [Path(out["path"]).name for out in first["outputs"]]
    served = [hashlib.sha256((folder / name).read_bytes()).hexdigest() for name in names]
    assert served == digests
    assert (folder / "original" / scan.name).read_bytes() == scan.read_bytes()


BAD = {
    "nothing.stl": (b"", "found no bytes"),
    "cut short.stl": (b"x" * 80 + (1000).to_bytes(4, "little") + b"\0" * 500, "count of 1000 facets"),
    "text.ply": ("Ein Gruß, kein Netz".encode(), "text.ply"),
    "nan.obj": (b"v 0 0 0\nv 1 0 nan\nv 0 1 0\nf 1 2 3\n", "line 2"),
    "einzel dreieck.obj": (b"v 0 0 0\nv 100 0 0\nv 0 100 0\nf 1 2 3\n", ""),
}


@pytest.mark.parametrize("name", BAD)
def test_a_scan_that_is_none_is_rejected_with_a_sentence_and_kept(name: str, tmp_path: Path) -> None:
    data, fragment = BAD[name]
    scan = tmp_path / name
    scan.write_bytes(data)
    job = run("quarter-bust", scan, tmp_path / "out", status=4)
    assert job["state"] == "rejected"
    assert fragment in job["reason"], job["reason"]
    assert "unexpected" not in job["reason"]
    assert scan.read_bytes() == data
    assert (Path(job["folder"]) / "original" / name).read_bytes() == data
    assert not job["outputs"]


def test_a_wrong_recipe_touches_no_scan(tmp_path: Path) -> None:
    recipe = tmp_path / "wrong.yaml"
    recipe.write_text("recipe: wrong\nabout: x\nsteps:\n  - smoth\ndeliver: [stl]\n")
    scan = EXAMPLES / "miller.ply"
    command = [*FETTLEBOX, "run", str(recipe), str(scan), "--out", str(tmp_path / "out")]
    done = subprocess.run(command, capture_output=True, encoding="utf-8", check=False)
    assert done.returncode == 2
    assert "wrong.yaml:4" in done.stderr
    assert "smooth" in done.stderr
    assert not (tmp_path / "out").exists()
