from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from fettlebox.mesh.overlaps import overlapping_faces
from fettlebox.mesh.soundness import CROSSING_REL
from fettlebox_steps.geometry.acceptance import UPON, judge, offending_faces
from fettlebox_steps.geometry.crossings import crossing_faces


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


def test_needles_that_lie_as_near_as_the_witness_minds_are_minded_here_too() -> None:
    """From a scan of a million triangles, 367 mm across: two needles 2e-5 to 4e-5 mm apart, none through the
    other. What a step accepts has to pass the engine's own witness, which shares no code with it.
    """
    points = np.array(
        [
            [30.248762130737305, -41.81039047241211, -88.87030029296875],
            [30.28959846496582, -41.80241775512695, -88.90292358398438],
            [30.226884841918945, -41.81459426879883, -88.85283660888672],
            [30.2650203704834, -41.80708694458008, -88.88327026367188],
            [30.23995018005371, -41.81211471557617, -88.86323547363281],
            [30.287424087524414, -41.80278015136719, -88.90115356445312],
        ]
    )
    faces = np.arange(6).reshape(2, 3)
    across_mm = 367.1
    assert overlapping_faces(points, faces.astype(np.int32), CROSSING_REL * across_mm).all()
    assert crossing_faces(points, faces, upon_mm=UPON * across_mm).all()
    assert not crossing_faces(points, faces).any()
