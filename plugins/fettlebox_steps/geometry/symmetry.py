"""Planes in which a surface mirrors onto itself, also when part of it was never scanned.

Arrays in, arrays out. Points (n,3) float64, normals (n,3) unit vectors, any unit of length.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

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

DIRECTIONS = 100
"""Tried at first: some 14 degrees apart, half of what a refinement can turn."""

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
    surface = _Surface(vertices, faces)
    if surface.size == 0.0:
        return []
    tried = [surface.match(normal, 0.0).plane for normal in _half_sphere(DIRECTIONS)]
    tried.sort(key=lambda plane: plane.residual)
    # The middle of a surface that lacks a part is off the plane, so a good direction may look poor at first.
    for kept, rounds in ((30, 3), (6, ROUNDS)):
        tried = [_refined(surface, seed, rounds) for seed in _apart(tried, 12.0, kept)]
        tried.sort(key=lambda plane: plane.residual)
    return [
        replace(plane, offset=plane.offset + float(plane.normal @ surface.middle))
        for plane in _apart(tried, 20.0, keep)
    ]


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


@dataclass(frozen=True, eq=False)
class _Matches:
    """Probes mirrored in a plane, and where each lands.

    nearest    (n,) index of the nearest point of the surface
    distance   (n,) to it, infinite where the surface there looks another way
    plane      the plane itself, with its residual
    """

    nearest: NDArray[np.int64]
    distance: Floats
    plane: MirrorPlane


class _Surface:
    """Samples of a surface about its middle, with the search tree that mirrored probes are held against."""

    def __init__(self, vertices: Floats, faces: Faces) -> None:
        points, self.normals = sample(vertices, faces, TARGETS)
        probes, self.probe_normals = sample(vertices, faces, PROBES)
        self.middle = points.mean(axis=0)
        self.points, self.probes = points - self.middle, probes - self.middle
        self.size = float(np.linalg.norm(np.ptp(points, axis=0)))
        self.tree = cKDTree(self.points)

    def match(self, normal: Floats, offset: float) -> _Matches:
        mirrored = self.probes - 2.0 * (self.probes @ normal - offset)[:, None] * normal
        looks = self.probe_normals - 2.0 * (self.probe_normals @ normal)[:, None] * normal
        distance, found = self.tree.query(mirrored)
        nearest = np.asarray(found, dtype=np.int64)
        there = self.normals[nearest]
        alike = np.einsum("ij,ij->i", looks, there) >= LOOKS_ALIKE
        tangent = np.abs(np.einsum("ij,ij->i", mirrored - self.points[nearest], there))
        # Off the rim of the surface the tangent runs on; there the plain distance tells the truth.
        off = np.where(distance <= 3.0 * np.median(distance), tangent, distance)
        # A point without a match counts as one that is off by a tenth of the size.
        off = np.minimum(np.where(alike, off, np.inf), 0.1 * self.size)
        best = np.sort(off)[: int(MATCHED_SHARE * len(off))]
        residual = float(np.sqrt(np.mean(best**2))) / self.size
        quality = float(np.exp(-0.5 * (residual / TRUE_WITHIN) ** 2))
        plane = MirrorPlane(normal, offset, quality, residual)
        return _Matches(nearest, np.where(alike, distance, np.inf), plane)


def _refined(surface: _Surface, seed: MirrorPlane, rounds: int) -> MirrorPlane:
    """Gauss-Newton on the distances of mirrored points to the tangents at their nearest points."""
    matches = surface.match(seed.normal, seed.offset)
    best = matches.plane
    for _ in range(rounds):
        normal, offset, distance = matches.plane.normal, matches.plane.offset, matches.distance
        good = distance <= np.sort(distance)[int(MATCHED_SHARE * len(distance)) - 1]
        good &= np.isfinite(distance)
        if good.sum() < 10:
            break
        p, q = surface.probes[good], surface.points[matches.nearest[good]]
        there = surface.normals[matches.nearest[good]]
        height = p @ normal - offset
        residual = np.einsum("ij,ij->i", p - 2.0 * height[:, None] * normal - q, there)
        facing = there @ normal
        sideways = np.linalg.svd(normal[None, :])[2][1:]
        slopes = [-2.0 * (facing * (p @ way) + height * (there @ way)) for way in sideways]
        jacobian = np.column_stack([*slopes, 2.0 * facing])
        change = np.linalg.lstsq(jacobian, -residual, rcond=1e-6)[0]
        # A long step leaves the matches behind on which it was computed.
        turn = float(np.hypot(change[0], change[1]))
        change = change * min(1.0, LONGEST_TURN / turn) if turn > 0.0 else change
        normal = normal + change[:2] @ sideways
        normal /= np.linalg.norm(normal)
        matches = surface.match(normal, offset + float(change[2]))
        if matches.plane.residual < best.residual:
            best = matches.plane
    return best
