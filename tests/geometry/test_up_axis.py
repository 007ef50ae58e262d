"""Openings and flat faces of shapes whose openings and faces are known."""

from __future__ import annotations

import math

import numpy as np
import pytest
import trimesh
from fettlebox_steps.geometry.up_axis import NO_BASE, SCANNER, flat_faces, judge_up, level_front, openings


def _open_cylinder() -> tuple[np.ndarray, np.ndarray]:
    tube = trimesh.creation.cylinder(10.0, 40.0, sections=128)
    vertices, faces = np.asarray(tube.vertices), np.asarray(tube.faces)
    return vertices, faces[~(vertices[faces][:, :, 2] == -20.0).all(axis=1)]


def test_the_opening_of_a_cylinder() -> None:
    found = openings(*_open_cylinder())
    assert len(found) == 1
    assert found[0].outward == pytest.approx([0, 0, -1], abs=1e-12)
    # A lid of πr² over a wall of 2πrh and the other end of πr², r = 10, h = 40.
    assert found[0].size == pytest.approx(100 / (800 + 100), rel=1e-3)
    assert found[0].ragged == pytest.approx(0.0, abs=1e-9)


def test_a_slanted_rim_is_no_more_ragged_than_a_straight_one_but_a_bent_one_is() -> None:
    vertices, faces = _open_cylinder()
    low = vertices[:, 2] == -20.0
    slanted, bent = vertices.copy(), vertices.copy()
    slanted[low, 2] += 0.5 * vertices[low, 0]
    bent[low, 2] += np.abs(vertices[low, 0])
    assert openings(slanted, faces)[0].ragged == pytest.approx(0.0, abs=1e-9)
    assert openings(bent, faces)[0].ragged > 0.12


def test_a_closed_surface_has_no_opening() -> None:
    box = trimesh.creation.box((1, 1, 1))
    assert openings(np.asarray(box.vertices), np.asarray(box.faces)) == []


def test_flat_ends_count_and_round_bodies_do_not() -> None:
    tube = trimesh.creation.cylinder(10.0, 40.0, sections=128)
    ends = flat_faces(np.asarray(tube.vertices), np.asarray(tube.faces))
    # Cauchy: the mean shadow of a convex body is a quarter of its area, here (2πrh + 2πr²)/4.
    assert [end.size for end in ends[:2]] == pytest.approx([400 / (2 * 10 * 40 + 2 * 100)] * 2, rel=1e-2)
    for stretch in ([1, 1, 1], [0.8, 1, 1.2]):
        ball = trimesh.creation.icosphere(4)
        assert all(
            f.size <= NO_BASE for f in flat_faces(np.asarray(ball.vertices) * stretch, np.asarray(ball.faces))
        )


def test_a_half_sphere_is_seen_from_its_round_side() -> None:
    """Area 2πr², vector area πr²: one-sided by half."""
    ball = trimesh.creation.icosphere(4)
    vertices, faces = np.asarray(ball.vertices), np.asarray(ball.faces)
    stance = judge_up(vertices, faces[vertices[faces].mean(axis=1)[:, 0] > 0.0], ["opening"], SCANNER)
    assert stance.view == pytest.approx([1, 0, 0], abs=1e-6)
    front = level_front(stance, np.array([0.0, 0.0, 1.0]))
    assert front is not None and front == pytest.approx([1, 0, 0])
    assert level_front(stance, np.array([1.0, 0.0, 0.0])) is None
    assert stance.probability.sum() == pytest.approx(1.0)


def test_evidence_multiplies_as_bayes_says() -> None:
    """Prior times likelihood over their sum, by hand for one clean opening at the bottom."""
    stance = judge_up(*_open_cylinder(), ["opening"], SCANNER)
    weight = {name: SCANNER[name] * 0.005 for name in SCANNER} | {"+z": SCANNER["+z"]}
    assert stance.names[stance.ranked[0]] == "+z"
    expected = weight["+z"] / math.fsum(weight.values())
    assert stance.probability[stance.ranked[0]] == pytest.approx(expected, rel=1e-9)


def test_inputs_stay() -> None:
    vertices, faces = _open_cylinder()
    kept = vertices.copy(), faces.copy()
    judge_up(vertices, faces, ["opening", "base", "symmetry", "outline"], SCANNER)
    assert np.array_equal(vertices, kept[0]) and np.array_equal(faces, kept[1])
