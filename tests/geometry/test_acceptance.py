from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from fettlebox_steps.geometry.acceptance import judge, offending_faces


def faults(vertices: np.ndarray, faces: np.ndarray) -> set[str]:
    return set(judge(vertices, faces).faults())


def test_closed_shapes_are_sound(sphere: Callable, torus: Callable, head: Callable) -> None:
    for shape in (sphere(), torus(), head()):
        verdict = judge(shape.vertices, shape.faces)
        assert verdict.sound
        assert verdict.volume_mm3 == pytest.approx(shape.volume_mm3)


def test_each_fault_is_found_by_its_name(sphere: Callable) -> None:
    ball = sphere(50.0, 3)
    v, f = ball.vertices, ball.faces
    n = len(v)
    assert faults(v, f[1:]) == {"open_edges", "open_as_float32"}
    assert "crowded_edges" in faults(v, np.concatenate([f[0, ::-1][None], f[1:]]))
    assert faults(v, f[:, ::-1]) == {"volume_mm3"}
    assert faults(v, f[:0]) >= {"open_edges"}

    top = int(v[:, 2].argmax())
    beside = np.concatenate([v, v + np.array([0, 0, 2 * v[top, 2]])])
    lowest = n + int(v[:, 2].argmin())
    touching = np.concatenate([f, np.where(f + n == lowest, top, f + n)])
    assert faults(beside, touching) == {"pinched_vertices"}
    assert "shared_positions" in faults(beside, np.concatenate([f, f + n]))

    through = np.concatenate([v, v + np.array([30.0, 0, 0])])
    assert faults(through, np.concatenate([f, f + n])) == {"crossing_faces"}
    within = np.concatenate([v, v / 2])
    assert faults(within, np.concatenate([f, f + n])) == {"misplaced_bodies"}
    assert faults(within, np.concatenate([f, f[:, ::-1] + n])) == set(), "a cavity"

    flat = v.copy()
    a, b, c = f[0]
    flat[a] = (v[b] + v[c]) / 2
    assert "degenerate_faces" in faults(flat, f)


def test_a_flap_that_lies_on_its_neighbour_is_folded() -> None:
    points = np.array([[0, 0, 0], [10, 0, 0], [0, 10, 0], [0, 0, 10.0], [2.0, 2.0, 0]])
    faces = np.array([[0, 1, 3], [1, 2, 3], [2, 0, 3], [0, 2, 1]])
    assert judge(points[:4], faces).sound
    # the bottom pulled to a point that lies in it, beyond an edge: one triangle covers the others
    folded = points.copy()
    folded[4] = [6.0, 6.0, 0]
    split = np.concatenate([faces[:3], [[0, 2, 4], [2, 1, 4], [1, 0, 4]]])
    assert judge(points, split).sound
    assert "folded_faces" in judge(folded, split).faults()
    assert offending_faces(folded, split)[4]


def test_inputs_are_not_touched(head: Callable) -> None:
    shape = head(4)
    before = shape.vertices.tobytes(), shape.faces.tobytes()
    judge(shape.vertices, shape.faces)
    assert (shape.vertices.tobytes(), shape.faces.tobytes()) == before
