from __future__ import annotations

import sys
from collections.abc import Callable

import numpy as np
import pytest
import trimesh
from fettlebox_steps.geometry.acceptance import judge
from fettlebox_steps.geometry.base import Frame, _smoothed, attach_base, band, base_frame
from fettlebox_steps.geometry.topology import boundary_loops, compact


def cut_open(shape, height: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """The shape cut by z = height exactly, its upper part; and the rim."""
    mesh = trimesh.intersections.slice_mesh_plane(shape.mesh(), [0, 0, 1], [0, 0, height], cap=False)
    mesh.merge_vertices()
    vertices, faces, _ = compact(np.asarray(mesh.vertices), np.asarray(mesh.faces, np.int64))
    (rim,) = boundary_loops(faces, len(vertices))
    return vertices, faces, rim


def test_the_frame_is_orthonormal_and_lies_beyond_the_rim() -> None:
    points = np.random.default_rng(1).normal(size=(30, 3))
    for way in (np.array([0, 0, -1.0]), np.array([0.3, -2.0, 0.5]), np.array([1.0, 1, 1])):
        frame = base_frame(points, [np.arange(30)], way, 4.0)
        axes = np.stack([frame.across, frame.along, frame.out])
        np.testing.assert_allclose(axes @ axes.T, np.eye(3), atol=1e-14)
        assert np.linalg.det(axes) == pytest.approx(1)
        np.testing.assert_allclose(frame.space(frame.flat(points)), points, atol=1e-14)
        assert (points @ frame.out).max() + 4.0 == pytest.approx(frame.offset_mm)
        assert frame.point @ frame.out == pytest.approx(frame.offset_mm)


@pytest.mark.parametrize("height", [-40.0, -15.0, 0.0, 20.0])
def test_a_cut_ball_stands_on_a_cylinder(sphere: Callable, height: float) -> None:
    # CRC Standard Mathematical Tables: cap π·h²·(3r − h)/3, and the cylinder π·a²·e of the base
    vertices, faces, rim = cut_open(sphere(50.0, 6), height)
    frame = base_frame(vertices, [rim], np.array([0, 0, -1.0]), 6.0)
    points, more = attach_base(vertices, rim, frame)
    joined = np.concatenate([vertices, points]), np.concatenate([faces, more])
    verdict = judge(*joined)
    assert verdict.faults() == {}
    h, a2 = 50 - height, 2500 - height**2
    assert verdict.volume_mm3 == pytest.approx(np.pi * h**2 * (150 - h) / 3 + np.pi * a2 * 6, rel=2e-3)
    assert joined[0][:, 2].min() == pytest.approx(height - 6, abs=1e-9)


def test_the_cap_is_flat_and_takes_few_triangles(head: Callable) -> None:
    vertices, _, rim = cut_open(head(6), -150.0)
    frame = base_frame(vertices, [rim], np.array([0, 0, -1.0]), 5.0)
    points, faces = attach_base(vertices, rim, frame)
    all_points = np.concatenate([vertices, points])
    on_base = np.abs(frame.flat(all_points[faces].reshape(-1, 3))[:, 2] - frame.offset_mm) < 1e-9
    cap = on_base.reshape(-1, 3).all(axis=1)
    normal = np.cross(*(all_points[faces[cap][:, k]] - all_points[faces[cap][:, 0]] for k in (1, 2)))
    assert (normal @ frame.out > 0).all()
    assert len(rim) < cap.sum() < 12 * len(rim)


def test_an_outline_that_cannot_be_made_simple_is_refused() -> None:
    # a rim that winds twice around crosses itself however much it is smoothed
    angle = np.linspace(0, 4 * np.pi, 200, endpoint=False)
    rim = np.c_[(20 + 5 * np.cos(angle / 2)) * np.c_[np.cos(angle), -np.sin(angle)].T[0],
                (20 + 5 * np.cos(angle / 2)) * -np.sin(angle), 2 * np.sin(angle / 2)]  # fmt: skip
    frame = base_frame(rim, [np.arange(200)], np.array([0, 0, -1.0]), 5.0)
    assert attach_base(rim, np.arange(200), frame) is None


def test_a_band_joins_two_rows_edge_to_edge() -> None:
    faces = band(np.arange(5), np.arange(5, 10))
    loops = boundary_loops(faces, 10)
    assert sorted(map(len, loops)) == [5, 5]
    assert isinstance(Frame(np.eye(3)[0], np.eye(3)[1], np.eye(3)[2], 1.0).point, np.ndarray)


def _ragged(count: int) -> np.ndarray:
    rng = np.random.default_rng(count)
    turn = 2 * np.pi * np.arange(count) / count
    return np.c_[80 * np.cos(turn), 60 * np.sin(turn)] + rng.normal(0, 1, (count, 2)) + [300.0, -200.0]


@pytest.mark.parametrize("count", [3, 4, 97, 240])
@pytest.mark.parametrize("passes", [0, 1, 3, 150, 4000])
def test_smoothing_is_so_many_passes_over_an_outline(count: int, passes: int) -> None:
    outline = passed = _ragged(count)
    for _ in range(passes):  # the definition: half of each point, a quarter of either neighbour
        passed = passed / 2 + (np.roll(passed, 1, axis=0) + np.roll(passed, -1, axis=0)) / 4
    np.testing.assert_allclose(_smoothed(outline, passes), passed, rtol=0, atol=1e-10)
    assert _smoothed(outline, passes).tobytes() == _smoothed(outline, passes).tobytes()


def test_smoothing_a_long_rim_costs_the_same_however_many_passes() -> None:
    outline = _ragged(50_000)
    calls = []
    for passes in (10, 1000):
        counted = 0

        def count(*_: object) -> None:
            nonlocal counted
            counted += 1

        before = sys.getprofile()
        sys.setprofile(count)
        try:
            _smoothed(outline, passes)
        finally:
            sys.setprofile(before)
        calls.append(counted)
    assert calls[0] == calls[1]
    # three waves around keep exp(-2 passes (3 pi / n)²/2) of their height, to the fourth order in 3 pi / n
    wave = np.sin(2 * np.pi * 3 * np.arange(50_000) / 50_000)[:, None]
    kept = np.exp(-20_000_000 * (3 * np.pi / 50_000) ** 2)
    np.testing.assert_allclose(_smoothed(wave, 20_000_000), kept * wave, atol=1e-6)
