"""Noise at several sizes of triangles, against libigl's distance from the surface it was planted on."""

from __future__ import annotations

import igl
import numpy as np
import pytest
import trimesh
from fettlebox_steps.geometry.grain_reach import explained_share, noise_mm, reach
from fettlebox_steps.geometry.smoothing import Fine, fine_part, moved_safely, taken_off, usual_finest
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]

KINDS = (
    "as it is",
    "in four",
    "laid out in half",
    "laid out in seven tenths",
    "laid out larger",
    "simplified",
)


@pytest.fixture(scope="module")
def ring() -> trimesh.Trimesh:
    return trimesh.creation.torus(33.0, 13.0, major_sections=210, minor_sections=84)


def laid_out(points: Floats, faces: Ints, edge_mm: float) -> tuple[Floats, Ints]:
    """By pymeshlab: edges split, collapsed and flipped until they are about so long."""
    import pymeshlab

    meshes = pymeshlab.MeshSet()
    meshes.add_mesh(pymeshlab.Mesh(points, faces))
    meshes.apply_filter(
        "meshing_isotropic_explicit_remeshing",
        targetlen=pymeshlab.PureValue(edge_mm),
        iterations=3,
        checksurfdist=False,
    )
    mesh = meshes.current_mesh()
    return np.array(mesh.vertex_matrix()), np.array(mesh.face_matrix(), dtype=np.int32)


def variant(ring: trimesh.Trimesh, noise: float, kind: str) -> tuple[Floats, Ints]:
    planted = np.random.default_rng(3).normal(size=len(ring.vertices)) * noise
    points = np.asarray(ring.vertices + ring.vertex_normals * planted[:, None])
    faces = np.asarray(ring.faces, dtype=np.int32)
    edge_mm = float(np.median(ring.edges_unique_length))
    if kind == "in four":
        points, faces = trimesh.remesh.subdivide(points, faces)
    elif kind == "simplified":
        import fast_simplification

        points, faces = fast_simplification.simplify(points.astype(np.float32), faces, 0.5)
    elif kind != "as it is":
        times = {"laid out in half": 0.5, "laid out in seven tenths": 0.7, "laid out larger": 1.4}[kind]
        points, faces = laid_out(points, faces, times * edge_mm)
    return np.array(points, np.float64), np.asarray(faces, np.int32)


def judged(points: Floats, faces: Ints) -> Fine:
    free = np.zeros(len(points), np.bool_)
    fine = fine_part(points, faces, free, usual_finest(points, faces))
    far = reach(fine)
    return fine if far == 1.0 else fine_part(points, faces, free, usual_finest(points, faces, None, far))


def off_the_ring_mm(points: Floats, faces: Ints, ring: trimesh.Trimesh) -> float:
    """Root mean square over the surface, at the middles of edges, which integrate a quadratic exactly."""
    corners = points[faces]
    middles = (corners + np.roll(corners, 1, axis=1)) / 2.0
    square, _, _ = igl.point_mesh_squared_distance(
        middles.reshape(-1, 3), np.asarray(ring.vertices), np.asarray(ring.faces, np.int64)
    )
    area = np.repeat(igl.doublearea(points, faces), 3)
    return float(np.sqrt((square * area).sum() / area.sum()))


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("noise", [0.1, 0.3])
def test_noise_is_known_however_the_surface_is_laid_out(
    ring: trimesh.Trimesh, noise: float, kind: str
) -> None:
    points, faces = variant(ring, noise, kind)
    fine = judged(points, faces)
    assert noise_mm(fine) == pytest.approx(off_the_ring_mm(points, faces, ring), rel=0.25)
    assert explained_share(fine) >= 0.7


@pytest.mark.parametrize("kind", KINDS)
def test_noise_is_halved_however_the_surface_is_laid_out(ring: trimesh.Trimesh, kind: str) -> None:
    points, faces = variant(ring, 0.1, kind)
    fine = judged(points, faces)
    result, _ = moved_safely(points, faces, fine.normal, taken_off(fine, 1.0, 3.0))
    assert off_the_ring_mm(result, faces, ring) < 0.5 * off_the_ring_mm(points, faces, ring)


def test_form_and_texture_are_not_taken_for_noise_of_a_longer_reach() -> None:
    """Ripples six edges long without noise, and a real scan of fur and folds, the bunny."""
    ball = trimesh.creation.icosphere(5, radius=40.0)
    ripple = 0.1 * np.cos(2 * np.pi * ball.vertices / 8.0).sum(axis=1)
    points, faces = ball.vertices * (1 + ripple / 40.0)[:, None], np.asarray(ball.faces, np.int32)
    fine = fine_part(points, faces, np.zeros(len(points), np.bool_), usual_finest(points, faces))
    assert reach(fine) == 1.0 and explained_share(fine) < 0.7
    bunny = trimesh.load(_bunny(), process=False)
    points, faces = 2.0 * np.array(bunny.vertices), np.asarray(bunny.faces, np.int32)
    fine = fine_part(points, faces, np.zeros(len(points), np.bool_), usual_finest(points, faces))
    assert reach(fine) == 1.0 and explained_share(fine) < 0.7


def _bunny() -> str:
    from pathlib import Path

    import pymeshfix

    return str(Path(pymeshfix.__file__).parent / "examples" / "StanfordBunny.ply")
