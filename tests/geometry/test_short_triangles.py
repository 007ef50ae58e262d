"""Long triangles halved: the same surface, whatever the number of threads."""

from __future__ import annotations

import numba
import numpy as np
from fettlebox_steps.geometry.short_triangles import LONGEST, short_triangles
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def _soup(huge: int) -> tuple[Floats, NDArray[np.int64]]:
    """Two thousand triangles of about 1 mm, then some of `huge` times that size."""
    rng = np.random.default_rng(5)
    corners = rng.normal(size=(2_040, 3, 3))
    corners[2_000:] *= huge
    corners += rng.uniform(-50, 50, (len(corners), 1, 3))
    return corners.reshape(-1, 3), np.arange(3 * len(corners)).reshape(-1, 3)


def _sides(triangles: Floats) -> Floats:
    corners = triangles.reshape(-1, 3, 3)
    return np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).max(axis=1)


def _vector_area_and_middle(triangles: Floats) -> tuple[Floats, Floats]:
    a, b, c = triangles.reshape(-1, 3, 3).transpose(1, 0, 2)
    across = np.cross(b - a, c - a)
    weight = np.linalg.norm(across, axis=1)
    return across.sum(axis=0), (weight[:, None] * (a + b + c)).sum(axis=0)


def test_what_is_halved_has_the_same_area_and_middle_and_no_long_side() -> None:
    # both are sums over the parts of a surface (Pappus), however it is cut up
    points, faces = _soup(12)
    whole = points[faces].reshape(-1, 9)
    parts = short_triangles(points, faces)
    assert len(parts) > len(whole)
    assert _sides(parts).max() <= LONGEST * np.median(_sides(whole)) * (1 + 1e-12)
    for found, expected in zip(_vector_area_and_middle(parts), _vector_area_and_middle(whole), strict=True):
        np.testing.assert_allclose(found, expected, rtol=1e-9, atol=1e-6)


def test_a_few_huge_triangles_make_no_more_than_twice_as_many() -> None:
    points, faces = _soup(1_000)
    whole = points[faces].reshape(-1, 9)
    parts = short_triangles(points, faces)
    assert len(whole) < len(parts) <= 2 * len(whole) + 64
    np.testing.assert_allclose(
        _vector_area_and_middle(parts)[0], _vector_area_and_middle(whole)[0], rtol=1e-9
    )


def test_same_bytes_on_one_thread() -> None:
    points, faces = _soup(12)
    threads = numba.get_num_threads()
    usual = short_triangles(points, faces)
    numba.set_num_threads(1)
    try:
        alone = short_triangles(points, faces)
    finally:
        numba.set_num_threads(threads)
    assert usual.tobytes() == alone.tobytes()
