"""Planes in which a surface mirrors onto itself, also when part of it was never scanned.

Arrays in, arrays out. Points (n,3) float64, normals (n,3) unit vectors, any unit of length.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from .measures import Faces, Floats, area_vectors

PROBES = 400
"""Points that are mirrored: the quality of a plane is then known to some 3 %."""

TARGETS = 8_000
"""Points they are held against. Distances are taken to the tangent there, so their spacing matters little."""

MATCHED_SHARE = 0.7
"""Share of mirrored points that must find the surface. A one-sided view lacks much."""

TRUE_WITHIN = 0.010
"""Residual, over the size of the surface, at which a plane counts for 61 %. Halves of a face differ by
some 0.7 % of its size (nose, hair, turn of the mouth); front and back of a head by 1.5 % and more."""

ROUNDS = 12
"""Of refinement. It settles in four to six; a bad start needs some more to leave."""

LONGEST_TURN = 0.15
"""Radians that the plane may turn in one round."""

LOOKS_ALIKE = 0.5
"""A mirrored normal within 60 degrees of that at the nearest point may match; else it is another side."""

GOLDEN = (5.0**0.5 - 1.0) / 2.0
PLASTIC = 0.7548776662466927
"""1 over the real root of x³ = x + 1; its first two powers spread points over a square as evenly as
the golden ratio does over a line (M. Roberts, "The unreasonable effectiveness
of quasirandom sequences", 2018)."""


@dataclass(frozen=True, eq=False)
class MirrorPlane:
    """normal·p = offset, with `quality` 0 to 1 and the residual relative to the size of the surface."""

    normal: Floats
    offset: float
    quality: float
    residual: float


def sample(vertices: Floats, faces: Faces, count: int) -> tuple[Floats, Floats]:
    """Points spread evenly by area, and the face normals there; the same for the same mesh.

    One stratum of equal area for each point; inside a triangle by an additive recurrence.
    """
    vectors = area_vectors(vertices, faces)
    areas = np.linalg.norm(vectors, axis=1)
    reached = np.cumsum(areas)
    at = (np.arange(count) + 0.5) / count * reached[-1]
    chosen = np.minimum(np.searchsorted(reached, at), len(faces) - 1)
    k = np.arange(1, count + 1)
    u, w = np.mod(k * PLASTIC, 1.0), np.mod(k * PLASTIC * PLASTIC, 1.0)
    root = np.sqrt(u)[:, None]
    w = w[:, None]
    a, b, c = (vertices[faces[chosen, j]] for j in range(3))
    points = (1.0 - root) * a + root * (1.0 - w) * b + root * w * c
    return points, vectors[chosen] / areas[chosen, None]


def mirror_planes(vertices: Floats, faces: Faces, keep: int = 3) -> list[MirrorPlane]:
    """The best mirror planes, best first, each at least 20 degrees from the others.

    Directions over a half sphere are tried through the middle of the surface, the best are then refined
    by matching mirrored points to the surface (P. Besl, N. McKay, "A method for registration of 3-D shapes",
    1992, with distances to tangents as in Y. Chen, G. Medioni, "Object modelling by registration", 1992).
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
    # The middle of a surface that lacks a part is off the plane, so a good direction may look poor at first.
    for apart_deg, kept, rounds in ((12.0, 30, 3), (12.0, 6, ROUNDS)):
        seeds = _apart(tried, apart_deg, kept)
        tried = [_refined(tree, points, normals, probes, probe_normals, seed, size, rounds) for seed in seeds]
        tried.sort(key=lambda plane: plane.residual)
    return _apart(tried, 20.0, keep)


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
    rounds: int,
) -> MirrorPlane:
    """Gauss-Newton on the distances of mirrored points to the tangents at their nearest points."""
    best = plane
    middle = points.mean(axis=0)
    normal, offset = plane.normal, plane.offset - float(plane.normal @ middle)
    for _ in range(rounds):
        nearest, distance, tangent = _matches(
            tree, points, normals, probes, probe_normals, normal, offset + float(normal @ middle)
        )
        good = np.isfinite(tangent) & (distance <= np.sort(distance)[int(MATCHED_SHARE * len(distance)) - 1])
        if good.sum() < 10:
            break
        p, q, looks = probes[good] - middle, points[nearest[good]] - middle, normals[nearest[good]]
        height = p @ normal - offset
        residual = np.einsum("ij,ij->i", p - 2.0 * height[:, None] * normal - q, looks)
        facing = looks @ normal
        sideways = np.linalg.svd(normal[None, :])[2][1:]
        slopes = [-2.0 * (facing * (p @ way) + height * (looks @ way)) for way in sideways]
        jacobian = np.column_stack([*slopes, 2.0 * facing])
        change = np.linalg.lstsq(jacobian, -residual, rcond=1e-6)[0]
        # A long step leaves the matches behind on which it was computed.
        turn = float(np.hypot(change[0], change[1]))
        change = change * min(1.0, LONGEST_TURN / turn) if turn > 0.0 else change
        normal = normal + change[:2] @ sideways
        normal /= np.linalg.norm(normal)
        offset += float(change[2])
        judged = _judged(
            tree, points, normals, probes, probe_normals, normal, offset + float(normal @ middle), size
        )
        if judged.residual < best.residual:
            best = judged
    return best
