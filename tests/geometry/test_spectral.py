"""Held against G. Taubin, "A signal processing approach to fair surface design", SIGGRAPH 1995."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from fettlebox_steps.geometry.spectral import (
    filtered,
    keeps_longer_than,
    surface_laplacian,
    uniform_laplacian,
)
from numpy.typing import NDArray

Floats = NDArray[np.float64]

LAMBDA, MU = 0.6307, -0.6732
"""Taubin's pair (values from memory): pass band 1/λ + 1/μ = 0.1."""


def torus_grid(n: int) -> NDArray[np.int32]:
    """Triangles of an n by n grid whose ends meet: all have six neighbours, so waves are eigenvectors."""
    i, j = np.meshgrid(np.arange(n), np.arange(n), indexing="ij")
    a, b = i * n + j, (i + 1) % n * n + j
    c, d = (i + 1) % n * n + (j + 1) % n, i * n + (j + 1) % n
    return np.concatenate([np.stack([a, b, c], -1), np.stack([a, c, d], -1)]).reshape(-1, 3).astype(np.int32)


def eigenvalue(p: int, q: int, n: int) -> float:
    """Of the umbrella operator for the wave with p and q periods: 1 − mean of cos over the six neighbours."""
    x, y = 2 * np.pi * p / n, 2 * np.pi * q / n
    return float(1 - (np.cos(x) + np.cos(y) + np.cos(x + y)) / 3)


@pytest.mark.parametrize(("p", "q"), [(1, 0), (2, 1), (5, 3), (8, 8), (3, 13), (12, 0)])
@pytest.mark.parametrize("passes", [1, 10, 40])
def test_taubins_transfer_function(p: int, q: int, passes: int) -> None:
    n = 24
    i, j = np.meshgrid(np.arange(n), np.arange(n), indexing="ij")
    wave = np.cos(2 * np.pi * (p * i + q * j) / n).reshape(-1, 1)
    operator = uniform_laplacian(torus_grid(n), n * n)
    result = filtered(
        wave, operator, lambda k: ((1 - LAMBDA * k) * (1 - MU * k)) ** passes, degree=2 * passes
    )
    k = eigenvalue(p, q, n)
    expected = ((1 - LAMBDA * k) * (1 - MU * k)) ** passes
    assert result == pytest.approx(expected * wave, abs=2e-6)


def test_same_as_walking_the_passes_one_by_one() -> None:
    # Taubin's algorithm as published: a step of λ, a step of μ, each to the mean of the neighbours.
    mesh = trimesh.creation.icosphere(3)
    points = np.array(mesh.vertices) + np.random.default_rng(2).normal(size=(len(mesh.vertices), 3)) * 0.02
    walked = points.copy()
    for _ in range(12):
        for weight in (LAMBDA, MU):
            means = np.array([walked[mesh.vertex_neighbors[v]].mean(axis=0) for v in range(len(walked))])
            walked = walked + weight * (means - walked)
    operator = uniform_laplacian(np.array(mesh.faces, dtype=np.int32), len(points))
    result = filtered(points, operator, lambda k: ((1 - LAMBDA * k) * (1 - MU * k)) ** 12, degree=24)
    assert result == pytest.approx(walked, abs=1e-7)


@pytest.mark.parametrize("degree", [2, 5, 9])
def test_waves_on_a_ball_have_the_length_that_geometry_says(degree: int) -> None:
    # Spherical harmonics of degree l are eigenfunctions of the Laplacian on a ball: l·(l + 1)/r².
    from scipy.special import eval_legendre

    radius, wavelength = 20.0, 18.0
    mesh = trimesh.creation.icosphere(5, radius=radius)
    points, faces = np.array(mesh.vertices), np.array(mesh.faces, dtype=np.int32)
    values = eval_legendre(degree, points[:, 2:] / radius)
    operator = surface_laplacian(points, faces, np.zeros(len(points), np.bool_))
    kept = filtered(values, operator, keeps_longer_than(wavelength))
    length_squared = (2 * np.pi) ** 2 * radius**2 / (degree * (degree + 1))
    expected = np.exp(-((wavelength**2 / length_squared) ** 2))
    share = float((kept * values).sum() / (values * values).sum())
    assert share == pytest.approx(expected, abs=0.01)


def test_pinned_vertices_and_constant_values_stay() -> None:
    mesh = trimesh.creation.icosphere(3, radius=10.0)
    points, faces = np.array(mesh.vertices), np.array(mesh.faces, dtype=np.int32)
    pinned = points[:, 2] < -5
    operator = surface_laplacian(points, faces, pinned)
    moved = filtered(points, operator, keeps_longer_than(6.0))
    assert moved[pinned] == pytest.approx(points[pinned], abs=1e-9)
    assert np.abs(moved[~pinned] - points[~pinned]).max() > 1e-4
    assert filtered(np.full((len(points), 1), 7.0), operator, keeps_longer_than(6.0)) == pytest.approx(
        7.0, abs=1e-9
    )


def test_slowed_rows_bound_the_spectrum() -> None:
    mesh = trimesh.creation.icosphere(3, radius=10.0)
    points, faces = np.array(mesh.vertices), np.array(mesh.faces, dtype=np.int32)
    operator = surface_laplacian(points, faces, np.zeros(len(points), np.bool_), most=4.0)
    assert operator.top <= 4.0 * (1 + 1e-12)
