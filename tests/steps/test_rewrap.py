"""rewrap: solids where there is an inside, sheets of the stated thickness where there is none."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import trimesh
from fettlebox.api import Origin, Part, StepContext, StepError, StepResult
from fettlebox_steps.geometry.crossings import crossing_faces
from fettlebox_steps.rewrap import Params, rewrap
from numpy.typing import ArrayLike
from pydantic import ValidationError


def _run(tmp_path: Path, vertices: ArrayLike, faces: ArrayLike, **params: Any) -> StepResult:
    part = Part(np.asarray(vertices, float), np.asarray(faces, np.int32))
    before = part.digest()
    context = StepContext(Origin("heap", "stl", "0" * 64), part, np.random.default_rng(0), tmp_path)
    result = rewrap(part, Params(**params), context)
    assert part.digest() == before
    mesh = trimesh.Trimesh(result.part.vertices, result.part.faces, process=False)
    assert mesh.is_watertight
    assert mesh.is_winding_consistent
    assert mesh.volume > 0
    assert not crossing_faces(result.part.vertices, result.part.faces).any()
    return result


def _volume(result: StepResult) -> float:
    return float(trimesh.Trimesh(result.part.vertices, result.part.faces, process=False).volume)


BALL = trimesh.creation.icosphere(4, radius=20.0)
BALL_MM3 = 4 / 3 * np.pi * 20**3


def _heap(turned: float) -> tuple[np.ndarray, np.ndarray]:
    """The ball as loose triangles that do not touch, some of them the wrong way round."""
    rng = np.random.default_rng(7)
    corners = 0.95 * BALL.triangles + 0.05 * BALL.triangles_center[:, None]
    faces = np.arange(3 * len(corners)).reshape(-1, 3)
    wrong = rng.random(len(faces)) < turned
    faces[wrong] = faces[wrong][:, ::-1]
    return corners.reshape(-1, 3), faces[rng.permutation(len(faces))]


@pytest.mark.parametrize("turned", [0.0, 0.5, 1.0])
def test_thousands_of_loose_triangles_become_the_ball_they_stand_for(tmp_path: Path, turned: float) -> None:
    result = _run(tmp_path, *_heap(turned))
    assert _volume(result) == pytest.approx(BALL_MM3, rel=0.01)
    assert result.facts["kind"] == "solid"
    assert result.evidence["pieces"] == len(BALL.faces)
    assert result.evidence["clear_inside_share"] > 0.95


def test_an_inside_out_body_is_turned(tmp_path: Path) -> None:
    result = _run(tmp_path, BALL.vertices, BALL.faces[:, ::-1], finest="1 mm")
    assert _volume(result) == pytest.approx(BALL_MM3, rel=0.01)
    assert result.evidence["turned_triangles"] == len(BALL.faces)
    assert result.facts["cell_mm"] == 1.0
    assert not result.warnings


def test_an_open_sheet_becomes_a_solid_of_the_thickness_asked_for(tmp_path: Path, sheet_scan: Path) -> None:
    scan = trimesh.load(sheet_scan)
    result = _run(tmp_path, scan.vertices, scan.faces, thickness="1.5 mm")
    assert result.facts["kind"] == "sheet"
    assert result.evidence["clear_inside_share"] < 0.1
    assert "no clear inside" in result.warnings[0]
    assert "1.5 mm thick" in result.warnings[0]
    # inwards of the rim a sheet holds area times thickness; its rounded rim can add at most half a tube
    rim_mm = scan.edges_unique_length[
        np.bincount(scan.edges_unique_inverse, minlength=len(scan.edges_unique)) == 1
    ].sum()
    flat = scan.area * 1.5
    assert 0.9 * flat < _volume(result) < flat + rim_mm * np.pi * 0.75**2 / 2


def test_a_sheet_beside_a_body_is_kept_and_said(tmp_path: Path) -> None:
    flag = trimesh.creation.box((24, 16, 1)).subdivide().subdivide()
    flag = flag.submesh([flag.face_normals[:, 2] > 0.9], append=True)
    vertices = np.r_[BALL.vertices, flag.vertices + np.array([28.0, 0, 0])]
    result = _run(tmp_path, vertices, np.r_[BALL.faces, flag.faces + len(BALL.vertices)], thickness="2 mm")
    assert result.facts["kind"] == "solid with sheets"
    assert "open sheets" in result.warnings[0]
    beyond_ball = 24 * 16 * 2 * 0.8
    assert _volume(result) > BALL_MM3 + 0.8 * beyond_ball


def test_bodies_that_do_not_touch_are_told(tmp_path: Path) -> None:
    both = np.r_[BALL.vertices, 0.5 * BALL.vertices + np.array([50.0, 0, 0])]
    result = _run(tmp_path, both, np.r_[BALL.faces, BALL.faces + len(BALL.vertices)])
    assert result.evidence["bodies"] == 2
    assert "2 bodies that do not touch" in result.warnings[0]
    assert _volume(result) == pytest.approx(BALL_MM3 * (1 + 1 / 8), rel=0.01)


def test_what_cannot_be_wrapped_says_why(tmp_path: Path) -> None:
    with pytest.raises(StepError, match="no triangle with an area"):
        _run(tmp_path, BALL.vertices, [[0, 1, 1]])
    with pytest.raises(StepError, match=r"too large to be wrapped so finely.*`thickness`"):
        _run(tmp_path, BALL.vertices[:, [0, 1, 2]] * 1000, BALL.faces[: len(BALL.faces) // 30])
    with pytest.raises(StepError, match=r"finest detail of 0\.02 mm.*`finest`"):
        _run(tmp_path, BALL.vertices * 10, BALL.faces, finest="0.02 mm")
    with pytest.raises(ValidationError):
        Params(finest="fine")
    with pytest.raises(ValidationError):
        Params(thickness="0 mm")


def test_same_bytes_twice(tmp_path: Path) -> None:
    first, second = (_run(tmp_path, *_heap(0.5)).part.digest() for _ in range(2))
    assert first == second
