"""inspect changes nothing, says how good the scan is, and ends as the recipe asks."""

from __future__ import annotations

import json
import struct
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import trimesh
from fettlebox.api import HoldError, Origin, Part, StepContext, StepError
from fettlebox.catalog import find_steps
from fettlebox.run_once import run_once
from fettlebox_steps.inspect import Params, grade_take, inspect

RECIPE = Path(__file__).resolve().parents[2] / "recipes" / "inspect-only.yaml"
ORIGIN = Origin("scan.ply", "ply", "0" * 64)
PNG = b"\x89PNG\r\n\x1a\n"


def ball(keep_above: float = -2.0) -> Part:
    shape = trimesh.creation.icosphere(5)
    points, faces = np.asarray(shape.vertices), np.asarray(shape.faces)
    return Part(points * 60.0, faces[points[faces].mean(axis=1)[:, 2] > keep_above])


def run(part: Part, **given: Any) -> Any:
    ctx = StepContext(ORIGIN, part, np.random.default_rng(0), Path())
    return inspect(part, Params.model_validate(given), ctx)


def test_a_good_scan_passes_unchanged_with_facts_and_a_picture() -> None:
    part = ball()
    result = run(part)
    assert result.part is part
    assert result.facts["grade"] == "good"
    assert result.facts["covered_ratio"] == 1.0
    assert result.facts["noise_mm"] < 0.01
    assert result.warnings == ()
    assert result.pictures["gaps"].startswith(PNG)
    assert {mark["judged"] for mark in result.evidence["marks"]} > {"missing_ratio", "noise_ratio"}
    json.dumps([result.facts, result.evidence], allow_nan=False)


def test_half_a_ball_is_held_with_evidence_and_picture() -> None:
    with pytest.raises(HoldError, match=r"half of the surface is missing.*at the bottom \(-z\)") as held:
        run(ball(0.0))
    assert held.value.evidence["facts"]["covered_ratio"] == pytest.approx(0.5, abs=0.03)
    assert held.value.pictures["gaps"].startswith(PNG)


def test_or_rejected_or_told() -> None:
    with pytest.raises(StepError, match="the scan is poor, and fair is asked for"):
        run(ball(0.0), verdict="reject")
    told = run(ball(0.0), verdict="tell")
    assert told.facts["grade"] == "poor"
    assert "please scan again" in told.warnings[0]


def test_what_is_asked_for_decides() -> None:
    assert run(ball(0.0), **{"at least": "poor"}).facts["grade"] == "poor"
    assert run(ball(0.0), sides="one").facts["grade"] == "good"


def test_takes_are_graded_by_the_same_measurement() -> None:
    whole, half = grade_take(ball(), ORIGIN), grade_take(ball(0.0), ORIGIN)
    assert (whole.word, half.word) == ("good", "poor")
    assert whole.rank > half.rank
    assert half.facts["covered_ratio"] == run(ball(0.0), verdict="tell").facts["covered_ratio"]
    assert [grader.name for grader in find_steps().graders] == ["scan quality"]


def stl(triangles: np.ndarray[Any, Any]) -> bytes:
    facets = b"".join(struct.pack("<12fH", *[0.0] * 3, *corners.ravel(), 0) for corners in triangles)
    return b"\0" * 80 + struct.pack("<I", len(triangles)) + facets


SCANS = {
    "soup": stl(np.random.default_rng(1).normal(size=(150, 3, 3)) * 50),
    "one place": stl(np.eye(3)[None].repeat(30, axis=0)),
    "no area": stl(np.ones((5, 3, 3))),
    "needles": stl(np.array([[[0.0, 0, k], [1e4, 0, k], [1e4, 1e-3, k]] for k in range(20)])),
    "far away": stl(np.random.default_rng(2).normal(size=(50, 3, 3)) + 1e7),
    "crumbs": stl(np.eye(3)[None] * 0.1 + np.random.default_rng(3).normal(size=(60, 1, 3))),
}


@pytest.mark.parametrize("name", SCANS)
def test_the_report_comes_for_hopeless_scans_too(name: str, tmp_path: Path) -> None:
    scan = tmp_path / f"{name}.stl"
    scan.write_bytes(SCANS[name])
    result, folder = run_once(RECIPE, scan, tmp_path / "out")
    assert result.state in ("done", "held"), result.reason
    inspected = next(step for step in result.record.steps if step.name == "inspect")
    assert inspected.facts["grade"] in ("poor", "hopeless")
    assert any("scan is" in warning for warning in result.record.warnings)
    assert result.record.outputs == ()
    assert (folder / "traveler.html").is_file()


def test_a_held_scan_keeps_its_picture(tmp_path: Path) -> None:
    scan = tmp_path / "half.stl"
    part = ball(0.0)
    scan.write_bytes(stl(part.vertices[part.faces]))
    recipe = tmp_path / "strict.yaml"
    recipe.write_text("recipe: strict\nabout: Holds.\nsteps:\n  - inspect: good\ndeliver: []\n")
    result, folder = run_once(recipe, scan, tmp_path / "out")
    assert result.state == "held"
    assert "pictures/inspect-gaps.png" in result.record.pictures
    assert (folder / "pictures" / "inspect-gaps.png").read_bytes().startswith(PNG)
