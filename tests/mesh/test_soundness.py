"""The witness against brute force, against two independent libraries, and against what it must refuse."""

from __future__ import annotations

from fractions import Fraction

import manifold3d
import numpy as np
import pytest
import trimesh
from fettlebox.mesh import Part
from fettlebox.mesh.overlaps import overlapping_faces
from fettlebox.mesh.soundness import inspect, winding_number
from fettlebox.mesh.topology import bodies, boundary_loop_count, check_edges
from hypothesis import given, settings
from hypothesis import strategies as st


def part_of(*meshes: trimesh.Trimesh) -> Part:
    mesh = trimesh.util.concatenate(list(meshes))
    return Part(mesh.vertices, mesh.faces)


def ball(radius: float = 1.0, at: tuple[float, float, float] = (0, 0, 0), detail: int = 3) -> trimesh.Trimesh:
    return trimesh.creation.icosphere(detail, radius).apply_translation(at)


@pytest.mark.parametrize(
    "solid",
    [
        trimesh.creation.box(),
        ball(),
        trimesh.creation.torus(5, 2),
        trimesh.creation.cylinder(1, 3),
        trimesh.creation.cone(1, 3),
        trimesh.creation.annulus(1, 2, 3),
    ],
    ids=["box", "ball", "torus", "cylinder", "cone", "tube"],
)
def test_shapes_that_two_libraries_call_solid_are_sound(solid: trimesh.Trimesh) -> None:
    assert solid.is_volume
    kernel = manifold3d.Manifold(
        manifold3d.Mesh(np.asarray(solid.vertices, np.float32), np.asarray(solid.faces, np.uint32))
    )
    assert kernel.status() == manifold3d.Error.NoError
    judged = inspect(Part(solid.vertices, solid.faces))
    assert judged.sound, judged.reasons
    assert judged.volume_mm3 == pytest.approx(solid.volume, rel=1e-12)


def _inside_out() -> Part:
    box = trimesh.creation.box()
    return Part(box.vertices, box.faces[:, ::-1])


def _one_face_missing() -> Part:
    box = trimesh.creation.box()
    return Part(box.vertices, box.faces[1:])


def _one_face_flipped() -> Part:
    box = trimesh.creation.box()
    faces = box.faces.copy()
    faces[0] = faces[0, ::-1]
    return Part(box.vertices, faces)


def _two_boxes_at_an_edge() -> Part:
    pair = trimesh.util.concatenate(
        [trimesh.creation.box(), trimesh.creation.box().apply_translation([1, 1, 0])]
    )
    pair.merge_vertices()
    return Part(pair.vertices, pair.faces)


def _two_boxes_at_a_corner() -> Part:
    pair = trimesh.util.concatenate(
        [trimesh.creation.box(), trimesh.creation.box().apply_translation([1, 1, 1])]
    )
    pair.merge_vertices()
    return Part(pair.vertices, pair.faces)


def _flat_pocket() -> Part:
    """A triangle closed by its own back: no thickness."""
    return Part([[0, 0, 0], [1, 0, 0], [0, 1, 0]], [[0, 1, 2], [0, 2, 1]])


def _needle() -> Part:
    """A tetrahedron with a third point on one edge, and a triangle of no area to join it in."""
    points = [[0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1], [0.5, 0, 0]]
    return Part(points, [[0, 2, 1], [0, 1, 4], [0, 4, 3], [4, 1, 3], [1, 2, 3], [2, 0, 3]])


def _vertices_closer_than_stl_can_tell() -> Part:
    shifted = trimesh.creation.box().apply_translation([1000.0, 0, 0])
    small = ball(radius=1e-5, at=(1000.0, 0, 3), detail=1)
    return part_of(shifted, small)


