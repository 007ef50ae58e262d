"""Rims evened out. Judges: areas of regular polygons (CRC Standard Mathematical Tables), trimesh."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
import trimesh
from fettlebox_steps.geometry.acceptance import judge
from fettlebox_steps.geometry.carrying import unmoved_faces
from fettlebox_steps.geometry.closing import close_scan
from fettlebox_steps.geometry.notches import without_notches
from fettlebox_steps.geometry.topology import boundary_loops, compact, face_areas, face_vectors


def saw(teeth: int, low: float, high: float) -> tuple[np.ndarray, np.ndarray]:
    """A flat star about a middle: tips at radius `high`, notches between them at `low`."""
    angle = np.arange(2 * teeth) * np.pi / teeth
    radius = np.where(np.arange(2 * teeth) % 2, low, high)
    points = np.c_[radius * np.cos(angle), radius * np.sin(angle), np.zeros(2 * teeth)]
    around = np.arange(1, 2 * teeth + 1)
    return np.r_[[[0.0, 0, 0]], points], np.c_[np.zeros(2 * teeth, np.int64), around, np.roll(around, -1)]


@pytest.mark.parametrize("teeth", [20, 60])
def test_a_saw_becomes_the_regular_polygon_of_its_tips(teeth: int) -> None:
    vertices, faces = saw(teeth, 9.0, 10.0)
    (rim,) = boundary_loops(faces, len(vertices))
    more, left = without_notches(vertices, faces, rim)
    assert len(more) == len(left) == teeth
    np.testing.assert_allclose(np.linalg.norm(vertices[left], axis=1), 10.0)
    joined = np.concatenate([faces, more])
    area = teeth / 2 * 100 * np.sin(2 * np.pi / teeth)
    assert face_areas(vertices, joined).sum() == pytest.approx(area)
    assert (face_vectors(vertices, joined)[:, 2] > 0).all()
    (again,) = boundary_loops(joined, len(vertices))
    assert set(again.tolist()) == set(left.tolist())
    follows = dict(zip(left.tolist(), np.roll(left, -1).tolist(), strict=True))
    assert follows == dict(zip(again.tolist(), np.roll(again, -1).tolist(), strict=True))


def test_a_round_rim_and_a_wide_bay_are_left_as_they_are() -> None:
    vertices, faces = saw(30, 10.0, 10.0)
    (rim,) = boundary_loops(faces, len(vertices))
    more, left = without_notches(vertices, faces, rim)
    assert (len(more), left.tolist()) == (0, rim.tolist())
    vertices[7:10] *= 0.5  # a bay: deep, with edges about as long as its mouth is wide
    assert len(without_notches(vertices, faces, rim)[0]) <= 1


@pytest.mark.parametrize(("height", "ragged_mm"), [(-35.0, 0.0), (-20.0, 2.0), (15.0, 1.5)])
def test_a_ball_with_a_ragged_opening_below_keeps_every_vertex_and_gets_no_teeth(
    sphere: Callable, height: float, ragged_mm: float
) -> None:
    # CRC Standard Mathematical Tables: cap π·h²·(3r − h)/3, and the cylinder π·a²·e of the base
    ball = sphere(50.0, 5)
    middle = ball.vertices[ball.faces].mean(axis=1)
    around = np.arctan2(middle[:, 1], middle[:, 0])
    waves = sum(np.sin(k * around + k) / np.sqrt(k) for k in (3, 7, 13, 31))
    vertices, faces, _ = compact(ball.vertices, ball.faces[middle[:, 2] > height + ragged_mm * waves])
    result = close_scan(vertices, faces, base_extra_mm=6.0)
    assert judge(result.vertices, result.faces).faults() == {}
    assert result.facts["vertices_left_out"] == 0
    there = {tuple(point) for point in result.vertices.tolist()}
    assert all(tuple(point) in there for point in vertices.tolist())
    lowest = vertices[:, 2].min()
    h, a2, e = 50 - lowest, 2500 - lowest**2, 6.0
    volume = trimesh.Trimesh(result.vertices, result.faces, process=False).volume
    tolerance = 4e-3 if ragged_mm == 0 else 3e-2  # what the waves leave open between rim and lowest point
    assert volume == pytest.approx(np.pi * h**2 * (150 - h) / 3 + np.pi * a2 * e, rel=tolerance)
    # Teeth are strips of wall that look along the rim; those of a cylinder all look away from its axis.
    wall = result.faces[~unmoved_faces(result.vertices, result.faces, vertices, faces)]
    normal = face_vectors(result.vertices, wall)
    area = np.linalg.norm(normal, axis=1)
    beside = normal[:, 2] > -0.9 * area
    out = result.vertices[wall].mean(axis=1)[:, :2]
    along = np.abs(normal[:, 1] * out[:, 0] - normal[:, 0] * out[:, 1]) / np.linalg.norm(out, axis=1)
    assert area[beside & (along > 0.5 * area)].sum() < 0.01 * area[beside].sum()


def test_nothing_is_doubled_on_any_ragged_ball(raw_scan: Callable, sphere: Callable) -> None:
    for seed in range(4):
        scan = raw_scan(sphere(50.0, 4), seed, ragged_share=0.05, cut_share=0.3, crumbs=0, fins=0, doubled=0)
        for rim in boundary_loops(scan.faces, len(scan.vertices)):
            if len(np.unique(rim)) < len(rim) or len(rim) < 30:
                continue
            more, left = without_notches(scan.vertices, scan.faces, rim)
            joined = np.concatenate([scan.faces, more])
            half = joined[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
            assert len(np.unique(half, axis=0)) == len(half)
            assert len(left) + len(more) == len(rim)
            assert np.isin(more, rim).all()
