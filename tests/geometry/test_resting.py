"""Turns, feet and flattening."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
import trimesh
from fettlebox.mesh import Part
from fettlebox.mesh.soundness import inspect
from fettlebox_steps.geometry.resting import (
    centre_of_mass,
    flatten,
    inside_by,
    resting_faces,
    turn_down,
    turn_to,
)

DOWN = np.array([0.0, 0.0, -1.0])


def _directions(count: int) -> np.ndarray:
    ways = np.random.default_rng(1).normal(size=(count, 3))
    ways[:6] = [[1, 0, 0], [-1, 0, 0], [0, 1, 0], [0, -1, 0], [0, 0, 1], [0, 0, -1]]
    return ways / np.linalg.norm(ways, axis=1)[:, None]


def test_turns_are_rotations_by_the_angle_between() -> None:
    for way in _directions(40):
        turn = turn_down(way)
        assert turn[:3, :3] @ way == pytest.approx(DOWN, abs=1e-12)
        assert turn[:3, :3] @ turn[:3, :3].T == pytest.approx(np.eye(3), abs=1e-12)
        assert np.linalg.det(turn[:3, :3]) == pytest.approx(1.0)
        angle = math.acos(np.clip((np.trace(turn[:3, :3]) - 1) / 2, -1, 1))
        assert angle == pytest.approx(math.acos(np.clip(way @ DOWN, -1, 1)), abs=1e-7)


def test_no_turn_where_none_is_needed() -> None:
    assert np.array_equal(turn_to(DOWN, DOWN), np.eye(4))


def test_distance_inside_and_outside_an_outline() -> None:
    square = np.array([[0.0, 0], [10, 0], [10, 10], [0, 10]])
    assert inside_by(square, np.array([3.0, 5.0])) == pytest.approx(3.0)
    assert inside_by(square, np.array([-2.0, 5.0])) == pytest.approx(-2.0)
    assert inside_by(square, np.array([13.0, 14.0])) == pytest.approx(-5.0)


def test_a_box_has_six_ways_to_stand_largest_first() -> None:
    box = trimesh.creation.box((10, 20, 30))
    vertices, faces = np.asarray(box.vertices), np.asarray(box.faces)
    rests = resting_faces(vertices, faces, centre_of_mass(vertices, faces)[0], 0.02)
    assert [round(r.contact_area) for r in rests] == [600, 600, 300, 300, 200, 200]
    assert [r.margin for r in rests] == pytest.approx([10, 10, 5, 5, 5, 5])
    assert [r.centre_height for r in rests] == pytest.approx([5, 5, 10, 10, 15, 15])


def test_a_face_of_many_slivers_is_one_face() -> None:
    """Each side triangle of this cylinder is larger than any triangle of its ends."""
    tube = trimesh.creation.cylinder(20.0, 60.0, sections=64)
    vertices, faces = np.asarray(tube.vertices), np.asarray(tube.faces)
    rests = resting_faces(vertices, faces, np.zeros(3), 0.02, tried=2)
    area = 64 / 2 * 400 * math.sin(2 * math.pi / 64)
    assert [r.contact_area for r in rests] == pytest.approx([area, area])


def test_an_open_surface_is_judged_by_its_hull() -> None:
    box = trimesh.creation.box((10, 20, 30))
    vertices, faces = np.asarray(box.vertices), np.asarray(box.faces)
    assert centre_of_mass(vertices, faces)[1]
    centre, solid = centre_of_mass(vertices, faces[1:])
    assert not solid and centre == pytest.approx([0, 0, 0], abs=1e-12)


def test_flatten_moves_only_what_is_on_the_bed_and_keeps_its_input() -> None:
    box = trimesh.creation.box((10, 10, 10)).subdivide()
    vertices, faces = np.asarray(box.vertices) + np.array([0, 0, 5.0]), np.asarray(box.faces)
    bottom = vertices[:, 2] == 0.0
    rough = (
        vertices
        + np.where(bottom, 0.01, 0.0)[:, None] * [0, 0, 1.0] * np.sin(np.arange(len(vertices)))[:, None]
    )
    kept = rough.copy()
    flat, on_bed, moved = flatten(rough, faces, 0.02)
    assert np.array_equal(rough, kept)
    assert np.array_equal(on_bed, bottom)
    assert (flat[bottom, 2] == 0.0).all()
    assert np.array_equal(flat[~bottom], rough[~bottom])
    assert 0.0 < moved <= 0.01


def test_flatten_leaves_what_would_pass_through_other_faces() -> None:
    """A slot of a hundredth of a millimetre just over the bed: its ceiling must not sink through its floor.
    The volume of the prism is the area of its outline, by the shoelace formula, times its length.
    """
    outline = shapely.Polygon(
        [(0, 0), (10, 0), (10, 0.005), (5, 0.005), (5, 0.015), (10, 0.015), (10, 10), (0, 10)]
    )
    prism = trimesh.creation.extrude_polygon(outline, 10.0)
    vertices = np.asarray(prism.vertices)[:, [2, 0, 1]]  # a cyclic change of axes: nothing is mirrored
    faces = np.asarray(prism.faces)
    flat, on_bed, moved = flatten(vertices, faces, 0.02)
    part = Part(flat, faces)
    assert inspect(part).reasons == ()
    assert trimesh.Trimesh(flat, faces, process=False).volume == pytest.approx(outline.area * 10.0, rel=1e-12)
    assert np.array_equal(on_bed, vertices[:, 2] == 0.0) and moved == 0.0
