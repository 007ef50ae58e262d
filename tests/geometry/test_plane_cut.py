"""Held against CRC Standard Mathematical Tables (mensuration), Pappus, Euler–Poincaré and manifold3d."""

from __future__ import annotations

import manifold3d
import numpy as np
import pytest
import trimesh
from fettlebox_steps.geometry.measures import area_vectors, is_closed, volume_and_centroid
from fettlebox_steps.geometry.plane_cut import cut_above, largest_body
from numpy.typing import NDArray

Floats = NDArray[np.float64]
UP = np.array([0.0, 0.0, 1.0])


def arrays(mesh: trimesh.Trimesh) -> tuple[Floats, NDArray[np.int32]]:
    return np.array(mesh.vertices, dtype=np.float64), np.array(mesh.faces, dtype=np.int32)


def trimmed_volume(vertices: Floats, faces: NDArray[np.int32], point: Floats, up: Floats) -> float:
    """What manifold3d, which has no part in our cut but the filling of outlines, says is left."""
    mesh = manifold3d.Mesh64(vertices.copy(), faces.astype(np.uint64))
    solid = manifold3d.Manifold(mesh)
    return float(solid.trim_by_plane(tuple(up), float(point @ up)).volume())


def sag_mm(mesh: trimesh.Trimesh, radius: float) -> float:
    """How far a facet of the mesh may lie under a sphere or cylinder of a radius: the sagitta of its longest
    edge, taken over the circumscribed circle of the facet (at most the edge itself across)."""
    return float(mesh.edges_unique_length.max()) ** 2 / (2.0 * radius)


SHAPES = {
    "ball": trimesh.creation.icosphere(3, radius=30.0),
    "ring": trimesh.creation.torus(30.0, 9.0, major_sections=48, minor_sections=24),
    "box": trimesh.creation.box((40.0, 30.0, 20.0)).subdivide().subdivide(),
}


@pytest.mark.parametrize("name", SHAPES)
def test_any_plane_leaves_a_closed_solid_of_the_right_volume(name: str) -> None:
    vertices, faces = arrays(SHAPES[name])
    rng = np.random.default_rng(5)
    for k in range(40):
        up = UP if k % 4 == 0 else rng.normal(size=3)
        up = up / np.linalg.norm(up)
        # Every third plane runs exactly through a vertex: the case that pinches outlines.
        point = vertices[rng.integers(len(vertices))] if k % 3 == 0 else up * rng.uniform(-8, 8)
        made = cut_above(vertices, faces, point, up)
        if not made.cap.any():
            continue
        volume, _ = volume_and_centroid(made.vertices, made.faces)
        # Where the plane grazes a flat side, that side is moved by up to 128 float32 steps.
        hair_mm = 128 * float(np.spacing(np.float32(np.abs(vertices).max())))
        face_mm2 = np.linalg.norm(area_vectors(made.vertices, made.faces[made.cap]), axis=1).sum()
        expected = trimmed_volume(vertices, faces, point, up)
        assert volume == pytest.approx(expected, rel=1e-6, abs=1.5 * hair_mm * face_mm2)
        assert is_closed(made.faces)
        mesh = trimesh.Trimesh(made.vertices, made.faces, process=False)
        assert len(mesh.vertices) - len(mesh.edges_unique) + len(mesh.faces) == mesh.euler_number
        assert mesh.euler_number % 2 == 0 and mesh.is_winding_consistent
        stored = made.vertices.astype(np.float32)
        assert len(np.unique(stored, axis=0)) == len(stored)
        rim = np.unique(made.faces[made.cap])
        assert np.abs((made.vertices[rim] - point) @ up).max() < 1e-12 * 30
        assert (made.vertices - point).dot(up).min() > -1e-12 * 30
        normals = area_vectors(made.vertices, made.faces[made.cap])
        assert (normals @ up < 0).all(), "a cap triangle has no area or is turned over"


def test_random_plane_keeps_volume_to_a_millionth() -> None:
    vertices, faces = arrays(SHAPES["ball"])
    rng = np.random.default_rng(11)
    for _ in range(20):
        up = rng.normal(size=3)
        up /= np.linalg.norm(up)
        point = up * rng.uniform(-20, 20)
        made = cut_above(vertices, faces, point, up)
        volume, _ = volume_and_centroid(made.vertices, made.faces)
        assert volume == pytest.approx(trimmed_volume(vertices, faces, point, up), rel=1e-6)


