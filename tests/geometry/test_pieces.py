from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
import trimesh
from fettlebox_steps.geometry.pieces import (
    account,
    crumbs_among,
    debris_among,
    dropped_warnings,
    second_layers,
    survey,
)


def balls(radii: list[float], subdivisions: int = 2) -> tuple[np.ndarray, np.ndarray]:
    """Balls in a row that do not touch. Each has the same number of faces."""
    points, faces, x, n = [], [], 0.0, 0
    for radius in radii:
        ball = trimesh.creation.icosphere(subdivisions, radius=radius)
        x += radius
        points.append(ball.vertices + np.array([x, 0, 0]))
        x += radius + 1
        faces.append(ball.faces + n)
        n += len(ball.vertices)
    return np.concatenate(points), np.concatenate(faces).astype(np.int64)


def test_shares_of_area_go_with_the_square_of_the_radius() -> None:
    radii = [3.0, 10.0, 1.0, 5.0]
    pieces = survey(*balls(radii))
    squares = np.sort(np.square(radii))[::-1]
    np.testing.assert_allclose(pieces.share, squares / squares.sum(), rtol=1e-12)
    np.testing.assert_allclose(pieces.diagonal_mm, 2 * np.sqrt(3) * np.sqrt(squares), rtol=1e-6)
    assert pieces.closed.all()
    assert pieces.label[0] == 2


def test_a_seam_of_doubled_vertices_does_not_part_a_piece(sphere: Callable) -> None:
    ball = sphere(50.0, 2)
    soup = ball.vertices[ball.faces].reshape(-1, 3)
    pieces = survey(soup, np.arange(len(soup)).reshape(-1, 3))
    assert pieces.count == 1
    assert pieces.closed.all()


def test_debris_is_under_the_share_or_a_speck_but_never_the_largest() -> None:
    vertices, faces = balls([10.0, 2.0, 1.0])
    pieces = survey(vertices, faces)
    assert debris_among(vertices, faces, pieces, 0.02).tolist() == [False, False, True]
    assert debris_among(vertices, faces, pieces, 0.9).tolist() == [False, True, True]
    vertices, faces = balls([10.0, 0.1])
    assert debris_among(vertices, faces, survey(vertices, faces), 0.0).tolist() == [False, True]


def test_the_small_bodies_of_an_assembly_are_no_crumbs() -> None:
    one_subject = survey(*balls([10.0, 0.5, 0.5]))
    assert not one_subject.assembly
    assert crumbs_among(one_subject, False).tolist() == [False, True, True]
    assembly = survey(*balls([10.0, 9.0, 8.0, 0.7, 0.7]))
    assert assembly.assembly
    assert not crumbs_among(assembly, True).any()


def test_what_is_found_kept_and_dropped_adds_up_and_is_said() -> None:
    pieces = survey(*balls([10.0, 2.0, 1.0, 0.5]))
    dropped = np.array([False, True, True, True])
    facts = account(pieces, dropped)
    assert facts["pieces_found"] == facts["pieces_kept"] + facts["pieces_dropped"] == 4
    assert facts["dropped_area_share"] == pytest.approx((4 + 1 + 0.25) / (100 + 4 + 1 + 0.25))
    assert facts["dropped_area_mm2"] == pytest.approx(pieces.area_mm2[1:].sum())
    warnings = dropped_warnings(pieces, dropped)
    assert len(warnings) == 2
    assert "3.8%" in warnings[0]


def test_a_second_layer_is_told_from_an_inner_wall(sphere: Callable) -> None:
    ball = sphere(50.0, 4)
    cap = ball.faces[ball.vertices[ball.faces].mean(axis=1)[:, 2] > 35]
    n = len(ball.vertices)
    outside = np.concatenate([ball.vertices, ball.vertices * 1.01])
    layered = np.concatenate([ball.faces, cap + n])
    assert second_layers(outside, layered, survey(outside, layered)).tolist() == [False, True]
    walled = np.concatenate([ball.faces, cap[:, ::-1] + n])
    assert not second_layers(outside, walled, survey(outside, walled)).any()
