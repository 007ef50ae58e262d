from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import trimesh
from fettlebox.api import Origin, Part, Plane, StepContext, StepError, StepResult
from fettlebox.mesh.soundness import inspect
from fettlebox_steps.smooth import Params, smooth


def run(part: Part, tmp_path: Path, **params: Any) -> StepResult:
    ctx = StepContext(Origin("scan", "stl", "0" * 64), part, np.random.default_rng(0), tmp_path)
    return smooth(part, Params.model_validate(params), ctx)


@pytest.fixture(scope="module")
def grainy() -> Part:
    ball = trimesh.creation.icosphere(5, radius=40.0)
    points = np.array(ball.vertices)
    points *= (1 + np.random.default_rng(1).normal(size=len(points)) * 0.3 / 40.0)[:, None]
    colours = np.random.default_rng(2).integers(0, 256, (len(points), 4)).astype(np.uint8)
    return Part(points, np.asarray(ball.faces, dtype=np.int32), colours)


def test_grain_goes_and_all_else_stays(grainy: Part, tmp_path: Path) -> None:
    result = run(grainy, tmp_path)
    facts = result.facts
    assert facts["grain_before_mm"] == pytest.approx(0.3, rel=0.1)
    assert facts["grain_after_mm"] < 0.5 * facts["grain_before_mm"]
    assert abs(facts["volume_change_percent"]) < 0.1
    assert facts["moved_p95_mm"] <= facts["moved_largest_mm"] <= 0.5
    left = np.linalg.norm(result.part.vertices, axis=1) - 40.0
    assert left.std() < 0.15
    assert result.part.colours is not None and grainy.colours is not None
    assert (result.part.colours == grainy.colours).all() and (result.part.faces == grainy.faces).all()
    assert inspect(result.part).sound


def test_strength_is_the_share_that_is_taken_off(grainy: Part, tmp_path: Path) -> None:
    whole = run(grainy, tmp_path, strength="100 %", guard="5 mm").part.vertices - grainy.vertices
    part = run(grainy, tmp_path, strength="40 %", guard="5 mm").part.vertices - grainy.vertices
    assert part == pytest.approx(0.4 * whole, abs=1e-9)
    nothing = run(grainy, tmp_path, strength="0 %")
    assert (nothing.part.vertices == grainy.vertices).all()


def test_auto_leaves_a_clean_surface_alone(tmp_path: Path) -> None:
    ball = trimesh.creation.icosphere(5, radius=40.0)
    part = Part(np.asarray(ball.vertices), np.asarray(ball.faces, dtype=np.int32))
    result = run(part, tmp_path)
    assert result.facts["moved_largest_mm"] < 0.02


def test_guard(grainy: Part, tmp_path: Path) -> None:
    result = run(grainy, tmp_path, guard="0.1 mm")
    moved = np.linalg.norm(result.part.vertices - grainy.vertices, axis=1)
    assert moved.max() <= 0.1 * (1 + 1e-12)
    assert result.facts["at_guard_percent"] == pytest.approx(100 * (moved > 0.1 * (1 - 1e-9)).mean(), abs=0.5)


def test_flat_faces_made_on_purpose_stay_flat_and_their_rims_sharp(grainy: Part, tmp_path: Path) -> None:
    from fettlebox_steps.cut import Params as CutParams
    from fettlebox_steps.cut import cut

    ctx = StepContext(Origin("scan", "stl", "0" * 64), grainy, np.random.default_rng(0), tmp_path)
    part = cut(grainy, CutParams.model_validate({"at": "20 %", "tilt": "10 deg"}), ctx).part
    result = run(part, tmp_path).part
    plane = part.bed_plane
    assert plane is not None
    on = np.abs(plane.height_of(part.vertices)) < 1e-9
    assert on.sum() > 50
    assert (result.vertices[on] == part.vertices[on]).all()
    assert inspect(result).sound


def test_an_open_scan_keeps_its_boundary(grainy: Part, tmp_path: Path) -> None:
    faces = grainy.faces[grainy.vertices[grainy.faces][:, :, 2].mean(axis=1) > -10]
    part = grainy.with_mesh(grainy.vertices, faces)
    result = run(part, tmp_path).part
    edges = trimesh.Trimesh(part.vertices, faces, process=False)
    rim = np.unique(edges.edges[trimesh.grouping.group_rows(edges.edges_sorted, require_count=1)])
    assert (result.vertices[rim] == part.vertices[rim]).all()
    assert (result.vertices != part.vertices).any()


def test_a_real_scan(face_scan: Path, tmp_path: Path) -> None:
    scan = trimesh.load(face_scan, process=False)
    part = Part(np.asarray(scan.vertices), np.asarray(scan.faces, dtype=np.int32))
    result = run(part, tmp_path, strength="100 %")
    assert result.facts["grain_after_mm"] < 0.5 * result.facts["grain_before_mm"]
    assert result.facts["moved_largest_mm"] <= 0.5


def test_nothing_to_smooth(tmp_path: Path) -> None:
    with pytest.raises(StepError, match="no triangles"):
        run(Part(np.zeros((3, 3)), np.zeros((0, 3), dtype=np.int32)), tmp_path)


def test_parameters_are_written_as_they_are_read() -> None:
    for given in ({}, {"strength": "40 %", "guard": "0.5 mm", "finest": "1.5 mm"}):
        params = Params.model_validate(given)
        assert Params.model_validate(params.model_dump(mode="json")) == params
    with pytest.raises(ValueError, match="out of range"):
        Params.model_validate({"strength": "140 %"})


def test_input_is_untouched_and_the_result_is_the_same_again(grainy: Part, tmp_path: Path) -> None:
    part = grainy.with_plane(Plane("base", (0.0, 0.0, -40.5), (0.0, 0.0, -1.0), bed=True))
    before = part.digest()
    one, two = run(part, tmp_path), run(part, tmp_path)
    assert part.digest() == before and one.part.digest() == two.part.digest()
