"""Where a label fits, and how it is laid round a curve: against closed forms and shapely's own predicates."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
import trimesh
from fettlebox_steps.geometry.flat_places import flat_faces, place_for, reader_frame
from fettlebox_steps.geometry.plinth_joining import quiet_height, sink_for
from fettlebox_steps.geometry.plinth_shapes import disc_outline, inset, outline
from fettlebox_steps.geometry.prisms import prism
from fettlebox_steps.geometry.sight import first_met
from fettlebox_steps.geometry.thickness import Surface
from fettlebox_steps.geometry.wrapping import even_enough, letters_on, radii, roll_for

CYLINDER = trimesh.creation.cylinder(radius=15.0, height=40.0, sections=128)


def test_flat_faces_of_a_box_are_its_six_and_of_a_ball_none_that_is_large() -> None:
    box = trimesh.creation.box((30.0, 20.0, 10.0)).subdivide().subdivide()
    found = flat_faces(np.array(box.vertices), np.array(box.faces))
    assert [round(face.area_mm2) for face in found] == [600, 600, 300, 300, 200, 200]
    assert sum(len(face.faces) for face in found) == len(box.faces)
    ball = trimesh.creation.icosphere(4, radius=20.0)
    assert max(face.area_mm2 for face in flat_faces(np.array(ball.vertices), np.array(ball.faces))) < 3.0


def test_a_frame_is_right_handed_and_upright() -> None:
    for normal in ([0, -1, 0], [1, 0, 0], [0.6, 0, 0.8], [0, 0, 1], [0, 0, -1], [0, 0.1, -0.995]):
        unit = np.array(normal, float) / np.linalg.norm(normal)
        frame = reader_frame(np.zeros(3), unit)
        assert np.cross(frame.right, frame.up) == pytest.approx(unit)
        assert abs(frame.right[2]) < 1e-9
    assert reader_frame(np.zeros(3), np.array([0.0, 0, -1])).up == pytest.approx([0, -1, 0])


def test_a_box_lies_where_it_fits_nearest_to_what_was_wanted() -> None:
    room = shapely.box(0, 0, 40, 20)
    place, factor = place_for(room, np.array([10.0, 5.0]), 1.0, np.array([20.0, 10.0]), 0.5) or (None, 0)
    assert place == pytest.approx([20, 10])
    assert factor == 1.0
    corner, _ = place_for(room, np.array([10.0, 5.0]), 1.0, np.array([-9.0, 99.0]), 0.5) or (None, 0)
    assert corner == pytest.approx([6, 16.5])  # half the box and the clearance away from both edges


def test_a_box_goes_round_holes_and_becomes_smaller_only_as_far_as_it_must() -> None:
    room = shapely.box(0, 0, 40, 20).difference(shapely.box(15, 0, 25, 18))
    size, clear = np.array([12.0, 6.0]), 1.0
    found = place_for(room, size, clear, np.array([20.0, 10.0]), 0.5)
    assert found is not None
    place, factor = found
    half = size * factor / 2
    box = shapely.box(*(place - half), *(place + half))
    assert factor == 1.0
    assert room.buffer(1e-6).contains(box)
    assert box.distance(room.exterior) >= clear - 1e-6
    long = np.array([20.0, 4.0])
    found = place_for(room, long, clear, np.array([20.0, 10.0]), 0.5)
    assert found is not None
    assert found[1] == pytest.approx(13 / 20, rel=0.01)  # 15 mm beside the hole, less the clearance
    assert place_for(room, long, clear, np.array([20.0, 10.0]), 0.7) is None
    assert place_for(shapely.box(0, 0, 1.5, 1.5), long, clear, np.zeros(2), 0.1) is None


def test_the_arc_of_a_cylinder_is_the_cylinder() -> None:
    points, faces = np.array(CYLINDER.vertices), np.array(CYLINDER.faces)
    roll = roll_for(points, faces, np.array([0.6, -0.8]), 3.0, 12.0)
    assert roll.radius_mm == pytest.approx(15.0, abs=0.01)
    assert roll.axis == pytest.approx([0, 0], abs=0.02)
    assert roll.outward(np.zeros(1))[0] == pytest.approx([0.6, -0.8, 0], abs=1e-3)
    # to the reader's right is counter-clockwise, seen from above
    assert roll.outward(np.array([15 * np.pi / 2]))[0] == pytest.approx([0.8, 0.6, 0], abs=3e-3)
    surface = Surface(points, faces)
    at, facing = radii(surface, roll, np.array([[0.0, 0.0], [5.0, 4.0], [0.0, 30.0]]))
    assert at[:2] == pytest.approx([15, 15], abs=0.01)
    assert facing[:2] == pytest.approx([1, 1], abs=0.01)
    assert at[2] == np.inf  # beyond the end
    assert even_enough(surface, roll, np.array([12.0, 20.0]))
    assert not even_enough(surface, roll, np.array([12.0, 40.0]))


def test_letters_on_a_cylinder_hold_what_the_sector_holds() -> None:
    points, faces = np.array(CYLINDER.vertices), np.array(CYLINDER.faces)
    roll = roll_for(points, faces, np.array([0.0, -1.0]), 0.0, 10.0)
    body = letters_on(Surface(points, faces), roll, shapely.box(-4, -3, 4, 3), -0.3, 0.8)
    mesh = trimesh.Trimesh(*body, process=False)
    assert mesh.is_watertight
    # a sector of angle w / r: (w / 2r) · ((r + 0.8)² − (r − 0.3)²) · height
    assert mesh.volume == pytest.approx(8 / 30 * (15.8**2 - 14.7**2) * 6, rel=2e-3)


def test_no_arc_where_the_surface_is_hollow_or_too_small() -> None:
    drum = trimesh.creation.cylinder(radius=15.0, height=50.0)
    drum.apply_translation((0, -18, 0))
    trough = trimesh.boolean.difference([trimesh.creation.box((40.0, 20.0, 30.0)), drum], engine="manifold")
    points, faces = np.array(trough.vertices), np.array(trough.faces)
    with pytest.raises(ValueError, match="the surface is hollow there"):
        roll_for(points, faces, np.array([0.0, -1.0]), 0.0, 8.0)
    with pytest.raises(ValueError, match="measures"):
        roll_for(np.array(CYLINDER.vertices), np.array(CYLINDER.faces), np.array([0.0, -1.0]), 0.0, 90.0)
    with pytest.raises(ValueError, match="does not reach"):
        roll_for(np.array(CYLINDER.vertices), np.array(CYLINDER.faces), np.array([0.0, -1.0]), 90.0, 9.0)


def test_rays_meet_what_trimesh_says_they_meet() -> None:
    mesh = trimesh.creation.icosphere(3, radius=7.0)
    mesh.apply_translation((100, 50, 20))
    rng = np.random.default_rng(1)
    way = rng.normal(size=(50, 3))
    way /= np.linalg.norm(way, axis=1, keepdims=True)
    start = np.tile(mesh.centroid, (50, 1))
    far, normal = first_met(Surface(mesh.vertices, mesh.faces), start, way)
    at, ray, face = mesh.ray.intersects_location(start, way, multiple_hits=False)
    assert far[ray] == pytest.approx(np.linalg.norm(at - start[ray], axis=1), abs=1e-4)
    assert (np.einsum("ij,ij->i", normal[ray], mesh.face_normals[face]) > 0.9).all()
    away, _ = first_met(Surface(mesh.vertices, mesh.faces), start + 50 * way, way)
    assert np.isinf(away).all()


def test_a_prism_holds_area_times_height() -> None:
    shape = shapely.box(0, 0, 4, 4).difference(shapely.Point(2, 2).buffer(1))
    mesh = trimesh.Trimesh(*prism(shape, -1.0, 2.5), process=False)
    assert mesh.is_watertight
    assert mesh.volume == pytest.approx(shape.area * 3.5, rel=1e-12)


def test_outlines_reach_beyond_what_they_cover_and_no_further() -> None:
    foot = shapely.box(0, 0, 10, 20)
    nothing = (np.zeros(2), 0.0)
    assert outline("square", foot, 3.0, nothing).bounds == (-8.0, -3.0, 18.0, 23.0)
    circle = outline("round", foot, 3.0, nothing)
    assert circle.area == pytest.approx(np.pi * (np.hypot(5, 10) + 3) ** 2, rel=2e-3)
    followed = outline("outline", foot, 3.0, nothing)
    assert shapely.hausdorff_distance(followed, foot.buffer(3.0, quad_segs=64), densify=0.05) < 0.05
    assert followed.contains(foot.buffer(2.98))
    wide = outline("round", foot, 3.0, (np.array([30.0, 0.0]), 5.0))
    assert wide.contains(shapely.Point(34.9, 0))


def test_a_disc_lies_outside_its_circle_and_a_chamfer_inside() -> None:
    disc = disc_outline(np.array([1.0, 2.0]), 20.0)
    assert shapely.Point(1, 2).distance(disc.exterior) == pytest.approx(20.0, abs=1e-9)
    assert inset(disc, 2.0).exterior.distance(disc.exterior) == pytest.approx(2.0, rel=1e-6)


def test_the_cut_keeps_clear_of_vertices_if_it_can() -> None:
    z = np.array([0.0, 0.999999, 1.0, 1.000001, 1.02, 1.09])
    vertices = np.column_stack([np.zeros((6, 2)), z])
    assert quiet_height(vertices, 0.5, 0.1) == 0.5
    height = quiet_height(vertices, 1.0, 0.1)
    assert np.abs(z - height).min() == pytest.approx(0.05, rel=1e-3)  # half of 0.9 to 0.999999


def test_the_part_sinks_in_until_half_of_the_largest_section_is_held() -> None:
    assert sink_for(np.array([9.0, 10.0, 10.0]), np.array([0.4, 1.0, 2.0])) == 0.4
    assert sink_for(np.array([1.0, 4.0, 6.0, 10.0]), np.array([0.4, 1.0, 2.0, 3.0])) == 2.0
