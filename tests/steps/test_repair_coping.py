"""What a mesh file can have wrong with it: one case each, made by script, judged by the engine's witness."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numba
import numpy as np
import pytest
import trimesh
from fettlebox.api import HoldError, Origin, Part, StepContext, StepError, StepResult
from fettlebox.mesh.soundness import inspect
from fettlebox_steps.repair import Params, repair
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

Mesh = tuple[NDArray[np.float64], NDArray[np.int64]]


def run(vertices: NDArray[np.float64], faces: NDArray[np.int64], **params: Any) -> StepResult:
    part = Part(vertices, faces)
    ctx = StepContext(Origin("scan.ply", "ply", "0" * 64), part, np.random.default_rng(0), Path())
    return repair(part, Params.model_validate(params), ctx)


def bowl() -> Mesh:
    """A ball of 50 mm radius without its lowest fifth: 4,096 triangles or so, one opening."""
    ball = trimesh.creation.icosphere(4, radius=50)
    keep = np.asarray(ball.triangles_center)[:, 2] > -30
    return np.asarray(ball.vertices, np.float64), np.asarray(ball.faces, np.int64)[keep]


def doubled_layer(v: Mesh) -> Mesh:
    return v[0], np.concatenate([v[1], v[1][:400]])


def flipped_layer(v: Mesh) -> Mesh:
    return v[0], np.concatenate([v[1], v[1][:400, ::-1]])


def whole_layer_twice_with_own_vertices(v: Mesh) -> Mesh:
    return np.concatenate([v[0], v[0]]), np.concatenate([v[1], v[1] + len(v[0])])


def half_of_the_faces_flipped(v: Mesh) -> Mesh:
    odd = np.random.default_rng(1).random(len(v[1])) < 0.5
    return v[0], np.where(odd[:, None], v[1][:, ::-1], v[1])


def inside_out(v: Mesh) -> Mesh:
    return v[0], v[1][:, ::-1].copy()


def unreferenced_vertices(v: Mesh) -> Mesh:
    return np.concatenate([v[0], np.full((50, 3), 1e5)]), v[1]


def faces_without_area(v: Mesh) -> Mesh:
    f = v[1]
    flat = np.stack([f[:60, 0], f[:60, 1], f[:60, 1]], axis=1)
    middle = (v[0][f[100:160, 0]] + v[0][f[100:160, 1]]) / 2
    needle = np.stack([f[100:160, 0], f[100:160, 1], len(v[0]) + np.arange(60)], axis=1)
    return np.concatenate([v[0], middle]), np.concatenate([f, flat, needle])


def needles_in_the_surface(v: Mesh) -> Mesh:
    f = v[1]
    chosen = np.arange(0, len(f), 40)
    a, b, c = (v[0][f[chosen, k]] for k in range(3))
    at = a + 1e-9 * (b - a) + 1e-9 * (c - a)
    n = len(v[0]) + np.arange(len(chosen))
    three = [np.stack([f[chosen, k], f[chosen, (k + 1) % 3], n], axis=1) for k in range(3)]
    return np.concatenate([v[0], at]), np.concatenate([np.delete(f, chosen, axis=0), *three])


def crowded_edges(v: Mesh) -> Mesh:
    f = v[1][::50]
    tips = v[0][f].mean(axis=1) * 1.1
    fins = np.stack([f[:, 0], f[:, 1], len(v[0]) + np.arange(len(f))], axis=1)
    return np.concatenate([v[0], tips]), np.concatenate([v[1], fins])


def pinched_vertices(v: Mesh) -> Mesh:
    touching = trimesh.creation.icosphere(3, radius=20)
    points = np.asarray(touching.vertices) + np.array([0, 0, 70.0])
    top, low = int(v[0][:, 2].argmax()), int(points[:, 2].argmin())
    faces = np.asarray(touching.faces, np.int64) + len(v[0])
    return np.concatenate([v[0], points]), np.concatenate(
        [v[1], np.where(faces == low + len(v[0]), top, faces)]
    )


def internal_faces(v: Mesh) -> Mesh:
    wall = np.array([[-45, 0, -25], [45, 0, -25], [45, 0, 15], [-45, 0, 15.0]])
    grid = trimesh.Trimesh(wall, [[0, 1, 2], [0, 2, 3]], process=False).subdivide().subdivide()
    return (
        np.concatenate([v[0], np.asarray(grid.vertices)]),
        np.concatenate([v[1], np.asarray(grid.faces) + len(v[0])]),
    )


def a_body_within(v: Mesh) -> Mesh:
    inner = trimesh.creation.icosphere(3, radius=15)
    faces = np.asarray(inner.faces, np.int64) + len(v[0])
    return np.concatenate([v[0], np.asarray(inner.vertices) + np.array([0, 0, 5.0])]), np.concatenate(
        [v[1], faces]
    )


def spikes(v: Mesh) -> Mesh:
    points = v[0].copy()
    chosen = np.flatnonzero(points[:, 2] > 0)[::97]
    points[chosen] *= 3.0
    points[chosen[::2]] *= -1
    return points, v[1]


def welded_to_a_point(v: Mesh) -> Mesh:
    points = v[0].copy()
    points[points[:, 2] > 42] = [0.0, 0.0, 44.0]
    return points, v[1]


def vertices_shared_by_no_two_faces(v: Mesh) -> Mesh:
    return v[0][v[1]].reshape(-1, 3), np.arange(3 * len(v[1])).reshape(-1, 3)


def written_with_four_digits(v: Mesh) -> Mesh:
    return v[0].round(1), v[1]


WRONG: list[Callable[[Mesh], Mesh]] = [
    doubled_layer, flipped_layer, whole_layer_twice_with_own_vertices, half_of_the_faces_flipped, inside_out,
    unreferenced_vertices, faces_without_area, needles_in_the_surface, crowded_edges, pinched_vertices,
    internal_faces, a_body_within, spikes, welded_to_a_point, vertices_shared_by_no_two_faces,
    written_with_four_digits,
]  # fmt: skip


@pytest.mark.parametrize("wrong", WRONG, ids=lambda f: f.__name__)
@pytest.mark.parametrize("close", ["flat", "follow"])
def test_each_fault_is_coped_with(wrong: Callable[[Mesh], Mesh], close: str) -> None:
    result = run(*wrong(bowl()), base={"close": close})
    assert inspect(result.part).reasons == ()
    assert result.facts["bodies"] == 1
    volume = trimesh.Trimesh(result.part.vertices, result.part.faces, process=False).volume
    # CRC Standard Mathematical Tables: ball 4/3·π·r³, cap π·h²·(3r − h)/3; the base adds a disc, the skin a
    # cap
    ball, cap = 4 / 3 * np.pi * 50**3, np.pi * 20**2 * (150 - 20) / 3
    low, high = (ball - cap, ball - cap + 8 * np.pi * 41**2) if close == "flat" else (ball - cap, 1.01 * ball)
    more = 4 / 3 * np.pi * 20**3 if wrong is pinched_vertices else 0.0
    assert 0.97 * low < volume < 1.03 * high + more


@pytest.mark.parametrize("scale", [1e-3, 1e-1, 1e3, 1e5])
def test_tiny_and_huge_scans_are_closed_alike(scale: float) -> None:
    vertices, faces = bowl()
    result = run(vertices * scale, faces, base={"close": "follow"})
    plain = run(vertices, faces, base={"close": "follow"})
    assert inspect(result.part).reasons == ()
    got, wanted = ((r.part.vertices, r.part.faces) for r in (result, plain))
    assert len(got[1]) == pytest.approx(len(wanted[1]), rel=0.01)
    volume = trimesh.Trimesh(*wanted, process=False).volume
    assert trimesh.Trimesh(*got, process=False).volume == pytest.approx(volume * scale**3, rel=1e-3)


def test_a_base_out_of_all_proportion_is_a_matter_of_units() -> None:
    vertices, faces = bowl()
    with pytest.raises(StepError, match="unit"):
        run(vertices / 1000, faces)


def test_a_scan_far_from_the_origin_is_moved_there_and_keeps_its_precision() -> None:
    vertices, faces = bowl()
    away = np.array([1e6, -2e6, 5e5])
    result = run(vertices + away, faces)
    assert inspect(result.part).reasons == ()
    assert result.facts["rung"] == "direct"
    assert np.abs(result.part.vertices).max() < 120
    there = np.c_[vertices + away, np.ones(len(vertices))] @ result.part.placement.T
    used = np.unique(faces)
    distance = np.min(
        np.linalg.norm(result.part.vertices[:, None] - there[used[::50], :3][None], axis=2), axis=0
    )
    assert distance.max() < 1e-8, "the placement leads from the scan to the part"
    assert len(result.facts["moved_to_origin_mm"]) == 3
    assert "moved_to_origin_mm" not in run(vertices, faces).facts


coordinates = st.one_of(
    st.floats(-100, 100, width=32),
    st.sampled_from([0.0, -0.0, 1.0, 1e-30, 1e-7, 1e6, 1 + 1e-9, -50.0]),
)


@st.composite
def meshes(draw: st.DrawFn) -> Mesh:
    """Garbage without NaN: few positions on a lattice or anywhere, and faces that name any of them."""
    n = draw(st.integers(3, 14))
    if draw(st.booleans()):
        row = st.tuples(*[st.integers(0, 2).map(float)] * 3)
    else:
        row = st.tuples(*[coordinates] * 3)
    vertices = np.array(draw(st.lists(row, min_size=n, max_size=n)))
    index = st.integers(0, n - 1)
    faces = draw(st.lists(st.tuples(index, index, index), min_size=1, max_size=40))
    return vertices, np.array(faces, np.int64)


@st.composite
def mangled(draw: st.DrawFn) -> Mesh:
    """A small ball of which faces were lost, turned, doubled and re-aimed, and vertices moved."""
    ball = trimesh.creation.icosphere(draw(st.integers(1, 3)), radius=draw(st.sampled_from([1.0, 50.0])))
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    vertices, faces = np.array(ball.vertices), np.array(ball.faces, np.int64)
    share = draw(st.sampled_from([0.0, 0.01, 0.1, 0.4]))
    faces = faces[rng.random(len(faces)) >= share]
    turned = rng.random(len(faces)) < draw(st.sampled_from([0.0, 0.05, 0.5]))
    faces = np.where(turned[:, None], faces[:, ::-1], faces)
    aimed = rng.random(faces.shape) < draw(st.sampled_from([0.0, 0.01, 0.2]))
    faces = np.where(aimed, rng.integers(len(vertices), size=faces.shape), faces)
    faces = np.concatenate([faces, faces[rng.random(len(faces)) < draw(st.sampled_from([0.0, 0.1, 1.0]))]])
    moved = rng.random(len(vertices)) < draw(st.sampled_from([0.0, 0.05, 1.0]))
    size = draw(st.sampled_from([0.001, 0.1, 2.0])) * np.ptp(vertices)
    vertices[moved] += rng.normal(size=(int(moved.sum()), 3)) * size
    return vertices, faces


def judged(mesh: Mesh, how: dict[str, Any]) -> None:
    vertices, faces = mesh
    before = vertices.tobytes(), faces.tobytes()
    try:
        result = run(vertices, faces, **how)
    except (StepError, HoldError) as refused:
        assert len(str(refused)) > 20
        return
    finally:
        assert (vertices.tobytes(), faces.tobytes()) == before
    if how.get("base", {}).get("close") == "none" and result.facts["rung"] == "open":
        return
    assert inspect(result.part).reasons == ()


HOW = st.fixed_dictionaries(
    {
        "base": st.fixed_dictionaries({"close": st.sampled_from(["flat", "follow", "none"])}),
        "pieces": st.sampled_from(["auto", "largest", "unite", "keep"]),
    }
)
FUZZ = settings(
    max_examples=60, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow]
)


@FUZZ
@given(meshes(), HOW)
def test_no_garbage_crashes_or_passes_for_sound(mesh: Mesh, how: dict[str, Any]) -> None:
    judged(mesh, how)


@FUZZ
@given(mangled(), HOW)
def test_no_mangled_scan_crashes_or_passes_for_sound(mesh: Mesh, how: dict[str, Any]) -> None:
    judged(mesh, how)


@pytest.mark.parametrize("wrong", [crowded_edges, internal_faces, spikes], ids=lambda f: f.__name__)
def test_the_same_bytes_on_one_thread_and_on_two(wrong: Callable[[Mesh], Mesh]) -> None:
    mesh = wrong(bowl())
    threads = numba.get_num_threads()
    seen = set()
    try:
        for count in (1, min(2, threads), 1):
            numba.set_num_threads(count)
            result = run(*mesh)
            facts = (result.facts, result.evidence, result.warnings)
            seen.add((result.part.digest(), repr(facts)))
    finally:
        numba.set_num_threads(threads)
    assert len(seen) == 1
