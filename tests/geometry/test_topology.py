from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from fettlebox_steps.geometry.edge_pairs import _by_edge, _listed, _paired
from fettlebox_steps.geometry.topology import (
    ALONE,
    CROWDED,
    boundary_loops,
    compact,
    components,
    corner_fans,
    edge_order,
    enclosed_volume,
    face_areas,
    face_vectors,
    piece_volumes,
    twins,
    vector_area,
)


def edges_of(faces: np.ndarray) -> int:
    return len(np.unique(np.sort(faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1), axis=0))


@pytest.mark.parametrize(("name", "genus"), [("sphere", 0), ("torus", 1), ("head", 0)])
def test_closed_shapes_obey_euler_and_poincare(request: pytest.FixtureRequest, name: str, genus: int) -> None:
    # Euler–Poincaré: V − E + F = 2 (c − g)
    shape = request.getfixturevalue(name)()
    assert (twins(shape.faces, len(shape.vertices)) >= 0).all()
    assert boundary_loops(shape.faces, len(shape.vertices)) == []
    assert len(shape.vertices) - edges_of(shape.faces) + len(shape.faces) == 2 * (1 - genus)
    assert components(shape.faces, len(shape.vertices))[0] == 1


def test_volume_and_area_approach_the_formulas_for_sphere_and_torus(
    sphere: Callable, torus: Callable
) -> None:
    # CRC Standard Mathematical Tables, mensuration: sphere 4/3·π·r³ and 4·π·r²; torus 2·π²·R·r²
    ball, ring = sphere(50.0, 5), torus(40.0, 14.0)
    assert enclosed_volume(ball.vertices, ball.faces) == pytest.approx(4 / 3 * np.pi * 50**3, rel=1e-3)
    assert face_areas(ball.vertices, ball.faces).sum() == pytest.approx(4 * np.pi * 50**2, rel=1e-3)
    assert enclosed_volume(ring.vertices, ring.faces) == pytest.approx(2 * np.pi**2 * 40 * 14**2, rel=3e-3)


def test_the_vector_area_of_a_closed_surface_is_nothing_and_of_an_open_one_its_rim(sphere: Callable) -> None:
    # Stokes: the vector area of a surface depends on its rim alone
    ball = sphere()
    assert np.abs(face_vectors(ball.vertices, ball.faces).sum(axis=0)).max() < 1e-8
    upper = ball.faces[ball.vertices[ball.faces].mean(axis=1)[:, 2] > -20]
    (rim,) = boundary_loops(upper, len(ball.vertices))
    missing = face_vectors(ball.vertices, upper).sum(axis=0) / 2
    np.testing.assert_allclose(vector_area(ball.vertices[rim]), missing, atol=1e-8)


def test_a_rim_follows_the_direction_of_its_faces(sphere: Callable) -> None:
    ball = sphere(50.0, 3)
    (loop,) = boundary_loops(np.delete(ball.faces, [7], axis=0), len(ball.vertices))
    assert len(loop) == 3
    gone = ball.faces[7].tolist()
    backwards = loop[::-1].tolist()
    assert gone in [backwards[i:] + backwards[:i] for i in range(3)]


def test_fans_part_two_cones_that_touch_at_a_tip() -> None:
    ring = np.array([[0, 1, 2], [0, 2, 3], [0, 3, 1]])
    faces = np.concatenate([ring, np.where(ring == 0, 0, ring + 3)])
    count, fans = corner_fans(faces, twins(faces, 7))
    assert count == 8
    assert fans[0, 0] != fans[3, 0]


def test_crowded_edges_are_told_from_rims() -> None:
    faces = np.array([[0, 1, 2], [1, 0, 3], [0, 1, 4]])
    found = twins(faces, 5)
    assert (found[[0, 3, 6]] == -2).all()
    assert (np.delete(found, [0, 3, 6]) == -1).all()


def test_compact_keeps_positions() -> None:
    points = np.arange(15.0).reshape(5, 3)
    faces = np.array([[4, 1, 3]])
    kept, renamed, old = compact(points, faces)
    np.testing.assert_array_equal(kept[renamed], points[faces])
    np.testing.assert_array_equal(old, [1, 3, 4])


