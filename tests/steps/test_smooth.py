from __future__ import annotations

from pathlib import Path
from typing import Any

import igl
import numpy as np
import pytest
import trimesh
from fettlebox.api import Origin, Part, Plane, StepContext, StepError, StepResult
from fettlebox.mesh.soundness import inspect
from fettlebox_steps.smooth import Params, smooth
from numpy.typing import NDArray


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
    # Over a flat triangle whose corners err independently by s, the mean square is s²/2 (∫ of the squares of
    # barycentric coordinates is a sixth of the area each).
    assert facts["grain_before_mm"] == pytest.approx(0.3 * 0.5**0.5, rel=0.1)
    assert facts["noise_mm"] == pytest.approx(0.3 * 0.5**0.5, rel=0.1) and facts["noise_told"] is True
    assert facts["points_err_mm"] == pytest.approx(0.3, rel=0.2)
    assert facts["grain_after_mm"] < 0.5 * facts["grain_before_mm"]
    assert facts["at_guard_percent"] < 0.1 and not result.warnings
    assert abs(facts["volume_change_percent"]) < 0.1
    assert facts["moved_p95_mm"] <= facts["moved_largest_mm"] <= facts["guard_mm"]
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
    assert "held back" in result.warnings[0]


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
    assert result.facts["grain_after_mm"] < result.facts["grain_before_mm"]
    assert result.facts["moved_largest_mm"] <= 0.5
    # By trimesh: half of the edges are bent by less than half of what they were.
    bent = [
        np.median(trimesh.Trimesh(p.vertices, p.faces, process=False).face_adjacency_angles)
        for p in (part, result.part)
    ]
    assert bent[1] < 0.5 * bent[0]


def over_the_surface(off: NDArray[np.float64], faces: NDArray[np.int32], area: NDArray[np.float64]) -> float:
    """Root mean square of what is linear on every face: ∫ is A/12·(Σf² + (Σf)²)."""
    corners = off[faces]
    square = ((corners**2).sum(axis=1) + corners.sum(axis=1) ** 2) / 12
    return float(np.sqrt((area * square).sum() / area.sum()))


@pytest.mark.parametrize(("noise_mm", "factor"), [(0.1, 1.45), (0.3, 1.45), (0.6, 2.2)])
def test_grain_that_is_said_to_be_left_is_that(noise_mm: float, factor: float, tmp_path: Path) -> None:
    """Against the distance from the surface that the noise was planted on: balls and rings that nothing was
    tuned on. In noise of 0.6 mm, a fifth of the surface is taken for feature and left as it is, which no
    median sees.
    """
    ball = trimesh.creation.icosphere(5, radius=31.0)
    ring = trimesh.creation.torus(33.0, 13.0, major_sections=210, minor_sections=80)
    for seed, mesh in enumerate((ball, ring)):
        points, faces = np.array(mesh.vertices), np.asarray(mesh.faces, dtype=np.int32)
        noise = np.random.default_rng(40 + seed).normal(size=len(points)) * noise_mm
        facts = (result := run(Part(points + mesh.vertex_normals * noise[:, None], faces), tmp_path)).facts
        if mesh is ball:
            off = np.linalg.norm(result.part.vertices, axis=1) - 31.0
        else:
            across = np.linalg.norm(result.part.vertices[:, :2], axis=1) - 33.0
            off = np.hypot(across, result.part.vertices[:, 2]) - 13.0
        truth = over_the_surface(off, faces, mesh.area_faces)
        assert truth / factor < facts["grain_after_mm"] < truth * factor
        before = over_the_surface(noise, faces, mesh.area_faces)
        assert facts["grain_before_mm"] == pytest.approx(before, rel=0.1)
        assert "Here it is grain:" in result.evidence["grain"]


def test_texture_is_not_called_grain(tmp_path: Path) -> None:
    """Ripples six edges long, a tenth of a millimetre high, without any noise."""
    ball = trimesh.creation.icosphere(5, radius=40.0)
    points = np.array(ball.vertices)
    ripple = 0.1 * np.cos(2 * np.pi * points / 8.0).sum(axis=1)
    part = Part(points * (1 + ripple / 40.0)[:, None], np.asarray(ball.faces, dtype=np.int32))
    result = run(part, tmp_path)
    assert "texture and form" in result.evidence["grain"]
    assert result.facts["noise_told"] is False and "could not be told" in result.warnings[0]
    assert not run(part, tmp_path, strength="40 %").warnings
    assert result.facts["guard_mm"] == 0.5


@pytest.mark.slow
@pytest.mark.parametrize("noise_mm", [0.1, 0.3])
def test_the_same_surface_in_sixteen_times_as_many_triangles_comes_out_the_same(
    noise_mm: float, tmp_path: Path
) -> None:
    """With all left to `auto`, within 5 % of the noise, by libigl's distance."""
    ring = trimesh.creation.torus(36.0, 13.0, major_sections=200, minor_sections=80)
    noise = np.random.default_rng(21).normal(size=len(ring.vertices)) * noise_mm
    points, faces = ring.vertices + ring.vertex_normals * noise[:, None], ring.faces
    finer, more = trimesh.remesh.subdivide(*trimesh.remesh.subdivide(points, faces))
    one, other = (
        run(Part(np.array(p), np.asarray(f, dtype=np.int32)), tmp_path)
        for p, f in ((points, faces), (finer, more))
    )
    assert (len(one.part.faces), len(other.part.faces)) == (32_000, 512_000)
    apart, _, _ = igl.point_mesh_squared_distance(
        other.part.vertices, one.part.vertices, one.part.faces.astype(np.int64)
    )
    assert np.sqrt(apart.mean()) < 0.05 * noise_mm
    for name in ("finest_mm", "strength_percent", "noise_mm", "grain_before_mm", "grain_after_mm"):
        assert other.facts[name] == pytest.approx(one.facts[name], rel=0.05)


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
