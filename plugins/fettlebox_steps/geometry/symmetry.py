"""Planes in which a surface mirrors onto itself, also when part of it was never scanned.

Arrays in, arrays out. Points (n,3) float64, normals (n,3) unit vectors, any unit of length.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from .measures import Faces, Floats, area_vectors

PROBES = 700
"""Points that are mirrored: the quality of a plane is then known to some 2 %."""

TARGETS = 8_000
"""Points they are held against. Distances are taken to the tangent there, so their spacing matters little."""

MATCHED_SHARE = 0.7
"""Share of mirrored points that must find the surface. A one-sided view lacks much."""

TRUE_WITHIN = 0.015
"""Residual, over the size of the surface, at which a plane counts for 61 %. Halves of a face differ by
some 1 % of its size (nose, hair, turn of the mouth); the two ends of a bunny by 5 % and more."""

LOOKS_ALIKE = 0.5
"""A mirrored normal within 60 degrees of that at the nearest point may match; else it is another side."""

GOLDEN = (5.0**0.5 - 1.0) / 2.0


@dataclass(frozen=True, eq=False)
class MirrorPlane:
    """normal·p = offset, with `quality` 0 to 1 and the residual relative to the size of the surface."""

    normal: Floats
    offset: float
    quality: float
    residual: float


def sample(vertices: Floats, faces: Faces, count: int) -> tuple[Floats, Floats]:
    """Points spread evenly by area, and the face normals there; the same for the same mesh.

    One stratum of equal area for each point; inside a triangle by the golden ratio (additive recurrence).
    """
    vectors = area_vectors(vertices, faces)
    areas = np.linalg.norm(vectors, axis=1)
    reached = np.cumsum(areas)
    at = (np.arange(count) + 0.5) / count * reached[-1]
    chosen = np.minimum(np.searchsorted(reached, at), len(faces) - 1)
    k = np.arange(1, count + 1)
    u, w = np.mod(k * GOLDEN, 1.0), np.mod(k * GOLDEN * GOLDEN + 0.5, 1.0)
    root = np.sqrt(u)[:, None]
    w = w[:, None]
    a, b, c = (vertices[faces[chosen, j]] for j in range(3))
    points = (1.0 - root) * a + root * (1.0 - w) * b + root * w * c
    return points, vectors[chosen] / areas[chosen, None]


def mirror_planes(vertices: Floats, faces: Faces, keep: int = 3) -> list[MirrorPlane]:
    """The best mirror planes, best first, each at least 20 degrees from the others.

    Directions over a half sphere are tried through the middle of the surface, the best are then refined
    by matching mirrored points to their nearest neighbours and fitting the plane midway between the pairs
    (the symmetric form of P. Besl, N. McKay, "A method for registration of 3-D shapes", 1992).
    """
    points, normals = sample(vertices, faces, TARGETS)
    probes, probe_normals = sample(vertices, faces, PROBES)
    size = float(np.linalg.norm(np.ptp(points, axis=0)))
    if size == 0.0:
        return []
    tree = cKDTree(points)
    middle = points.mean(axis=0)
    tried = []
    for normal in _half_sphere(160):
        plane = _judged(tree, points, normals, probes, probe_normals, normal, float(normal @ middle), size)
        tried.append(plane)
    tried.sort(key=lambda plane: plane.residual)
    seeds = _apart(tried, 12.0, 10)
    refined = [_refined(tree, points, normals, probes, probe_normals, plane, size) for plane in seeds]
    refined.sort(key=lambda plane: plane.residual)
    return _apart(refined, 20.0, keep)


def _half_sphere(count: int) -> Floats:
    """The axes, and directions spread evenly over half a sphere (Fibonacci lattice)."""
    k = np.arange(count)
    z = (k + 0.5) / count
    turn = 2.0 * np.pi * np.mod(k * GOLDEN, 1.0)
    flat = np.sqrt(1.0 - z * z)
    return np.concatenate([np.eye(3), np.column_stack([flat * np.cos(turn), flat * np.sin(turn), z])])


def _apart(planes: list[MirrorPlane], degrees: float, keep: int) -> list[MirrorPlane]:
    kept: list[MirrorPlane] = []
    for plane in planes:
        if all(abs(plane.normal @ other.normal) < np.cos(np.radians(degrees)) for other in kept):
            kept.append(plane)
        if len(kept) == keep:
            break
    return kept


def _matches(
    tree: cKDTree,
    points: Floats,
    normals: Floats,
    probes: Floats,
    probe_normals: Floats,
    normal: Floats,
    offset: float,
) -> tuple[NDArray[np.int64], Floats, Floats]:
    """Indices of nearest points, distances (infinite where the sides differ), distances to the tangents."""
    mirrored = probes - 2.0 * (probes @ normal - offset)[:, None] * normal
    looks = probe_normals - 2.0 * (probe_normals @ normal)[:, None] * normal
    distance, found = tree.query(mirrored)
    nearest = np.asarray(found, dtype=np.int64)
    alike = np.einsum("ij,ij->i", looks, normals[nearest]) >= LOOKS_ALIKE
    tangent = np.abs(np.einsum("ij,ij->i", mirrored - points[nearest], normals[nearest]))
    # Off the rim of the surface the tangent runs on; there the plain distance tells the truth.
    spacing = float(np.median(distance))
    tangent = np.where(distance <= 3.0 * spacing, tangent, distance)
    return nearest, np.where(alike, distance, np.inf), np.where(alike, tangent, np.inf)


def _judged(
    tree: cKDTree,
    points: Floats,
    normals: Floats,
    probes: Floats,
    probe_normals: Floats,
    normal: Floats,
    offset: float,
    size: float,
) -> MirrorPlane:
    _, _, tangent = _matches(tree, points, normals, probes, probe_normals, normal, offset)
    count = int(MATCHED_SHARE * len(probes))
    best = np.sort(tangent)[:count]
    # A point without a match counts as one that is off by a tenth of the size.
    residual = float(np.sqrt(np.mean(np.minimum(best, 0.1 * size) ** 2))) / size
    return MirrorPlane(normal, offset, float(np.exp(-0.5 * (residual / TRUE_WITHIN) ** 2)), residual)


def _refined(
    tree: cKDTree,
    points: Floats,
    normals: Floats,
    probes: Floats,
    probe_normals: Floats,
    plane: MirrorPlane,
    size: float,
) -> MirrorPlane:
    best = plane
    normal, offset = plane.normal, plane.offset
    for _ in range(12):
        nearest, distance, _ = _matches(tree, points, normals, probes, probe_normals, normal, offset)
        good = distance <= np.sort(distance)[int(MATCHED_SHARE * len(distance)) - 1]
        good &= np.isfinite(distance)
        if good.sum() < 10:
            break
        across = probes[good] - points[nearest[good]]
        between = (probes[good] + points[nearest[good]]) / 2.0
        # The normal is where differences point and midpoints do not spread.
        spread = between - between.mean(axis=0)
        _, axes = np.linalg.eigh(across.T @ across - 4.0 * spread.T @ spread)
        found = axes[:, 2] if axes[:, 2] @ normal >= 0.0 else -axes[:, 2]
        normal, offset = found, float(between.mean(axis=0) @ found)
        judged = _judged(tree, points, normals, probes, probe_normals, normal, offset, size)
        if judged.residual < best.residual:
            best = judged
    return best
