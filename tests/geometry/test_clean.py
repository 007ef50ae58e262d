from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
import trimesh
from fettlebox_steps.geometry.clean import (
    clean,
    drop_bad_faces,
    first_of_equal,
    make_manifold,
    weld,
    welded,
    without_ears,
    without_fins,
    without_spikes,
)
from fettlebox_steps.geometry.topology import boundary_loops, compact, corner_fans, enclosed_volume, twins


def closed_as_float32(vertices: np.ndarray, faces: np.ndarray) -> bool:
    """What an STL and a reader that welds make of a mesh; judged by trimesh."""
    position, inverse = np.unique(vertices.astype(np.float32), axis=0, return_inverse=True)
    return bool(trimesh.Trimesh(position, inverse.ravel()[faces], process=False).is_watertight)


def test_a_triangle_soup_is_welded_without_moving_anything(sphere: Callable) -> None:
    ball = sphere(50.0, 3)
    soup = ball.vertices[ball.faces].reshape(-1, 3)
    faces = np.arange(len(soup)).reshape(-1, 3)
    welded = weld(soup, faces)
    assert len(np.unique(welded)) == len(ball.vertices)
    np.testing.assert_array_equal(soup[welded], soup[faces])


def test_positions_one_in_float32_are_welded() -> None:
    points = np.array([[1000.0, 0, 0], [1000.0 + 1e-6, 0, 0], [0, 1, 0], [0, 0, 1.0]])
    assert len(np.unique(weld(points, np.array([[0, 2, 3], [1, 3, 2]])))) == 3


def test_bad_faces_are_counted() -> None:
    faces = np.array([[0, 1, 2], [1, 2, 0], [2, 1, 0], [3, 3, 1], [1, 2, 3]])
    kept, collapsed, doubled = drop_bad_faces(faces)
    assert (kept.tolist(), collapsed, doubled) == ([[0, 1, 2], [1, 2, 3]], 1, 2)


def test_random_winding_is_made_consistent_and_outward(head: Callable) -> None:
    shape = head(4)
    flip = np.random.default_rng(5).random(len(shape.faces)) < 0.45
    faces = np.where(flip[:, None], shape.faces[:, ::-1], shape.faces)
    result = clean(shape.vertices, faces)
    assert enclosed_volume(result.vertices, result.faces) == pytest.approx(shape.volume_mm3)
    inside_out = clean(shape.vertices, shape.faces[:, ::-1])
    assert enclosed_volume(inside_out.vertices, inside_out.faces) == pytest.approx(shape.volume_mm3)


def test_the_inside_of_a_bowl_stays_the_inside(sphere: Callable) -> None:
    ball = sphere(50.0, 3)
    bowl = ball.faces[ball.vertices[ball.faces].mean(axis=1)[:, 2] < 0][:, ::-1]
    result = clean(ball.vertices, bowl)
    assert enclosed_volume(result.vertices, result.faces) < 0


def test_fins_and_pinches_are_torn_apart_and_survive_an_stl(sphere: Callable) -> None:
    ball = sphere(50.0, 2)
    far = ball.vertices + np.array([0, 0, 100.0])
    top, bottom = int(ball.vertices[:, 2].argmax()), int(far[:, 2].argmin())
    vertices = np.concatenate([ball.vertices, far, [[80.0, 0, 0]]])
    vertices[len(far) + bottom] = vertices[top]
    fin = [[int(ball.faces[0, 0]), int(ball.faces[0, 1]), len(vertices) - 1]]
    faces = np.concatenate([ball.faces, ball.faces + len(far), fin])
    result = clean(vertices, faces)
    twin = twins(result.faces, len(result.vertices))
    assert (twin > -2).all()
    assert corner_fans(result.faces, twin)[0] == len(result.vertices)
    body = result.faces[:-1]
    assert (twins(body, len(result.vertices)) >= 0).all()
    assert closed_as_float32(result.vertices, body)
    moved = np.linalg.norm(result.vertices[body] - vertices[faces[:-1]], axis=2)
    assert 0 < moved.max() < 0.2
    assert (moved > 0).any(axis=1).mean() < 0.05


def test_split_twins_end_up_more_than_float32_apart() -> None:
    ring = np.array([[0, 1, 2], [0, 2, 3], [0, 3, 1]])
    faces = np.concatenate([ring, np.where(ring == 0, 0, ring + 3)])
    angle = np.arange(3) * 2 * np.pi / 3
    cone = np.c_[np.cos(angle), np.sin(angle), np.ones(3)]
    points = np.concatenate([[[0, 0, 0]], cone, cone * [1, 1, -1]]) + np.array([-880.0, 90.0, 12.0])
    vertices, _, added = make_manifold(points, faces)
    assert added == 1
    assert len(np.unique(vertices.astype(np.float32), axis=0)) == 8