def test_time_stays_linear_where_many_faces_meet_in_a_point() -> None:
    # a fan of 200,000 faces around one vertex: anything quadratic in the valence would never come back
    n = 200_000
    rim = np.arange(1, n + 1)
    faces = np.stack([np.zeros(n, np.int64), rim, np.roll(rim, -1)], axis=1)
    (loop,) = boundary_loops(faces, n + 1)
    assert len(loop) == n


@pytest.mark.parametrize("hub", [False, True])
def test_twins_are_those_of_a_dictionary_of_edges(hub: bool) -> None:
    """Random faces, so that edges are alone, paired and crowded; at a hub there are hundreds of them."""
    rng = np.random.default_rng(4)
    faces = np.array([rng.permutation(60)[:3] for _ in range(900)])
    if hub:
        faces = np.c_[np.zeros(900, int), faces[:, :2] + 1]
    halves: dict[tuple[int, int], list[int]] = {}
    for h in range(2700):
        a, b = faces[h // 3, h % 3], faces[h // 3, (h % 3 + 1) % 3]
        halves.setdefault((min(a, b), max(a, b)), []).append(h)
    expected = np.full(2700, ALONE)
    for there in halves.values():
        starts = {int(faces[h // 3, h % 3]) for h in there}
        if len(there) == 2 and len(starts) == 2:
            expected[there] = there[::-1]
        elif len(there) > 1:
            expected[there] = CROWDED
    assert {ALONE, CROWDED} < set(expected.tolist())
    assert (twins(faces, 61) == expected).all()


def test_edges_are_those_of_a_sort_in_however_many_parts_the_work_is_shared() -> None:
    """Faces enough to be shared out, most of their edges at few vertices, so that the shares are unequal."""
    rng = np.random.default_rng(8)
    faces = np.sort((rng.random((30_000, 3)) ** 3 * 9_000).astype(np.int64), axis=1)[:, rng.permutation(3)]
    end = np.roll(faces, -1, axis=1).ravel()
    key = np.minimum(faces.ravel(), end) * 9_000 + np.maximum(faces.ravel(), end)
    order = np.argsort(key, kind="stable")
    begin = np.flatnonzero(np.diff(key[order], prepend=-1, append=-1))
    first, size = np.repeat(begin[:-1], np.diff(begin)), np.repeat(np.diff(begin), np.diff(begin))
    other = order[2 * first + size - 1 - np.arange(len(order))]
    two_ways = faces.ravel()[order] != faces.ravel()[other]
    expected = np.empty(len(order), np.int64)
    expected[order] = np.where(size == 1, ALONE, np.where((size == 2) & two_ways, other, CROWDED))
    assert min((expected == ALONE).sum(), (expected == CROWDED).sum(), (expected >= 0).sum()) > 1_000
    for parts in (1, 2, 5):
        shared = _by_edge(faces, 9_000, parts)
        assert (_paired(faces, *shared) == expected).all()
        for found, sorted_one in zip(_listed(*shared), (order, begin), strict=True):
            assert (found == sorted_one).all()
    assert (twins(faces, 9_000) == expected).all()
    assert (edge_order(faces, 9_000)[0] == order).all()


def test_volumes_of_pieces_are_those_of_balls_and_hollows(sphere: Callable) -> None:
    ball, small = sphere(50.0, 5), sphere(10.0, 5)
    n = len(ball.vertices)
    vertices = np.concatenate([ball.vertices, small.vertices + np.array([0, 0, 500.0])])
    faces = np.concatenate([ball.faces, small.faces[:, ::-1] + n])
    label = np.repeat([0, 1], [len(ball.faces), len(small.faces)])
    found = piece_volumes(vertices, faces, label, 2)
    # 4/3 pi r^3, CRC Standard Mathematical Tables
    assert found == pytest.approx([4 / 3 * np.pi * 50**3, -4 / 3 * np.pi * 10**3], rel=2e-3)