REFUSED = {
    "inside out": (_inside_out, "volume is not positive"),
    "a hole": (_one_face_missing, "3 edges have a face on one side only"),
    "a flipped face": (_one_face_flipped, "turned inside out"),
    "four faces at an edge": (_two_boxes_at_an_edge, "1 edges are shared by more than two faces"),
    "two solids at a point": (
        _two_boxes_at_a_corner,
        "1 vertices join parts of the surface by a single point",
    ),
    "no thickness": (_flat_pocket, "volume is not positive"),
    "a needle": (_needle, "no area"),
    "welded by STL": (_vertices_closer_than_stl_can_tell, "fall on another one when stored as STL"),
    "through each other": (lambda: part_of(ball(), ball(at=(1, 0.1, 0))), "faces pass through others"),
    "face upon face": (
        lambda: part_of(trimesh.creation.box(), trimesh.creation.box().apply_translation([1, 0.2, 0.3])),
        "faces pass through others",
    ),
    "a solid in a solid": (lambda: part_of(ball(), ball(0.5)), "1 bodies are inside out or inside another"),
    "nothing": (lambda: Part(np.zeros((0, 3)), np.zeros((0, 3), int)), "no faces"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_it_refuses(name: str) -> None:
    make, sentence = REFUSED[name]
    judged = inspect(make())
    assert not judged.sound
    assert any(sentence in reason for reason in judged.reasons), judged.reasons


def test_a_cavity_is_sound_and_an_outside_void_is_not() -> None:
    inner = ball(0.5)
    inner.invert()
    hollow = inspect(part_of(ball(), inner))
    assert hollow.sound, hollow.reasons
    stray = ball(0.5, at=(3, 0, 0))
    stray.invert()
    assert inspect(part_of(ball(), stray)).misplaced_bodies == 1


def test_a_folded_strip_is_found() -> None:
    """A tetrahedron so flat that two of its faces lie within half a degree of each other."""
    thin = Part(
        [[0, 0, 0], [1, 0, 0], [0, 1, 0], [0.3, 0.3, 1e-4]], [[0, 2, 1], [0, 1, 3], [1, 2, 3], [2, 0, 3]]
    )
    assert inspect(thin).folded_edges > 0


def _crosses(a: np.ndarray, b: np.ndarray) -> bool:
    """Brute force by another formula: an edge of one passes through the inside of the other."""
    for one, two in ((a, b), (b, a)):
        for i in range(3):
            p, q = one[i], one[(i + 1) % 3]
            matrix = np.column_stack([q - p, two[0] - two[1], two[0] - two[2]])
            if abs(np.linalg.det(matrix)) < 1e-12:
                continue
            t, u, v = np.linalg.solve(matrix, two[0] - p)
            if 1e-9 < t < 1 - 1e-9 and min(u, v, 1 - u - v) > 1e-9:
                return True
    return False


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10_000), st.integers(4, 24))
def test_crossings_agree_with_brute_force_on_random_triangles(seed: int, count: int) -> None:
    corners = np.random.default_rng(seed).normal(size=(count, 3, 3))
    expected = np.zeros(count, dtype=bool)
    for i in range(count):
        for j in range(i):
            if _crosses(corners[i], corners[j]):
                expected[i] = expected[j] = True
    found = overlapping_faces(
        corners.reshape(-1, 3), np.arange(3 * count, dtype=np.int32).reshape(-1, 3), 1e-9
    )
    assert (found == expected).all()


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10_000))
def test_crossings_agree_with_brute_force_where_vertices_are_shared(seed: int) -> None:
    rng = np.random.default_rng(seed)
    vertices = rng.normal(size=(9, 3))
    faces = np.array([rng.choice(9, 3, replace=False) for _ in range(10)], dtype=np.int32)
    expected = np.zeros(10, dtype=bool)
    for i in range(10):
        for j in range(i):
            if len(set(faces[i]) & set(faces[j])) < 2 and _crosses(vertices[faces[i]], vertices[faces[j]]):
                expected[i] = expected[j] = True
    assert (overlapping_faces(vertices, faces, 1e-9) == expected).all()


def test_euler_poincare_holds_for_what_the_witness_calls_closed() -> None:
    """V - E + F = 2(c - g): a torus has genus 1, a ball 0 (Euler-Poincare)."""
    for solid, genus in ((trimesh.creation.torus(5, 2), 1), (ball(), 0)):
        faces = np.asarray(solid.faces, dtype=np.int32)
        assert check_edges(faces, len(solid.vertices)).manifold
        count, _ = bodies(faces, len(solid.vertices))
        assert len(solid.vertices) - 3 * len(faces) // 2 + len(faces) == 2 * (count - genus)