def test_ears_are_trimmed_and_nothing_else(sphere: Callable) -> None:
    ball = sphere(50.0, 3)
    keep = ball.vertices[ball.faces].mean(axis=1)[:, 2] > -20
    trimmed = ball.faces[keep][without_ears(ball.faces[keep], len(ball.vertices), rounds=50)]
    rim = (twins(trimmed, len(ball.vertices)) == -1).reshape(-1, 3).sum(axis=1)
    assert rim.max() == 1
    assert len(trimmed) > 0.9 * keep.sum()
    assert without_ears(ball.faces, len(ball.vertices)).all()


def test_every_raw_scan_becomes_manifold_with_its_inputs_untouched(
    raw_scan: Callable, head: Callable
) -> None:
    scan = raw_scan(head(4), 3, fins=60)
    before = scan.vertices.tobytes(), scan.faces.tobytes()
    result = clean(scan.vertices, scan.faces)
    assert (scan.vertices.tobytes(), scan.faces.tobytes()) == before
    twin = twins(result.faces, len(result.vertices))
    assert (twin > -2).all()
    assert corner_fans(result.faces, twin)[0] == len(result.vertices)
    on_rims = np.concatenate(boundary_loops(result.faces, len(result.vertices)))
    assert len(on_rims) == len(np.unique(on_rims)) == (twin == -1).sum()


def test_spikes_lose_their_fans_and_cones_keep_theirs(sphere: Callable) -> None:
    ball = sphere(50.0, 4)
    spiked = ball.vertices.copy()
    spiked[[7, 900]] *= 2.5
    blunt, count = without_spikes(spiked, ball.faces)
    assert count == 2
    fans = np.isin(ball.faces, [7, 900]).any(axis=1)
    assert (blunt == ball.faces[~fans]).all()
    bumped = ball.vertices.copy()
    bumped[7] *= 1.1
    assert without_spikes(bumped, ball.faces)[1] == 0
    needle = trimesh.creation.cone(1.0, 40.0, sections=24)  # a model made of nothing but spikes
    assert without_spikes(np.asarray(needle.vertices), np.asarray(needle.faces, np.int64))[1] == 0


def test_the_pole_of_a_ball_is_no_spike() -> None:
    ball = trimesh.creation.uv_sphere(50.0, count=[60, 100])
    faces = np.asarray(ball.faces, np.int64)
    assert without_spikes(np.asarray(ball.vertices), faces)[0] is faces


def test_fins_are_cut_from_a_rim_and_its_teeth_stay(sphere: Callable) -> None:
    ball = sphere(50.0, 3)
    keep = ball.vertices[ball.faces].mean(axis=1)[:, 2] > -20
    vertices, faces, _ = compact(ball.vertices, ball.faces[keep])
    same, _, fins = without_fins(vertices, faces)
    assert fins == 0
    assert {tuple(p) for p in same.tolist()} == {tuple(p) for p in vertices.tolist()}
    (rim,) = boundary_loops(faces, len(vertices))
    edge = np.median(np.linalg.norm(vertices[faces] - vertices[faces[:, [1, 2, 0]]], axis=2))
    for reach, expected in ((3.5, 0), (4.5, 1)):
        a, b = vertices[rim[:2]]
        down = np.cross(b - a, np.cross([0, 0, -1.0], b - a))
        tip = (a + b) / 2 + reach * edge * down / np.linalg.norm(down)
        longer = np.concatenate([faces, [[rim[1], rim[0], len(vertices)]]])
        points, left, fins = without_fins(np.concatenate([vertices, [tip]]), longer)
        assert (fins, len(left)) == (expected, len(longer) - expected)
        assert len(points) == len(vertices) + 1 - expected


@pytest.mark.parametrize("reach", [3, 2**62])
def test_equal_rows_are_named_after_the_first(reach: int) -> None:
    rows = np.random.default_rng(reach).integers(-reach, reach, (3000, 3))
    rows[2000:] = rows[:1000]
    _, first, inverse = np.unique(rows, axis=0, return_index=True, return_inverse=True)
    assert (first_of_equal(rows) == first[inverse.ravel()]).all()
    assert first_of_equal(rows[:0]).shape == (0,)


def test_exact_welding_is_what_numpy_finds_unique(sphere: Callable) -> None:
    """Minus zero is zero; a face without area goes, and a vertex that none uses; the order is numpy's."""
    ball = sphere(50.0, 2)
    soup = np.where(np.abs(ball.vertices) < 1e-9, -0.0, ball.vertices)[ball.faces].reshape(-1, 3)
    soup[::2] += 0.0  # every second zero is a positive one
    named = np.arange(len(soup)).reshape(-1, 3)
    given = np.concatenate([soup, [[9.0, 9.0, 9.0]]])
    places, joined = welded(given, np.concatenate([named, [[0, 1, 0]]]))
    assert np.array_equal(places, np.unique(soup, axis=0))
    assert np.array_equal(places[joined], soup[named])
