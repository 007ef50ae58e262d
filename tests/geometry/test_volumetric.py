"""Closing by winding number: volumes from formulas, topology from Euler, crossings by a second method."""

from __future__ import annotations

import hashlib
from pathlib import Path

import manifold3d
import numba
import numpy as np
import pytest
import trimesh
from fettlebox_steps.geometry.crossings import crossing_faces
from fettlebox_steps.geometry.distance import closest_distance
from fettlebox_steps.geometry.volumetric import (
    ClosedSurface,
    cell_for,
    close_by_winding,
    follow_scan,
    snap_to_scan,
    thin_out,
)
from numpy.typing import NDArray


def _mesh(surface: ClosedSurface) -> trimesh.Trimesh:
    return trimesh.Trimesh(surface.vertices, surface.faces, process=False)


def _is_manifold(mesh: trimesh.Trimesh) -> bool:
    """Closed and consistently wound (trimesh), accepted by the manifold kernel, one fan at every vertex."""
    solid = manifold3d.Manifold(
        manifold3d.Mesh64(np.array(mesh.vertices, float), np.array(mesh.faces, np.uint64))
    )
    # in a fan, a vertex has as many faces as neighbours; several fans share no neighbour, so look for rings
    rings = 0
    for neighbours, faces in zip(mesh.vertex_neighbors, mesh.vertex_faces, strict=True):
        around = [set(mesh.faces[f].tolist()) for f in faces if f >= 0]
        reached, frontier = set(), {neighbours[0]}
        while frontier:
            reached |= frontier
            frontier = {v for f in around if f & frontier for v in f & set(neighbours)} - reached
        rings += len(reached) == len(neighbours)
    return bool(
        mesh.is_watertight
        and mesh.is_winding_consistent
        and solid.status() == manifold3d.Error.NoError
        and rings == len(mesh.vertices)
    )


def test_sphere_volume_converges_and_topology_is_a_spheres() -> None:
    """4/3 π r³, CRC Standard Mathematical Tables; the error of chords falls with the square of the cell."""
    ball = trimesh.creation.icosphere(6, radius=20.0)
    errors = []
    for cell_mm in (4.0, 2.0, 1.0):
        mesh = _mesh(close_by_winding(ball.vertices, ball.faces, cell_mm))
        assert mesh.euler_number == 2
        errors.append(1 - mesh.volume / (4 / 3 * np.pi * 20**3))
    assert 0 < errors[2] < 0.0016
    assert errors[0] / errors[1] > 3
    assert errors[1] / errors[2] > 3


def test_torus_has_pappus_volume_and_one_hole_through_it() -> None:
    ring = trimesh.creation.torus(20.0, 7.0, major_sections=200, minor_sections=100)
    surface = close_by_winding(ring.vertices, ring.faces, 0.6)
    mesh = _mesh(surface)
    assert mesh.euler_number == 0
    assert _is_manifold(mesh)
    assert mesh.volume == pytest.approx(2 * np.pi**2 * 20 * 7**2, rel=0.003)
    assert not surface.free.any()
    assert mesh.vertices[:, 2].max() == pytest.approx(7, abs=0.01)


def test_a_ball_with_an_opening_is_spanned_like_a_drum() -> None:
    ball = trimesh.creation.icosphere(5, radius=20.0)
    faces = ball.faces[ball.triangles_center[:, 2] < 14]
    surface = close_by_winding(ball.vertices, faces, 1.0)
    mesh = _mesh(surface)
    assert _is_manifold(mesh)
    assert mesh.euler_number == 2
    cap = np.pi * 6**2 * (3 * 20 - 6) / 3  # spherical cap, CRC Standard Mathematical Tables
    whole = 4 / 3 * np.pi * 20**3
    assert whole - 1.1 * cap < mesh.volume < whole
    assert surface.vertices[surface.free][:, 2].min() > 12
    held = surface.vertices[~surface.free]
    assert closest_distance(held, ball.vertices, faces).max() < 0.03