def test_rims_are_counted() -> None:
    tube = trimesh.creation.cylinder(1, 3, sections=24)
    sides = np.abs(tube.face_normals[:, 2]) < 0.5
    assert boundary_loop_count(np.asarray(tube.faces[sides], np.int32), len(tube.vertices)) == 2


def test_winding_number_is_one_inside_and_zero_outside() -> None:
    """Jacobson et al., "Robust inside-outside segmentation using generalized winding numbers", 2013."""
    corners = ball().triangles
    assert winding_number(corners, np.array([0.1, 0.2, 0.3])) == pytest.approx(1.0, abs=1e-9)
    assert winding_number(corners, np.array([2.0, 0.2, 0.3])) == pytest.approx(0.0, abs=1e-9)


def test_judging_changes_nothing() -> None:
    part = part_of(ball(), ball(at=(1, 0, 0)))
    before = part.digest()
    inspect(part)
    assert part.digest() == before
    assert not part.vertices.flags.writeable


def exactly_meet(a: np.ndarray, b: np.ndarray) -> bool:
    """Whether a side of one triangle passes through the inside of the other, in exact arithmetic: by the
    signs of volumes (J. O'Rourke, "Computational Geometry in C", section 7.3), on fractions.
    """

    def volume(p: list[Fraction], q: list[Fraction], r: list[Fraction], s: list[Fraction]) -> Fraction:
        u, v, w = ([x - y for x, y in zip(t, p, strict=True)] for t in (q, r, s))
        across = [v[1] * w[2] - v[2] * w[1], v[2] * w[0] - v[0] * w[2], v[0] * w[1] - v[1] * w[0]]
        return sum((x * y for x, y in zip(u, across, strict=True)), Fraction(0))

    one, other = ([[Fraction(float(x)) for x in corner] for corner in t] for t in (a, b))
    for t, through in ((one, other), (other, one)):
        for i in range(3):
            p, q = t[i], t[(i + 1) % 3]
            if volume(*through, p) * volume(*through, q) >= 0:
                continue
            turns = {volume(p, q, through[j], through[(j + 1) % 3]) > 0 for j in range(3)}
            if len(turns) == 1:
                return True
    return False


def test_faces_that_pass_close_by_at_a_shallow_angle_do_not_cross() -> None:
    # Two faces of a closed range scan; a corner of one is 0.000015 mm from the other's plane.
    one = np.array([[-68.5346450805664, 806.814453125, 29.128520965576172],
                    [-68.10575270992382, 807.5202155414338, 29.235816433349513],
                    [-68.52318438904597, 807.4977567051783, 29.235182461508494]])  # fmt: skip
    other = np.array([[-68.94058372647555, 807.481806536794, 29.235458604773207],
                      [-67.68818412257355, 807.545925968834, 29.23702634829715],
                      [-67.41921563329596, 824.552861226086, 31.87289664865356]])  # fmt: skip
    assert not exactly_meet(one, other)
    pair = np.arange(6, dtype=np.int32).reshape(2, 3)
    assert not overlapping_faces(np.concatenate([one, other]), pair, 2.4e-5).any()


@pytest.mark.parametrize("lean", [1e-3, 1e-2, 0.1, 1.0])
def test_crossings_are_those_of_exact_arithmetic(lean: float) -> None:
    rng = np.random.default_rng(int(lean * 1000))
    tolerance = 1e-7
    found = 0
    for _ in range(120):
        one, other = rng.uniform(-1.0, 1.0, (2, 3, 3)) * [1.0, 1.0, lean]
        said = overlapping_faces(
            np.concatenate([one, other]), np.arange(6, dtype=np.int32).reshape(2, 3), tolerance
        )
        assert bool(said.all()) == bool(said.any()) == exactly_meet(one, other)
        found += bool(said.all())
    assert 12 < found < 108, "both kinds of pairs are among them"
