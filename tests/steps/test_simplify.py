from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import trimesh
from fettlebox.api import Origin, Part, StepContext, StepError, StepResult
from fettlebox.mesh.soundness import inspect
from fettlebox_steps.simplify import Params, simplify


def context(part: Part, tmp_path: Path) -> StepContext:
    return StepContext(Origin("scan", "stl", "0" * 64), part, np.random.default_rng(0), tmp_path)


def run(part: Part, tmp_path: Path, **params: Any) -> StepResult:
    return simplify(part, Params.model_validate(params), context(part, tmp_path))


@pytest.fixture(scope="module")
def ball() -> Part:
    mesh = trimesh.creation.icosphere(5, radius=30.0)
    points = np.array(mesh.vertices)
    colours = np.column_stack(
        [np.arange(len(points)) >> s & 255 for s in (0, 8, 16)] + [np.full(len(points), 255)]
    )
    return Part(points, np.asarray(mesh.faces, dtype=np.int32), colours.astype(np.uint8))


def test_within(ball: Part, tmp_path: Path) -> None:
    result = run(ball, tmp_path, within="0.1 mm")
    assert result.facts["triangles_before"] == 20480
    assert result.facts["triangles_after"] == len(result.part.faces) < 20480 / 4
    assert 0 < result.facts["largest_distance_mm"] <= 0.1
    # Corners are some of the ball's own; the surface between them is inside the ball, by at most the bound.
    assert np.linalg.norm(result.part.vertices, axis=1) == pytest.approx(30.0, abs=1e-9)
    centres = result.part.vertices[result.part.faces].mean(axis=1)
    assert np.linalg.norm(centres, axis=1).min() > 30.0 - 0.1 - 0.02
    assert inspect(result.part).sound


def test_every_corner_keeps_its_colour(ball: Part, tmp_path: Path) -> None:
    result = run(ball, tmp_path, within="0.1 mm").part
    assert result.colours is not None
    number = result.colours[:, :3].astype(int) @ [1, 256, 65536]
    assert (ball.vertices[number] == result.vertices).all()


def test_count_and_both(ball: Part, tmp_path: Path) -> None:
    assert len(run(ball, tmp_path, to=3000).part.faces) == 3000
    both = run(ball, tmp_path, to=100, within="0.05 mm")
    assert len(both.part.faces) > 100 and "more than 100" in both.warnings[0]
    assert both.facts["largest_distance_mm"] <= 0.05
    assert len(run(ball, tmp_path, to=15_000, within="1 mm").part.faces) == 15_000
    assert run(ball, tmp_path, to=30_000).part.digest() == run(ball, tmp_path, to=30_000).part.digest()


def test_the_bound_is_a_fiftieth_of_a_millimetre_unless_asked(ball: Part, tmp_path: Path) -> None:
    assert run(ball, tmp_path).facts["largest_distance_mm"] <= 0.02


def test_cut_face_stays_flat(ball: Part, tmp_path: Path) -> None:
    from fettlebox_steps.cut import Params as CutParams
    from fettlebox_steps.cut import cut

    part = cut(ball, CutParams.model_validate({"at": "20 %", "tilt": "17 deg"}), context(ball, tmp_path)).part
    result = run(part, tmp_path, within="0.1 mm").part
    plane = result.bed_plane
    assert plane is not None
    height = plane.height_of(result.vertices)
    flat = (np.abs(height) < 1e-9)[result.faces].all(axis=1)
    assert flat.any() and height.max() < 1e-9
    mesh = trimesh.Trimesh(result.vertices, result.faces[flat], process=False)
    whole = trimesh.Trimesh(part.vertices, part.faces, process=False)
    on = (np.abs(plane.height_of(part.vertices)) < 1e-9)[part.faces].all(axis=1)
    assert mesh.area == pytest.approx(whole.area_faces[on].sum(), rel=0.01)
    assert inspect(result).sound


def test_a_real_scan(bunny_scan: Path, tmp_path: Path) -> None:
    scan = trimesh.load(bunny_scan)
    part = Part(np.asarray(scan.vertices) * 3.0, np.asarray(scan.faces, dtype=np.int32))
    result = run(part, tmp_path, within="0.4 mm")
    assert result.facts["triangles_after"] < 0.1 * result.facts["triangles_before"]
    assert result.facts["largest_distance_mm"] <= 0.4


def test_nothing_to_simplify(tmp_path: Path) -> None:
    with pytest.raises(StepError, match="no triangles"):
        run(Part(np.zeros((3, 3)), np.zeros((0, 3), dtype=np.int32)), tmp_path)


def test_input_is_untouched(ball: Part, tmp_path: Path) -> None:
    before = ball.digest()
    run(ball, tmp_path, within="0.1 mm")
    assert ball.digest() == before
