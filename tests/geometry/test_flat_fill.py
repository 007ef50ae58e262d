"""Filled outlines are held against shapely's areas and the count n − 2 + 2h of triangles with h holes."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from fettlebox_steps.geometry.flat_fill import closed_loops, fill_outlines
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def ring(points: int, radius: float, centre: tuple[float, float] = (0.0, 0.0), back: bool = False) -> Floats:
    turn = 2 * np.pi * np.arange(points) / points * (-1 if back else 1)
    return np.column_stack([np.cos(turn), np.sin(turn)]) * radius + centre


def filled(*outlines: Floats) -> tuple[Floats, NDArray[np.int32], NDArray[np.int32]]:
    points = np.concatenate(outlines)
    first = np.cumsum([0] + [len(o) for o in outlines])
    edges = np.concatenate(
        [
            np.column_stack([np.arange(n), (np.arange(n) + 1) % n]) + s
            for o, s in zip(outlines, first, strict=False)
            for n in [len(o)]
        ]
    ).astype(np.int32)
    return points, edges, fill_outlines(points, edges)


def areas(points: Floats, triangles: NDArray[np.int32]) -> Floats:
    a, b, c = (points[triangles[:, k]] for k in range(3))
    return np.asarray(((b - a)[:, 0] * (c - a)[:, 1] - (b - a)[:, 1] * (c - a)[:, 0]) / 2)


def test_nested_outlines() -> None:
    parts = ring(40, 10), ring(16, 4, back=True), ring(12, 2), ring(30, 3, (20, 0))
    points, edges, triangles = filled(*parts)
    expected = sum(shapely.Polygon(p).area * (-1 if k == 1 else 1) for k, p in enumerate(parts))
    assert areas(points, triangles).sum() == pytest.approx(-expected, rel=1e-12)
    assert len(triangles) == (40 + 16) + (12 - 2) + (30 - 2)
    back = {tuple(e) for t in triangles for e in zip(t, np.roll(t, -1), strict=True)}
    assert all((b, a) in back for a, b in edges.tolist())


def test_points_on_a_straight_line_all_keep_a_triangle() -> None:
    side = np.linspace(0, 10, 21)[:-1]
    square = np.concatenate(
        [
            np.column_stack(p)
            for p in (
                (side, 0 * side),
                (10 + 0 * side, side),
                (10 - side, 10 + 0 * side),
                (0 * side, 10 - side),
            )
        ]
    )
    points, _, triangles = filled(square)
    assert len(triangles) == len(square) - 2
    assert areas(points, triangles).max() < -1e-3, "a triangle without area"


def test_inner_edges_are_delaunay() -> None:
    rng = np.random.default_rng(3)
    wobble = ring(200, 10) * rng.uniform(0.8, 1.2, 200)[:, None]
    points, _, triangles = filled(wobble)
    across = {}
    for t in triangles.tolist():
        for k in range(3):
            across[(t[k], t[(k + 1) % 3])] = t[(k + 2) % 3]

    def angle(a: int, b: int, c: int) -> float:
        u, v = points[a] - points[c], points[b] - points[c]
        return float(np.arccos(np.clip(u @ v / np.linalg.norm(u) / np.linalg.norm(v), -1, 1)))

    for (a, b), c in across.items():
        if (b, a) in across:
            # Lawson: locally Delaunay if the opposite angles add up to at most half a turn.
            assert angle(a, b, c) + angle(a, b, across[(b, a)]) <= np.pi + 1e-6


def test_edges_that_are_no_loop() -> None:
    with pytest.raises(ValueError, match="not closed"):
        closed_loops(np.array([[0, 1], [1, 2]], dtype=np.int32))
    with pytest.raises(ValueError, match="touches itself"):
        closed_loops(np.array([[0, 1], [1, 0], [0, 2], [2, 0]], dtype=np.int32))