def test_spherical_cap() -> None:
    # CRC Standard Mathematical Tables: spherical segment of one base, π·h²·(3r − h)/3.
    radius, height = 30.0, 12.0
    mesh = trimesh.creation.icosphere(5, radius=radius)
    vertices, faces = arrays(mesh)
    made = cut_above(vertices, faces, np.array([0, 0, radius - height]), UP)
    volume, _ = volume_and_centroid(made.vertices, made.faces)
    smooth = np.pi * height**2 * (3 * radius - height) / 3
    area = 2 * np.pi * radius * height
    assert smooth - area * sag_mm(mesh, radius) <= volume <= smooth
    cap_mm2 = np.linalg.norm(area_vectors(made.vertices, made.faces[made.cap]), axis=1).sum()
    base = np.pi * (radius**2 - (radius - height) ** 2)
    assert base * 0.995 <= cap_mm2 <= base


def test_conical_frustum() -> None:
    # CRC: π·h·(R² + R·r + r²)/3; here a cone of radius 20 and height 50 cut level at 10.
    sections = 256
    cone = trimesh.creation.cone(20.0, 50.0, sections=sections)
    vertices, faces = arrays(cone)
    whole = np.pi * 20**2 * 50 / 3
    frustum = np.pi * 10 * (20**2 + 20 * 16 + 16**2) / 3
    made = cut_above(vertices, faces, np.array([0, 0, 10.0]), UP)
    volume, _ = volume_and_centroid(made.vertices, made.faces)
    # A regular polygon in a circle has sin(2π/n)/(2π/n) of its area; so has every section of the cone.
    share = np.sin(2 * np.pi / sections) / (2 * np.pi / sections)
    assert volume == pytest.approx((whole - frustum) * share, rel=1e-6)


def test_half_a_torus_has_two_round_faces() -> None:
    # Pappus: half of 2π²·R·r². The axis is in the plane, so the sections are two circles of radius r.
    mesh = SHAPES["ring"]
    vertices, faces = arrays(mesh)
    up = np.array([np.cos(0.3), np.sin(0.3), 0.0])
    made = cut_above(vertices, faces, np.zeros(3), up)
    volume, _ = volume_and_centroid(made.vertices, made.faces)
    assert volume == pytest.approx(mesh.volume / 2, rel=2e-3)
    assert mesh.volume == pytest.approx(2 * np.pi**2 * 30 * 9**2, rel=0.03)
    cap = made.faces[made.cap]
    assert len(trimesh.Trimesh(made.vertices, cap, process=False).split(only_watertight=False)) == 2
    cap_mm2 = np.linalg.norm(area_vectors(made.vertices, cap), axis=1).sum()
    assert cap_mm2 == pytest.approx(2 * np.pi * 9**2, rel=0.02)


def test_ellipsoid_is_a_stretched_ball() -> None:
    # An affine map scales all volumes alike: the ball's segment times a·b·c / r³.
    axes = np.array([20.0, 35.0, 50.0])
    ball = trimesh.creation.icosphere(5)
    vertices, faces = np.array(ball.vertices) * axes, np.array(ball.faces, dtype=np.int32)
    up = np.array([0.3, -0.2, 0.93])
    up /= np.linalg.norm(up)
    reach = float(np.linalg.norm(axes * up))
    made = cut_above(vertices, faces, up * 0.4 * reach, up)
    volume, _ = volume_and_centroid(made.vertices, made.faces)
    assert volume == pytest.approx(np.prod(axes) * np.pi * 0.6**2 * (3 - 0.6) / 3, rel=5e-3)


def test_annular_face_of_a_hollow_solid() -> None:
    outer, inner = trimesh.creation.icosphere(4, radius=30.0), trimesh.creation.icosphere(3, radius=20.0)
    vertices = np.concatenate([outer.vertices, inner.vertices])
    faces = np.concatenate([outer.faces, inner.faces[:, ::-1] + len(outer.vertices)]).astype(np.int32)
    made = cut_above(vertices, faces, np.array([0, 0, -5.0]), UP)
    assert is_closed(made.faces)
    ring_mm2 = np.linalg.norm(area_vectors(made.vertices, made.faces[made.cap]), axis=1).sum()
    assert ring_mm2 == pytest.approx(np.pi * (30**2 - 20**2), rel=0.01)
    # One body now, the hollow open below: a disc's worth of surface, χ = 2.
    assert trimesh.Trimesh(made.vertices, made.faces, process=False).euler_number == 2