def test_bodies_apart_nested_crossing_and_inside_out() -> None:
    def ball(at: float, radius: float, outward: bool = True) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
        mesh = trimesh.creation.icosphere(4, radius=radius)
        faces = np.asarray(mesh.faces)
        return np.asarray(mesh.vertices) + np.array([at, 0, 0]), faces if outward else faces[:, ::-1]

    def closed(*balls: tuple[NDArray[np.float64], NDArray[np.int64]]) -> trimesh.Trimesh:
        starts = np.cumsum([0, *(len(v) for v, _ in balls)])
        faces = np.concatenate([f + s for (_, f), s in zip(balls, starts[:-1], strict=True)])
        return _mesh(close_by_winding(np.concatenate([v for v, _ in balls]), faces, 0.5))

    apart = closed(ball(0, 5), ball(30, 3))
    assert apart.body_count == 2
    assert apart.volume == pytest.approx(4 / 3 * np.pi * (125 + 27), rel=0.02)
    nested = closed(ball(0, 8), ball(0, 4))
    assert nested.body_count == 1
    hollow = closed(ball(0, 8), ball(0, 4, outward=False))
    assert hollow.body_count == 2
    assert hollow.volume == pytest.approx(4 / 3 * np.pi * (512 - 64), rel=0.02)
    backward = closed(ball(0, 5, outward=False))
    assert backward.volume == pytest.approx(4 / 3 * np.pi * 125, rel=0.02)
    # two balls of radius 5 whose middles are 6 apart: a lens of two caps of height 2 counts once
    union = closed(ball(0, 5), ball(6, 5))
    assert union.volume == pytest.approx(2 * (4 / 3 * np.pi * 125 - np.pi * 4 * (15 - 2) / 3), rel=0.02)


