"""Flat parts of a grid surface in few triangles: closed forms, and a second library for what is closed."""

from __future__ import annotations

import hashlib

import manifold3d
import numpy as np
import pytest
import trimesh
from fettlebox_steps.geometry.crossings import crossing_faces
from fettlebox_steps.geometry.flat_blocks import CLEAR, FLAT
from fettlebox_steps.geometry.volumetric import ClosedSurface, close_by_winding

CELL_MM = 0.5


def _closed(surface: ClosedSurface) -> trimesh.Trimesh:
    mesh = trimesh.Trimesh(surface.vertices, surface.faces, process=False)
    assert mesh.is_watertight
    assert mesh.is_winding_consistent
    solid = manifold3d.Manifold(
        manifold3d.Mesh64(surface.vertices, np.asarray(surface.faces).astype(np.uint64))
    )
    assert solid.status() == manifold3d.Error.NoError
    assert not crossing_faces(surface.vertices, surface.faces).any()
    assert len(mesh.vertices) == len(np.unique(surface.faces)) == len(surface.free)
    return mesh


TURN = trimesh.transformations.euler_matrix(0.31, 0.47, 0.83)


def _tilted_box() -> trimesh.Trimesh:
    return trimesh.creation.box((40, 40, 40), transform=TURN)


@pytest.mark.parametrize("turned", [True, False])
def test_a_box_of_ours_keeps_its_shape_with_a_fraction_of_the_triangles(turned: bool) -> None:
    box = _tilted_box() if turned else trimesh.creation.box((40, 40, 40))
    fine = close_by_winding(box.vertices, box.faces, CELL_MM)
    few = close_by_winding(box.vertices, box.faces, CELL_MM, ours=np.ones(12, bool))
    mesh = _closed(few)
    assert mesh.euler_number == 2  # Euler: a surface like a sphere's
    assert len(few.faces) < 0.4 * len(fine.faces)
    assert mesh.volume == pytest.approx(_closed(fine).volume, rel=2e-4)
    sides = TURN[:3, :3] if turned else np.eye(3)
    heights = np.abs(few.vertices @ sides)
    off = np.abs(heights.max(axis=1) - 20)  # mm from the nearest side of the true box
    assert np.quantile(off, 0.9) < 0.03 * CELL_MM
    assert off.max() < CELL_MM  # at its edges, as on the grid without blocks
    areas = np.bincount(np.abs(mesh.face_normals @ sides).argmax(axis=1), mesh.area_faces)
    assert areas == pytest.approx(np.full(3, 2 * 40.0**2), rel=0.03)


def test_what_the_scan_has_stays_as_fine_as_it_was() -> None:
    box = _tilted_box()
    vertices, faces = trimesh.remesh.subdivide_to_size(box.vertices, box.faces, 1.0)
    top = trimesh.Trimesh(vertices, faces, process=False).face_normals @ box.face_normals[0] > 0.9
    fine = close_by_winding(vertices, faces, CELL_MM)
    few = close_by_winding(vertices, faces, CELL_MM, ours=~top)
    _closed(few)
    assert len(few.faces) < 0.6 * len(fine.faces)
    height = [s.vertices @ box.face_normals[0] for s in (fine, few)]
    near = [np.abs(h - 20) < CLEAR * CELL_MM for h in height]
    there = [
        {s.vertices[f].tobytes() for f in s.faces[n[s.faces].all(axis=1)]}
        for s, n in zip((fine, few), near, strict=True)
    ]
    assert there[0] == there[1]
    assert len(there[0]) > 0.15 * len(fine.faces)


def test_a_ball_loses_no_more_than_a_block_may_be_off_its_plane() -> None:
    ball = trimesh.creation.icosphere(5, radius=90.0)
    few = close_by_winding(ball.vertices, ball.faces, CELL_MM, ours=np.ones(len(ball.faces), bool))
    fine = close_by_winding(ball.vertices, ball.faces, CELL_MM)
    mesh = _closed(few)
    assert mesh.euler_number == 2
    assert len(few.faces) < 0.9 * len(fine.faces)
    inner = mesh.triangles_center
    assert 90 - np.linalg.norm(inner, axis=1).min() < (
        90 - np.linalg.norm(ball.triangles_center, axis=1).min()
    ) + (2 * FLAT * CELL_MM)


@pytest.mark.parametrize("seed", range(6))
def test_heaps_of_plates_always_give_a_clean_surface(seed: int) -> None:
    """Slabs that cross at any angle, some of them the scan's: edges, corners, notches at random."""
    rng = np.random.default_rng(seed)
    slabs = [
        trimesh.creation.box(
            rng.uniform(3, 30, 3), transform=trimesh.transformations.random_rotation_matrix(rng.random(3))
        ).apply_translation(rng.normal(size=3) * 8)
        for _ in range(7)
    ]
    heap = trimesh.util.concatenate(slabs)
    ours = np.repeat(rng.random(7) < 0.7, 12)
    ours[:12] = True
    fine = close_by_winding(heap.vertices, heap.faces, CELL_MM)
    few = close_by_winding(heap.vertices, heap.faces, CELL_MM, ours=ours)
    one, two = _closed(fine), _closed(few)
    assert one.euler_number == two.euler_number
    assert one.body_count == two.body_count
    assert two.volume == pytest.approx(one.volume, rel=1e-3)
    assert len(few.faces) < len(fine.faces)


def test_blocks_do_not_depend_on_the_thread_count() -> None:
    import numba

    box = _tilted_box()
    digests = set()
    threads = numba.get_num_threads()
    for count in (1, threads):
        numba.set_num_threads(count)
        few = close_by_winding(box.vertices, box.faces, CELL_MM, ours=np.arange(12) > 1)
        digests.add(hashlib.sha256(few.vertices.tobytes() + few.faces.tobytes()).hexdigest())
    numba.set_num_threads(threads)
    assert len(digests) == 1
