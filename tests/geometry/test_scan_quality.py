"""Planted faults are found at their planted size, whatever the triangles, the place and the unit."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from fettlebox_steps.geometry.scan_quality import measure_scan
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

RADIUS_MM = 50.0


def sphere_without(
    shape: Any, axis: tuple[float, float, float], angle_deg: float
) -> tuple[Floats, Ints, float]:
    """A sphere without a cap of half angle `angle_deg`, and the true area of the cap.

    Cut exactly: vertices of the faces that straddle the rim are slid onto it along their meridian, so the
    rim is the circle itself. Cap area 2πr²(1 - cos a): CRC Standard Mathematical Tables (mensuration).
    """
    v, f = shape.vertices.copy(), shape.faces
    towards = np.array(axis) / np.linalg.norm(axis)
    limit = np.cos(np.radians(angle_deg))
    inside = (v @ towards) / RADIUS_MM > limit
    straddling = np.unique(f[inside[f].any(axis=1) & ~inside[f].all(axis=1)])
    slid = straddling[inside[straddling]]
    flat = v[slid] - np.outer(v[slid] @ towards, towards)
    flat /= np.linalg.norm(flat, axis=1, keepdims=True)
    v[slid] = RADIUS_MM * (limit * towards + np.sin(np.radians(angle_deg)) * flat)
    gone = inside.copy()
    gone[slid] = False
    keep = ~(inside[f].all(axis=1) | gone[f].any(axis=1))
    return v, f[keep], 2 * np.pi * RADIUS_MM**2 * (1 - limit)


@pytest.mark.parametrize(("noise_mm", "subdivisions"), [(0.02, 5), (0.1, 5), (0.4, 5), (0.4, 6)])
def test_planted_noise_is_found_to_15_percent_in_any_triangles(
    sphere: Callable[..., Any], noise_mm: float, subdivisions: int
) -> None:
    ball = sphere(RADIUS_MM, subdivisions)
    rng = np.random.default_rng(7)
    noisy = ball.vertices * (1 + rng.normal(size=(len(ball.vertices), 1)) * noise_mm / RADIUS_MM)
    assert measure_scan(noisy, ball.faces).noise_mm == pytest.approx(noise_mm, rel=0.15)


def test_a_smooth_ball_has_next_to_no_noise(sphere: Callable[..., Any]) -> None:
    ball = sphere(RADIUS_MM, 5)
    assert measure_scan(ball.vertices, ball.faces).noise_mm < 0.001


def test_some_wild_vertices_in_a_thousand_hardly_moves_the_noise(sphere: Callable[..., Any]) -> None:
    ball = sphere(RADIUS_MM, 5)
    rng = np.random.default_rng(11)
    noise = rng.normal(size=(len(ball.vertices), 1)) * 0.05
    noise[rng.random(len(noise)) < 0.002] *= 40
    found = measure_scan(ball.vertices * (1 + noise / RADIUS_MM), ball.faces)
    assert found.noise_mm == pytest.approx(0.05, rel=0.15)


@pytest.mark.parametrize(("angle_deg", "subdivisions"), [(8.0, 5), (15.0, 5), (30.0, 5), (15.0, 6)])
def test_area_of_planted_holes_is_found_to_5_percent(
    sphere: Callable[..., Any], angle_deg: float, subdivisions: int
) -> None:
    v, f, cap_mm2 = sphere_without(sphere(RADIUS_MM, subdivisions), (1.0, 0.3, 0.2), angle_deg)
    found = measure_scan(v, f)
    assert len(found.gaps) == 1
    assert found.missing_mm2 == pytest.approx(cap_mm2, rel=0.05)


def test_several_holes_are_counted_and_add_up(sphere: Callable[..., Any]) -> None:
    ball = sphere(RADIUS_MM, 5)
    v, f, total = ball.vertices, ball.faces, 0.0
    for axis, angle in (((1, 0, 0), 6.0), ((0, 1, 0), 9.0), ((0, 0, -1), 12.0)):
        shape = type(ball)(v, f)
        v, f, cap_mm2 = sphere_without(shape, axis, angle)
        total += cap_mm2
    found = measure_scan(v, f)
    assert len(found.holes) == 3
    assert found.hole_area_mm2 == pytest.approx(total, rel=0.05)


@pytest.mark.parametrize("kept_deg", [40.0, 90.0, 130.0, 160.0])
def test_coverage_of_a_cap_is_that_of_the_closed_form(sphere: Callable[..., Any], kept_deg: float) -> None:
    """A cap of half angle a is (1 - cos a)/2 of its sphere (mensuration): two ways of telling, one truth."""
    v, f, _ = sphere_without(sphere(RADIUS_MM, 5), (0.2, -0.4, 1.0), 180.0 - kept_deg)
    found = measure_scan(v, f)
    truth = (1 - np.cos(np.radians(kept_deg))) / 2
    assert found.coverage.covered == pytest.approx(truth, abs=0.015)
    assert found.closed_ratio == pytest.approx(truth, abs=0.03)


def test_the_side_that_was_not_scanned_is_named(sphere: Callable[..., Any]) -> None:
    for axis, side in (((0, 1, 0), "back"), ((0, 0, -1), "bottom"), ((1, 0, 0), "right")):
        v, f, _ = sphere_without(sphere(RADIUS_MM, 5), axis, 60.0)
        assert measure_scan(v, f).coverage.worst_side == side


def test_a_flat_sheet_covers_nothing_of_a_body() -> None:
    x, y = np.meshgrid(np.arange(30.0), np.arange(20.0))
    v = np.stack([x.ravel(), y.ravel(), np.zeros(x.size)], axis=1)
    at = np.arange(v.shape[0]).reshape(x.shape)
    a, b, c, d = at[:-1, :-1].ravel(), at[:-1, 1:].ravel(), at[1:, 1:].ravel(), at[1:, :-1].ravel()
    f = np.concatenate([np.stack([a, b, c], axis=1), np.stack([a, c, d], axis=1)])
    found = measure_scan(v, f)
    assert found.coverage.covered < 0.05
    assert [gap.lid_mm2 for gap in found.gaps] == [pytest.approx(29.0 * 19.0)]


def test_finer_triangles_of_the_same_surface_measure_the_same(head: Callable[..., Any]) -> None:
    """Each triangle in four, in its own plane: the very same surface."""
    v, f = head(4).vertices, head(4).faces
    f = f[v[f].mean(axis=1)[:, 1] < 40.0]
    middles = [(v[f[:, k]] + v[f[:, (k + 1) % 3]]) / 2 for k in range(3)]
    fine_v = np.concatenate([v, *middles])
    n, m = len(v), len(f)
    ab, bc, ca = (np.arange(m) + n + k * m for k in range(3))
    a, b, c = f.T
    fine_f = np.concatenate(
        [np.stack(t, axis=1) for t in ((a, ab, ca), (ab, b, bc), (ca, bc, c), (ab, bc, ca))]
    )
    coarse, fine = measure_scan(v, f), measure_scan(fine_v, fine_f)
    assert fine.area_mm2 == pytest.approx(coarse.area_mm2, rel=1e-9)
    assert fine.coverage.covered == pytest.approx(coarse.coverage.covered, abs=0.003)
    assert fine.missing_mm2 == pytest.approx(coarse.missing_mm2, rel=0.03)
    assert fine.edge_mm == pytest.approx(coarse.edge_mm / 2, rel=0.01)
    assert len(fine.gaps) == len(coarse.gaps)


@pytest.mark.parametrize("unit_mm", [0.001, 25.4, 1000.0])
def test_in_another_unit_only_lengths_and_areas_change(head: Callable[..., Any], unit_mm: float) -> None:
    v, f = head(5).vertices, head(5).faces
    f = f[v[f].mean(axis=1)[:, 2] > -60.0]
    here, there = measure_scan(v, f), measure_scan(v * unit_mm + 3.0 * unit_mm, f)
    assert there.noise_mm == pytest.approx(here.noise_mm * unit_mm, rel=1e-3)
    assert there.edge_mm == pytest.approx(here.edge_mm * unit_mm, rel=1e-6)
    assert there.missing_mm2 == pytest.approx(here.missing_mm2 * unit_mm**2, rel=1e-3)
    assert there.coverage.covered == pytest.approx(here.coverage.covered, abs=0.002)
    assert there.noise_ratio == pytest.approx(here.noise_ratio, rel=1e-3)


def test_what_is_broken_is_counted(head: Callable[..., Any], raw_scan: Callable[..., Any]) -> None:
    clean = head(5)
    raw = raw_scan(clean, 3, noise_mm=0.0, holes=0, cut_share=0.0, crumbs=12, fins=30, layers=2, doubled=0)
    found = measure_scan(raw.vertices, raw.faces)
    assert found.pieces >= 1 + 12
    assert found.doubled_ratio > 0.005
    assert found.broken_ratio == pytest.approx(3 * 30 / (3 * len(raw.faces)), rel=0.15)
    whole = measure_scan(clean.vertices, clean.faces)
    assert (whole.pieces, whole.doubled_ratio, whole.broken_ratio, whole.turned_ratio) == (1, 0.0, 0.0, 0.0)
    assert whole.gaps == []


def test_turned_faces_are_counted_and_do_not_look_like_gaps(head: Callable[..., Any]) -> None:
    v, f = head(5).vertices, head(5).faces.copy()
    turned = np.random.default_rng(5).random(len(f)) < 0.1
    f[turned] = f[turned][:, ::-1]
    found = measure_scan(v, f)
    assert found.turned_ratio == pytest.approx(turned.mean(), abs=1e-9)
    assert found.coverage.covered > 0.99
    assert found.gaps == []
    assert measure_scan(v, head(5).faces[:, ::-1]).turned_ratio == 1.0


def test_needles_are_counted_one_by_one(head: Callable[..., Any]) -> None:
    v, f = head(5).vertices.copy(), head(5).faces
    picked = np.random.default_rng(2).permutation(len(v))[:17]
    v[picked] *= 1.3
    found = measure_scan(v, f)
    assert found.spikes == pytest.approx(17, abs=2)
    assert measure_scan(head(5).vertices, f).spikes == 0


@pytest.mark.parametrize(
    "faces",
    [
        np.zeros((0, 3), np.int64),
        np.array([[0, 0, 1]]),
        np.array([[0, 1, 2]]),
        np.array([[0, 1, 3], [1, 0, 3]]),
    ],
    ids=["none", "degenerate", "one", "back to back"],
)
def test_next_to_nothing_is_measured_too(faces: Ints) -> None:
    v = np.array([[0.0, 0, 0], [1, 0, 0], [2, 0, 0], [0, 1, 0]])
    found = measure_scan(v, faces)
    assert all(value is not None for value in found.facts().values())
    assert found.coverage.covered <= 1.0


def test_nothing_given_is_changed_and_the_same_comes_twice(
    head: Callable[..., Any], raw_scan: Callable[..., Any]
) -> None:
    raw = raw_scan(head(4), 8)
    v, f = raw.vertices.copy(), raw.faces.copy()
    first = measure_scan(v, f).facts()
    assert np.array_equal(v, raw.vertices)
    assert np.array_equal(f, raw.faces)
    assert measure_scan(v, f).facts() == first