def test_random_heaps_always_give_a_clean_surface() -> None:
    for seed in range(4):
        rng = np.random.default_rng(seed)
        heap = rng.normal(size=(60, 1, 3)) * 4 + rng.normal(size=(60, 3, 3)) * 3
        surface = close_by_winding(heap.reshape(-1, 3), np.arange(180).reshape(-1, 3), 1.1, iso=0.3)
        assert len(surface.faces) > 1000
        mesh = _mesh(surface)
        assert _is_manifold(mesh), seed
        assert mesh.volume > 0
        assert not crossing_faces(surface.vertices, surface.faces).any()
        edges = mesh.vertices[mesh.edges_unique]
        hits = [
            _segments_through(edges, mesh.vertices[face])[~np.isin(mesh.edges_unique, face).any(axis=1)]
            for face in mesh.faces[:: max(1, len(mesh.faces) // 60)]
        ]
        assert not np.concatenate(hits).any()


def _segments_through(segments: NDArray[np.float64], triangle: NDArray[np.float64]) -> NDArray[np.bool_]:
    """T. Möller, B. Trumbore, "Fast, minimum storage ray/triangle intersection", 1997, written out here.

    Segments that run in the triangle's plane, to a millionth of a millionth of a mm³, pass through nothing.
    """
    a, u, v = triangle[0], triangle[1] - triangle[0], triangle[2] - triangle[0]
    start, way = segments[:, 0], segments[:, 1] - segments[:, 0]
    p = np.cross(way, v)
    with np.errstate(divide="ignore", invalid="ignore"):
        scale = 1 / (p @ u)
        s = ((start - a) * p).sum(axis=1) * scale
        q = np.cross(start - a, u)
        t = (way * q).sum(axis=1) * scale
        far = (q @ v) * scale
        eps = 1e-9
        normal = np.cross(u, v)
        heights = (segments - a) @ normal
        return (
            (heights.prod(axis=1) < 0)
            & (np.abs(heights).min(axis=1) > 1e-12)
            & (s > eps)
            & (t > eps)
            & (s + t < 1 - eps)
            & (far > eps)
            & (far < 1 - eps)
        )


def test_same_bytes_twice_and_on_one_thread_and_inputs_untouched(textured_bunny: Path) -> None:
    scan = trimesh.load(textured_bunny, process=False, force="mesh")
    vertices, faces = np.array(scan.vertices), np.array(scan.faces)
    cell_mm = 2 * cell_for(vertices, faces)
    before = hashlib.sha256(vertices.tobytes() + faces.tobytes()).digest()

    def run() -> bytes:
        surface = close_by_winding(vertices, faces, cell_mm)
        snapped = snap_to_scan(surface, vertices, faces, cell_mm)
        thin = thin_out(snapped, surface.faces, 0.02 * cell_mm)
        parts = (surface.vertices, surface.faces, surface.free, snapped, *thin)
        return hashlib.sha256(b"".join(p.tobytes() for p in parts)).digest()

    first = run()
    assert run() == first
    threads = numba.get_num_threads()
    numba.set_num_threads(1)
    try:
        assert run() == first
    finally:
        numba.set_num_threads(threads)
    assert hashlib.sha256(vertices.tobytes() + faces.tobytes()).digest() == before


def test_a_real_scan_is_followed_closely_and_snapping_brings_it_closer(bunny_scan: Path) -> None:
    scan = trimesh.load(bunny_scan, process=True, force="mesh")
    vertices, faces = np.array(scan.vertices), np.array(scan.faces)
    cell_mm = cell_for(vertices, faces)
    edge_mm = cell_mm / 0.9
    surface = close_by_winding(vertices, faces, cell_mm)
    snapped = snap_to_scan(surface, vertices, faces, cell_mm)
    mesh = trimesh.Trimesh(snapped, surface.faces, process=False)
    assert mesh.is_watertight
    assert not crossing_faces(snapped, surface.faces).any()
    used = vertices[np.unique(faces)]
    before = closest_distance(used, surface.vertices, surface.faces)
    after = closest_distance(used, snapped, surface.faces)
    assert after.mean() < 0.7 * before.mean()
    assert np.percentile(after, 95) <= 0.06 * edge_mm
    assert np.percentile(after, 99.9) <= 0.5 * edge_mm


def test_a_scan_made_finer_by_halving_its_edges_gives_no_triangle_without_a_height(bunny_scan: Path) -> None:
    # Its vertices lie three in a row, exactly; areas by trimesh.
    scan = trimesh.load(bunny_scan, process=True, force="mesh").subdivide()
    vertices, faces = np.array(scan.vertices), np.array(scan.faces)
    cell_mm = cell_for(vertices, faces)
    surface = close_by_winding(vertices, faces, cell_mm)
    mesh = trimesh.Trimesh(*follow_scan(surface, vertices, faces, cell_mm), process=False)
    assert mesh.is_watertight and mesh.is_winding_consistent
    sides = np.linalg.norm(mesh.triangles - np.roll(mesh.triangles, 1, axis=1), axis=2).max(axis=1)
    # Of the size of what single precision (6e-8) can still tell from nothing.
    assert (2 * mesh.area_faces / sides).min() > 6e-8 * mesh.scale


@pytest.mark.parametrize("ours", [None, np.array([True])])
def test_what_winds_around_nothing_has_no_surface(ours: np.ndarray | None) -> None:
    # One triangle is seen under at most half of all directions: its winding number stays below 1/2.
    alone = np.array([[0, 0, 0], [10, 0, 0], [0, 10, 0]], float)
    found = close_by_winding(alone, np.array([[0, 1, 2]]), 1.0, ours=ours)
    assert (found.vertices.shape, found.faces.shape) == ((0, 3), (0, 3))
    drawn, faces = follow_scan(found, alone, np.array([[0, 1, 2]]), 1.0)
    assert (drawn.shape, faces.shape) == ((0, 3), (0, 3))


def test_nonsense_is_refused() -> None:
    triangle = np.eye(3)
    with pytest.raises(ValueError, match="cell of 0 mm"):
        close_by_winding(triangle, [[0, 1, 2]], 0)
    with pytest.raises(ValueError, match="at least one triangle"):
        close_by_winding(triangle, np.zeros((0, 3), int), 1.0)


@pytest.mark.slow
def test_the_raw_face_scan_closes_without_a_crossing(face_scan: Path) -> None:
    scan = trimesh.load(face_scan, process=False)
    vertices, faces = np.array(scan.vertices, float), np.array(scan.faces)
    cell_mm = cell_for(vertices, faces)
    surface = close_by_winding(vertices, faces, cell_mm)
    mesh = trimesh.Trimesh(snap_to_scan(surface, vertices, faces, cell_mm), surface.faces, process=False)
    assert mesh.is_watertight
    assert mesh.is_winding_consistent
    assert not crossing_faces(mesh.vertices, mesh.faces).any()
