from __future__ import annotations

import numpy as np
import pytest
from fettlebox_steps.geometry.taut import triangulate


def fill(points: np.ndarray, forbidden: list[tuple[int, int]] = []) -> np.ndarray:  # noqa: B006
    taken = np.zeros((len(points),) * 2, bool)
    for i, k in forbidden:
        taken[i, k] = True
    return triangulate(points, np.zeros((len(points), 3)), taken)


def area(points: np.ndarray, triangles: np.ndarray) -> float:
    a, b, c = (points[triangles[:, k]] for k in range(3))
    return float(np.linalg.norm(np.cross(b - a, c - a), axis=1).sum() / 2)


def test_a_flat_star_is_covered_once() -> None:
    angle = np.linspace(0, 2 * np.pi, 40, endpoint=False)
    radius = np.where(np.arange(40) % 2, 1.0, 2.0)
    points = np.c_[radius * np.cos(angle), radius * np.sin(angle), np.zeros(40)]
    x, y = points[:, 0], points[:, 1]
    shoelace = abs((x * np.roll(y, -1) - y * np.roll(x, -1)).sum()) / 2
    assert area(points, fill(points)) == pytest.approx(shoelace, rel=1e-9)


def test_no_triangulation_of_a_hexagon_in_space_is_smaller() -> None:
    # held against all 14 triangulations of a hexagon (the Catalan number C4), listed here by recursion
    points = np.random.default_rng(3).normal(size=(6, 3)) * [1, 1, 0.1]
    points = points[np.argsort(np.arctan2(points[:, 1], points[:, 0]))]

    def every(i: int, k: int) -> list[list[tuple[int, int, int]]]:
        if k - i < 2:
            return [[]]
        return [
            [(i, m, k), *left, *right]
            for m in range(i + 1, k)
            for left in every(i, m)
            for right in every(m, k)
        ]

    choices = every(0, 5)
    assert len(choices) == 14
    flat_enough = min(area(points, np.array(c)) for c in choices)
    assert area(points, fill(points)) >= flat_enough - 1e-12
    assert area(points, fill(points)) <= 1.2 * flat_enough


def test_a_forbidden_chord_is_not_used() -> None:
    square = np.array([[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0.0]])
    chords = lambda t: {tuple(sorted(e)) for f in t.tolist() for e in zip(f, f[1:] + f[:1], strict=True)}  # noqa: E731
    assert (0, 2) not in chords(fill(square, [(0, 2)]))
    assert (1, 3) not in chords(fill(square, [(1, 3)]))
    assert len(fill(square, [(0, 2), (1, 3)])) == 0
