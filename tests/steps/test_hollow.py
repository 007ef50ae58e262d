"""hollow: the wall asked for, everywhere, and the closed forms of parallel bodies."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from typing import Any

import igl
import numpy as np
import pytest
import trimesh
from fettlebox.api import HoldError, Origin, Part, StepContext, StepError, StepResult
from fettlebox.mesh import soundness
from fettlebox_steps.geometry import hollowing
from fettlebox_steps.hollow import Params, hollow

SCANS = Path(__file__).parents[2] / "inbox_example" / "make_scans.py"


def _part(mesh: trimesh.Trimesh, **more: Any) -> Part:
    return Part(np.array(mesh.vertices, float), np.array(mesh.faces, np.int32), **more)


def _run(part: Part, tmp_path: Path, **params: Any) -> StepResult:
    before = part.digest()
    context = StepContext(Origin("toy", "stl", "0" * 64), part, np.random.default_rng(0), tmp_path)
    result = hollow(part, Params(**params), context)
    assert part.digest() == before
    return result


def _mesh(part: Part) -> trimesh.Trimesh:
    return trimesh.Trimesh(part.vertices, part.faces, process=False)


def _inner(result: StepResult, part: Part) -> trimesh.Trimesh:
    """The inner walls of a hollowed part: the faces over vertices that the part did not have."""
    faces = result.part.faces[(result.part.faces >= len(part.vertices)).all(axis=1)]
    return trimesh.Trimesh(result.part.vertices, faces, process=False)


def _walls(result: StepResult, part: Part, samples: int = 20_000) -> np.ndarray:
    """Thickness at places spread over the inner wall, by libigl, which the step does not use."""
    inner = _inner(result, part)
    points, _ = trimesh.sample.sample_surface(inner, samples, seed=3)
    points = np.concatenate(
        [points, inner.triangles_center, np.array(inner.vertices)[np.unique(inner.faces)]]
    )
    squared = igl.point_mesh_squared_distance(
        np.ascontiguousarray(points), np.array(part.vertices), part.faces.astype(np.int64)
    )[0]
    return np.sqrt(np.asarray(squared))


@pytest.fixture(scope="module")
def head() -> Part:
    """A carved head, invented, closed at the neck by a plane; life-size over two, to keep the tests short."""
    spec = importlib.util.spec_from_file_location("make_scans_for_hollow", SCANS)
    assert spec is not None
    assert spec.loader is not None
    scans = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = scans
    spec.loader.exec_module(scans)
    step, low = 3.0, np.array([-110.0, -150.0, -150.0])
    size = np.ceil((np.array([110.0, 125.0, 140.0]) - low) / step).astype(int)
    axes = [low[k] + step * np.arange(size[k]) for k in range(3)]
    grid = np.stack(np.meshgrid(*axes, indexing="ij"), -1).transpose(2, 1, 0, 3).reshape(-1, 3)
    value = np.maximum(scans.head(grid, scans.Character()), -130.3 - grid[:, 2])
    value[np.abs(value) < 0.02 * step] = 0.02 * step  # no vertex on a grid corner: no needles
    vertices, faces = igl.marching_cubes(value, np.ascontiguousarray(grid), *map(int, size), 0.0)[:2]
    mesh = trimesh.Trimesh(np.asarray(vertices) / 2, faces, process=False)
    if mesh.volume < 0:
        mesh.invert()
    part = _part(mesh)
    assert soundness.inspect(part).sound
    return part


def _ball() -> trimesh.Trimesh:
    return trimesh.creation.icosphere(4, radius=20.0)


# Steiner's formula for convex bodies, V(r) = V + A·r + M·r² + 4/3·π·r³ (CRC Standard Mathematical Tables for
# the solids themselves): each of these is the parallel body of the one inside it, or its inner parallel body
# is the same shape. The wall may be up to 0.09 mm thicker than asked, which bounds the volume from below.
SHAPES = {
    "ball": (_ball, lambda t: 4 / 3 * np.pi * (20 - t) ** 3),
    "box": (
        lambda: trimesh.creation.box((40.0, 30.0, 20.0)),
        lambda t: (40 - 2 * t) * (30 - 2 * t) * (20 - 2 * t),
    ),
    "cylinder": (
        lambda: trimesh.creation.cylinder(15.0, 40.0, sections=256),
        lambda t: np.pi * (15 - t) ** 2 * (40 - 2 * t),
    ),
    "torus": (
        lambda: trimesh.creation.torus(25.0, 8.0, major_sections=128, minor_sections=64),
        lambda t: 2 * np.pi**2 * 25 * (8 - t) ** 2,  # Pappus
    ),
}


@pytest.mark.parametrize("shape", SHAPES)
def test_the_hollow_of_a_simple_solid_is_the_inner_parallel_body(shape: str, tmp_path: Path) -> None:
    make, volume_mm3 = SHAPES[shape]
    mesh = make()
    part = _part(mesh)
    result = _run(part, tmp_path, wall="2 mm")
    cavity_mm3 = -_inner(result, part).volume
    assert cavity_mm3 == pytest.approx(1000 * result.facts["cavity_cm3"], rel=2e-3)
    # the polyhedron that stands for a round solid is a little smaller than the solid
    assert volume_mm3(2.09) * 0.995 < cavity_mm3 < volume_mm3(2.0)
    assert _walls(result, part).min() >= 2.0
    assert _mesh(result.part).volume == pytest.approx(mesh.volume - cavity_mm3)
    # Euler–Poincaré: the surfaces' genera add up
    assert _mesh(result.part).euler_number == 2 * mesh.euler_number
    assert soundness.inspect(result.part).reasons == ()
    assert result.facts["cavities"] == 1
    assert result.facts["can_trap_liquid"]


def test_the_outside_is_left_as_it_is(tmp_path: Path) -> None:
    mesh = _ball()
    colours = np.random.default_rng(1).integers(0, 255, (len(mesh.vertices), 4)).astype(np.uint8)
    part = _part(mesh, colours=colours)
    result = _run(part, tmp_path)
    n, m = len(part.vertices), len(part.faces)
    assert result.part.vertices[:n].tobytes() == part.vertices.tobytes()
    assert result.part.faces[:m].tobytes() == part.faces.tobytes()
    assert result.part.colours is not None
    assert result.part.colours[:n].tobytes() == colours.tobytes()


@pytest.mark.parametrize("drawn", ["sharp", "rounded"])
def test_the_wall_of_a_head_is_kept_everywhere_and_hardly_thicker(
    drawn: str, head: Part, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    if drawn == "rounded":
        monkeypatch.setattr(hollowing, "dual_wall", lambda *_: None)  # as if it could not be proven
    result = _run(head, tmp_path, wall="2 mm")
    assert result.evidence["drawn"] == drawn
    wall = _walls(result, head)
    assert wall.min() >= 2.0
    inner = _inner(result, head)
    points, _ = trimesh.sample.sample_surface(inner, 20_000, seed=5)
    squared = igl.point_mesh_squared_distance(
        np.ascontiguousarray(points), np.array(head.vertices), head.faces.astype(np.int64)
    )[0]
    assert np.percentile(np.sqrt(squared) - 2.0, 99) <= 0.09
    assert result.facts["thinnest_wall_mm"] >= 2.0
    assert result.facts["material_saved_percent"] == pytest.approx(
        100 * -inner.volume / _mesh(head).volume, rel=1e-6
    )
    assert soundness.inspect(result.part).reasons == ()


def test_the_same_bytes_twice_and_on_one_thread(head: Part, tmp_path: Path) -> None:
    import numba

    first = _run(head, tmp_path, wall="3 mm").part.digest()
    threads = numba.get_num_threads()
    numba.set_num_threads(1)
    try:
        assert _run(head, tmp_path, wall="3 mm").part.digest() == first
    finally:
        numba.set_num_threads(threads)


def test_a_dumbbell_has_two_hollows_and_a_solid_handle(tmp_path: Path) -> None:
    ball = trimesh.creation.icosphere(3, radius=10.0)
    handle = trimesh.creation.cylinder(1.8, 40.0)
    left, right = ball.copy(), ball.copy()
    left.apply_translation((0, 0, -20))
    right.apply_translation((0, 0, 20))
    part = _part(trimesh.boolean.union([left, right, handle], engine="manifold"))
    result = _run(part, tmp_path, wall="2 mm")
    assert result.facts["cavities"] == 2
    each = 4 / 3 * np.pi * 8**3 / 1000
    assert result.evidence["cavities_cm3"] == pytest.approx([each, each], rel=0.06)
    heights = _inner(result, part).triangles_center[:, 2]
    assert (np.abs(heights) > 11).all()
    assert soundness.inspect(result.part).reasons == ()


def test_a_void_that_was_there_becomes_part_of_the_hollow_and_is_told(tmp_path: Path) -> None:
    void = trimesh.creation.icosphere(3, radius=4.0)
    void.invert()
    part = _part(trimesh.util.concatenate([_ball(), void]))
    result = _run(part, tmp_path, wall="2 mm")
    assert result.facts["voids_before"] == 1
    assert "closed void inside before" in result.warnings[1]
    assert _mesh(result.part).body_count == 2
    assert result.facts["cavity_cm3"] == pytest.approx(4 / 3 * np.pi * 18**3 / 1000, rel=0.02)
    assert soundness.inspect(result.part).reasons == ()


@pytest.mark.parametrize(
    ("params", "said"),
    [
        ({"wall": "25 mm"}, r"no place of the part .* is deeper inside than the wall of 25 mm"),
        ({"wall": "15 mm"}, r"the largest hollow would hold .* mm3"),
        ({"wall": "2 mm", "smallest": "200 cm3"}, r"hollows under 2e\+05 mm3 stay solid"),
    ],
)
def test_a_wall_that_leaves_nothing_hollow_is_refused(
    params: dict[str, str], said: str, tmp_path: Path
) -> None:
    with pytest.raises(HoldError, match=f"Nothing would be hollow: .*{said}"):
        _run(_part(_ball()), tmp_path, **params)


def test_what_is_not_closed_or_inside_out_is_sent_to_repair(tmp_path: Path) -> None:
    mesh = _ball()
    with pytest.raises(StepError, match=r"not closed.* put repair before hollow"):
        _run(Part(np.array(mesh.vertices), np.array(mesh.faces[1:], np.int32)), tmp_path)
    with pytest.raises(StepError, match="inside out; put repair before hollow"):
        _run(Part(np.array(mesh.vertices), np.array(mesh.faces[:, ::-1], np.int32)), tmp_path)


def test_a_wall_too_thin_for_so_large_a_part_is_refused_with_what_would_do(tmp_path: Path) -> None:
    mesh = trimesh.creation.box((2000.0, 2000.0, 2000.0))
    with pytest.raises(HoldError, match=r"too large .* Ask for a wall of 1.3 mm or more"):
        _run(_part(mesh), tmp_path, wall="0.4 mm")
