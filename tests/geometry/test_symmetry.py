"""Mirror planes of surfaces whose planes are known."""

from __future__ import annotations

import numpy as np
import trimesh
from fettlebox_steps.geometry.symmetry import mirror_planes, sample


def _lopsided() -> tuple[np.ndarray, np.ndarray]:
    """Mirror-symmetric in X only: an egg with a nose, a chin and a flat back."""
    ball = trimesh.creation.icosphere(4)
    d = np.asarray(ball.vertices)
    grow = 1.0 + 0.35 * np.exp(-8.0 * ((d - [0.0, -0.94, 0.34]) ** 2).sum(1)) - 0.25 * np.clip(d[:, 1], 0, 1)
    grow += 0.3 * np.exp(-4.0 * ((d - [0.0, 0.5, -0.86]) ** 2).sum(1))
    return d * grow[:, None] * [60.0, 80.0, 100.0], np.asarray(ball.faces)


def test_the_plane_is_found_wherever_the_surface_lies() -> None:
    vertices, faces = _lopsided()
    turn = trimesh.transformations.rotation_matrix(0.9, [0.3, -0.8, 0.5])[:3, :3]
    shift = np.array([300.0, -40.0, 1000.0])
    best = mirror_planes(vertices @ turn.T + shift, faces)[0]
    normal = turn @ [1.0, 0.0, 0.0]
    assert abs(best.normal @ normal) > np.cos(np.radians(0.5))
    assert abs(best.offset - best.normal @ shift) < 0.3  # mm, on a shape of 200
    assert best.quality > 0.99


def test_the_plane_is_found_when_part_of_one_half_is_missing() -> None:
    vertices, faces = _lopsided()
    kept = faces[vertices[faces].mean(axis=1)[:, 0] < 45.0]
    best = mirror_planes(vertices, kept)[0]
    assert abs(best.normal[0]) > np.cos(np.radians(2.0))
    assert best.quality > 0.9


def test_other_planes_are_judged_worse() -> None:
    vertices, faces = _lopsided()
    first, *others = mirror_planes(vertices, faces)
    assert all(other.residual > 5.0 * first.residual for other in others)


def test_samples_lie_on_the_surface_evenly() -> None:
    box = trimesh.creation.box((10.0, 20.0, 30.0))
    points, normals = sample(np.asarray(box.vertices), np.asarray(box.faces), 4400)
    outside = np.abs(points) - [5.0, 10.0, 15.0]
    assert np.abs(outside.max(axis=1)).max() < 1e-9
    # A side's share of the samples is its share of the area: 20·30 of 2·(200 + 300 + 600).
    assert np.isclose((normals[:, 0] > 0.5).mean(), 600 / 2200, atol=1e-3)
    on_side = points[normals[:, 0] > 0.5]
    assert np.allclose(on_side.mean(axis=0), [5.0, 0.0, 0.0], atol=0.6)


def test_inputs_stay_and_results_repeat() -> None:
    vertices, faces = _lopsided()
    kept = vertices.copy(), faces.copy()
    first, second = mirror_planes(vertices, faces), mirror_planes(vertices, faces)
    assert np.array_equal(vertices, kept[0]) and np.array_equal(faces, kept[1])
    assert all(
        np.array_equal(a.normal, b.normal) and a.offset == b.offset
        for a, b in zip(first, second, strict=True)
    )