def test_a_hollow_that_the_cut_misses_stays_with_its_body() -> None:
    outer, inner = trimesh.creation.icosphere(4, radius=30.0), trimesh.creation.icosphere(3, radius=10.0)
    vertices = np.concatenate([outer.vertices, inner.vertices])
    faces = np.concatenate([outer.faces, inner.faces[:, ::-1] + len(outer.vertices)]).astype(np.int32)
    made, dropped = largest_body(cut_above(vertices, faces, np.array([0, 0, -20.0]), UP))
    volume, _ = volume_and_centroid(made.vertices, made.faces)
    assert dropped == []
    assert volume == pytest.approx(trimmed_volume(vertices, faces, np.array([0, 0, -20.0]), UP), rel=1e-6)


def test_two_legs_leave_two_bodies_and_the_larger_is_kept() -> None:
    bow = trimesh.creation.torus(30.0, 9.0, major_sections=48, minor_sections=24)
    vertices, faces = arrays(bow)
    vertices[:, 0] *= np.where(vertices[:, 0] > 0, 1.3, 1.0)
    made = cut_above(vertices, faces, np.array([0, 25.0, 0]), np.array([0.0, -1.0, 0]))
    kept, dropped = largest_body(made)
    assert dropped == [] and kept is made  # one bow, open above
    tips = cut_above(vertices, faces, np.array([28.0, 0, 0]), np.array([-1.0, 0, 0]))
    assert largest_body(tips)[1] == []
    balls = np.concatenate(
        [trimesh.creation.icosphere(2, radius=r).vertices + np.array([s, 0, 0]) for r, s in ((9, 0), (5, 30))]
    )
    one = np.array(trimesh.creation.icosphere(2).faces, dtype=np.int32)
    made = cut_above(balls, np.concatenate([one, one + 162]).astype(np.int32), np.zeros(3), UP)
    kept, dropped = largest_body(made)
    assert len(dropped) == 1 and dropped[0] < volume_and_centroid(kept.vertices, kept.faces)[0]


def test_colours_run_along_the_cut_edges() -> None:
    vertices, faces = arrays(SHAPES["ball"])
    shade = np.rint((vertices[:, 2] + 30) / 60 * 255).astype(np.uint8)
    colours = np.column_stack([shade, 255 - shade, shade, np.full(len(shade), 255, np.uint8)])
    made = cut_above(vertices, faces, np.array([0, 0, -7.3]), UP)
    carried = made.blended(colours)
    expected = np.clip((made.vertices[:, 2] + 30) / 60 * 255, 0, 255)
    # A colour that is linear in the height stays so; rounding twice costs at most one step and a half.
    assert np.abs(carried[:, 0] - expected).max() <= 1.5
    assert (carried[:, 3] == 255).all()


def test_plane_that_misses() -> None:
    vertices, faces = arrays(SHAPES["ball"])
    assert not len(cut_above(vertices, faces, np.array([0, 0, 31.0]), UP).faces)
    whole = cut_above(vertices, faces, np.array([0, 0, -31.0]), UP)
    assert not whole.cap.any() and len(whole.faces) == len(faces)


def test_input_is_untouched_and_the_result_is_the_same_again() -> None:
    vertices, faces = arrays(SHAPES["ring"])
    before = vertices.tobytes(), faces.tobytes()
    up = np.array([0.6, 0.0, 0.8])
    one = cut_above(vertices, faces, np.array([1.0, 2, 3]), up)
    two = cut_above(vertices, faces, np.array([1.0, 2, 3]), up)
    assert (vertices.tobytes(), faces.tobytes()) == before
    assert one.vertices.tobytes() == two.vertices.tobytes() and one.faces.tobytes() == two.faces.tobytes()


def test_open_surface_is_refused() -> None:
    vertices, faces = arrays(SHAPES["ball"])
    height = vertices[faces][:, :, 2]
    straddling = np.flatnonzero((height.min(axis=1) < 1.0) & (height.max(axis=1) > 1.0))
    torn = np.delete(faces, straddling[0], axis=0)
    with pytest.raises(ValueError, match="not closed"):
        cut_above(vertices, torn, np.array([0, 0, 1.0]), UP)
