"""Closed shapes of known volume, and a seeded "scanner" that makes raw scans out of them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pytest
import trimesh
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Shape:
    """A mesh, closed unless a scanner has been at it."""

    vertices: Floats
    faces: Ints

    @property
    def volume_mm3(self) -> float:
        a, b, c = (self.vertices[self.faces[:, k]] for k in range(3))
        return float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6)

    def mesh(self) -> trimesh.Trimesh:
        return trimesh.Trimesh(self.vertices, self.faces, process=False)


def _sphere(radius_mm: float = 50.0, subdivisions: int = 5) -> Shape:
    ball = trimesh.creation.icosphere(subdivisions, radius=radius_mm)
    return Shape(np.asarray(ball.vertices, np.float64), np.asarray(ball.faces, np.int64))


def _torus(major_mm: float = 40.0, minor_mm: float = 14.0, around: int = 160, across: int = 64) -> Shape:
    """A ring that stands upright, its axis along Y."""
    ring = trimesh.creation.torus(major_mm, minor_mm, major_sections=around, minor_sections=across)
    points = np.asarray(ring.vertices, np.float64)[:, [0, 2, 1]]
    return Shape(points, np.asarray(ring.faces, np.int64)[:, ::-1].copy())


def _head(subdivisions: int = 5) -> Shape:
    """A made-up head of 180 mm: an egg with nose, ears, brow and grooves, on a neck that widens below."""
    ball = trimesh.creation.icosphere(subdivisions)
    d = np.asarray(ball.vertices, np.float64)
    x, y, z = d.T
    grow = np.ones(len(d))
    grow += 0.22 * np.exp(-((x / 0.13) ** 2 + ((z + 0.05) / 0.2) ** 2)) * (y < 0)
    for side in (-1.0, 1.0):
        grow += 0.3 * np.exp(-(((x - side) / 0.12) ** 2 + (y / 0.12) ** 2 + (z / 0.25) ** 2))
        grow -= 0.06 * np.exp(-(((x - side * 0.35) / 0.12) ** 2 + ((z - 0.15) / 0.07) ** 2)) * (y < 0)
    grow += 0.012 * np.sin(23 * z) * (z > 0.45)
    points = d * grow[:, None] * [62.0, 78.0, 90.0]
    below = np.clip(-0.35 - z, 0, None)
    points[:, 2] -= 140 * below
    points[:, :2] *= (1 + 0.9 * np.clip(below - 0.35, 0, None))[:, None]
    return Shape(points, np.asarray(ball.faces, np.int64))


def _raw(
    shape: Shape,
    seed: int,
    *,
    noise_mm: float = 0.2,
    holes: int = 6,
    crumbs: int = 20,
    fins: int = 20,
    cut_share: float = 0.12,
    layers: int = 0,
    doubled: int = 10,
    ragged_share: float = 0.0,
    seen_from: tuple[float, float, float] | None = None,
    hiding: bool = False,
) -> Shape:
    """What a hand-held scanner would have made of a closed shape.

    noise along the normals; holes, round and lens-shaped ones; crumbs floating about; fins, triangles on
    one edge too many; a ragged cut across the lowest `cut_share` of the height; layers, patches seen twice
    and not quite in the same place; doubled faces; a cut that is `ragged_share` of the height up and down;
    only what is seen_from one side, as a single view has it; with `hiding`, without what other parts hide.
    """
    rng = np.random.default_rng(seed)
    v, f = shape.vertices, shape.faces
    size = float(np.linalg.norm(np.ptp(v, axis=0)))
    centre = v[f].mean(axis=1)
    low, high = v[:, 2].min(), v[:, 2].max()
    keep = np.ones(len(f), bool)
    if cut_share:
        ragged = np.zeros(len(f))
    if cut_share and ragged_share:
        around = np.arctan2(*(centre - centre.mean(axis=0)).T[:2])
        waves = sum(np.sin(k * around + rng.uniform(0, 6)) for k in (2, 5, 11)) / 3
        ragged = ragged_share * (waves + rng.normal(size=len(f)) / 3)
    if cut_share:
        keep = centre[:, 2] > low + (cut_share + ragged) * (high - low)
    if seen_from is not None:
        facing = np.cross(v[f[:, 1]] - v[f[:, 0]], v[f[:, 2]] - v[f[:, 0]])
        keep &= facing @ np.array(seen_from) > 0.15 * np.linalg.norm(facing, axis=1)
        if hiding:
            keep &= _in_sight(shape, np.array(seen_from))
    for middle, radius in zip(
        v[rng.integers(len(v), size=holes)], rng.uniform(0.01, 0.05, holes) * size, strict=True
    ):
        stretch = rng.uniform(0.4, 1.6, 3)
        keep &= np.linalg.norm((centre - middle) * stretch, axis=1) > radius
    f = f[keep]
    normals = np.asarray(shape.mesh().vertex_normals)
    v = v + normals * rng.normal(size=(len(v), 1)) * noise_mm
    parts_v, parts_f, n = [v], [f], len(v)

    def add(points: Floats, faces: Ints) -> None:
        nonlocal n
        parts_v.append(points)
        parts_f.append(faces + n)
        n += len(points)

    for _ in range(layers):
        middle = v[f[rng.integers(len(f)), 0]]
        patch = f[np.linalg.norm(v[f].mean(axis=1) - middle, axis=1) < 0.12 * size]
        used, inverse = np.unique(patch, return_inverse=True)
        away = normals[used] * (0.004 * size) + rng.normal(size=3) * 0.001 * size
        add(v[used] + away, inverse.reshape(-1, 3))
    for _ in range(crumbs):
        crumb = trimesh.creation.icosphere(1, radius=rng.uniform(0.002, 0.012) * size)
        some = np.asarray(crumb.faces, np.int64)[rng.random(len(crumb.faces)) < 0.7]
        add(np.asarray(crumb.vertices) + rng.uniform(v.min(axis=0), v.max(axis=0)), some)
    picked = f[rng.integers(len(f), size=fins)]
    tips = v[picked].mean(axis=1) + rng.normal(size=(fins, 3)) * 0.008 * size
    parts_v.append(tips)
    parts_f += [np.c_[picked[:, :2], n + np.arange(fins)], f[rng.integers(len(f), size=doubled)]]
    faces = np.concatenate(parts_f)
    used, inverse = np.unique(faces, return_inverse=True)
    return Shape(np.concatenate(parts_v)[used], inverse.reshape(-1, 3).astype(np.int64))


def _in_sight(shape: Shape, way: Floats) -> NDArray[np.bool_]:
    """(m,) faces whose middle and corners, all but, are seen from far away (trimesh's rays)."""
    mesh = shape.mesh()
    seen = np.ones(len(shape.faces), bool)
    for share in (np.full(3, 1 / 3), *(0.05 + 0.85 * np.eye(3))):
        places = np.einsum("k,fkd->fd", share, shape.vertices[shape.faces]) + 1e-3 * mesh.face_normals
        seen &= ~mesh.ray.intersects_any(places, np.tile(way, (len(places), 1)))
    return seen


@pytest.fixture(scope="session")
def sphere() -> Callable[..., Shape]:
    """sphere(radius_mm=50, subdivisions=5)"""
    return _sphere


@pytest.fixture(scope="session")
def torus() -> Callable[..., Shape]:
    """torus(major_mm=40, minor_mm=14, around=160, across=64), standing on its rim"""
    return _torus


@pytest.fixture(scope="session")
def head() -> Callable[..., Shape]:
    """head(subdivisions=5), a closed made-up head, 180 mm high and more"""
    return _head


@pytest.fixture(scope="session")
def raw_scan() -> Callable[..., Shape]:
    """raw_scan(shape, seed, noise_mm=…, holes=…, crumbs=…, fins=…, cut_share=…, layers=…, doubled=…)"""
    return _raw
