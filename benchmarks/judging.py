"""How good a job's result is, whoever made it, from the STL files that it delivered.

Closed is what trimesh and manifold3d both call so; crossings are counted by the witness, fidelity is libigl's
distance from the truth that a made-up scan has, support and walls are measured with embree rays.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import igl
import numpy as np
import trimesh
from expert import as_solid, rays_support_mm3
from raw_scans import Floats, RawScan

SAMPLES = 60_000
BED_MM = 0.02
"""Nearer to the bed than this lies on it: a tenth of a layer."""

LEVEL = 0.98
"""Undersides that face down but for 11 degrees may be the base, flat or not."""

BASE_MM = 1.0
"""What lies up to this below the height where likeness begins is the base's edge, and no loss."""

MOST_LOST = 0.01
"""Of the surface that has to stay; common practice, no published source."""

WAVY_MM, AWAY_MM, THINNER_MM = 0.05, 0.5, 0.2
"""Of no use: a base less flat than a quarter of a layer, a likeness lost by more than `smooth` is ever
allowed, a wall that is this much thinner than asked."""


@dataclass(frozen=True)
class Quality:
    """One result. Lengths in mm as printed, but `away` in life size. None: not to be had of this job.

    sound       what the witness finds wrong, a word each; empty if nothing
    away_*      from the truth's surface above the base to the part
    cut_away    share of the truth's surface, as far as it was scanned, that is below the base
    lost        share of the truth's surface, as far as the recipe protects it, that is below the base
    wavy_mm     how far 99 % of the base's area are from the bed
    base_mm2    area that lies on it
    thin_mm     what all but a hundredth of the walls of a hollow part exceed
    """

    closed: bool
    crossing: int
    unsound: str
    triangles: int
    volume_mm3: float
    away_p95_mm: float | None = None
    away_most_mm: float | None = None
    wavy_mm: float | None = None
    base_mm2: float | None = None
    support_mm3: float | None = None
    thin_mm: float | None = None
    cut_away: float | None = None
    lost: float | None = None

    def as_json(self) -> dict[str, Any]:
        return asdict(self)


def judged(
    files: Sequence[Path],
    scan: RawScan,
    placement: Floats | None,
    above_mm: float,
    hollow: bool,
    protected: float = 0.0,
) -> Quality:
    """Judge what was delivered. Without `placement` (pieces) nothing is compared with the truth. `protected`
    is the upper share of the scanned height that has to stay.
    """
    meshes = [trimesh.load_mesh(file) for file in files]
    if not meshes:
        return Quality(False, 0, "nothing was delivered", 0, 0.0)
    closed = all(_closed(mesh) for mesh in meshes)
    crossing, unsound = _by_witness(meshes)
    volume = float(sum(mesh.volume for mesh in meshes))
    triangles = sum(len(mesh.faces) for mesh in meshes)
    if placement is None:
        return Quality(closed, crossing, unsound, triangles, volume)
    mesh = meshes[0]
    points, there = _truth(scan, placement)
    away = _away_mm(mesh, there[there[:, 2] > above_mm], placement)
    low, high = scan.height_mm()
    below = there[:, 2] < above_mm - BASE_MM
    cut_away = float(below[points[:, 2] >= low].mean())
    upper = points[:, 2] > high - protected * (high - low)
    lost = float(below[upper].mean()) if protected else None
    wavy, base = _base(mesh)
    support = rays_support_mm3(np.asarray(mesh.vertices), np.asarray(mesh.faces), 0.5)
    thin = _thin_mm(mesh) if hollow else None
    return Quality(
        closed, crossing, unsound, triangles, volume,
        float(np.percentile(away, 95)), float(away.max()), wavy, base, support, thin, cut_away,
        lost,
    )  # fmt: skip


def useless(quality: Quality, wall_mm: float | None) -> str:
    """Why nobody would print it, however fast it came; empty if somebody would."""
    if not quality.triangles:
        return quality.unsound
    if not quality.closed:
        return "not a closed solid"
    if quality.crossing:
        return f"crosses itself in {quality.crossing} triangles"
    if quality.lost is not None and quality.lost > MOST_LOST:
        return f"cut through what has to stay: {quality.lost:.0%} of it is gone"
    if quality.away_p95_mm is not None and quality.away_p95_mm > AWAY_MM:
        return f"the likeness is lost by {quality.away_p95_mm:.2f} mm"
    if quality.wavy_mm is not None and quality.wavy_mm > WAVY_MM:
        return f"the base is {quality.wavy_mm:.2f} mm from flat"
    if wall_mm is not None and (quality.thin_mm is None or quality.thin_mm < wall_mm - THINNER_MM):
        return f"walls of {quality.thin_mm or 0:.2f} mm"
    return ""


def in_words(ours: Quality, theirs: Quality) -> str:
    """Both beside each other, for the table."""

    def pair(name: str, text: str, digits: int, factor: float = 1.0) -> list[str]:
        values = (getattr(ours, name), getattr(theirs, name))
        if all(value is None for value in values):
            return []
        shown = [f"{value * factor:.{digits}f}" if value is not None else "–" for value in values]
        return [f"{text} {shown[0]} / {shown[1]}"]

    unsound = [each.unsound or "sound" for each in (ours, theirs)]
    said = [f"{unsound[0]} / {unsound[1]}"]
    said += pair("away_p95_mm", "off the truth p95 mm", 3)
    said += pair("cut_away", "likeness cut away %", 1, 100.0)
    said += pair("wavy_mm", "base off flat mm", 3)
    said += pair("volume_mm3", "solid cm3", 1, 1e-3)
    said += pair("support_mm3", "support cm3", 2, 1e-3)
    said += pair("thin_mm", "thinnest wall mm", 2)
    return "; ".join(said)


def _closed(mesh: trimesh.Trimesh) -> bool:
    if not (mesh.is_watertight and mesh.is_winding_consistent and mesh.volume > 0):
        return False
    try:
        as_solid(np.asarray(mesh.vertices), np.asarray(mesh.faces))
    except ValueError:
        return False
    return True


def _by_witness(meshes: Sequence[trimesh.Trimesh]) -> tuple[int, str]:
    """Crossing triangles, and what else is wrong."""
    from fettlebox.mesh import Part
    from fettlebox.mesh.soundness import inspect

    found = [inspect(Part(np.array(m.vertices, np.float64), np.array(m.faces, np.int32))) for m in meshes]
    crossing = sum(each.crossing_faces for each in found)
    wrong = {
        name.replace("_", " ")
        for each in found
        for name, count in each.as_facts().items()
        if name != "bodies" and count
    }
    return crossing, ", ".join(sorted(wrong))


def _truth(scan: RawScan, placement: Floats) -> tuple[Floats, Floats]:
    """Places (n,3) of the truth in the scan's numbers, and where they are on the bed."""
    truth = trimesh.Trimesh(*scan.true_surface(), process=False)
    points = np.asarray(trimesh.sample.sample_surface(truth, SAMPLES, seed=1)[0])
    return points, points @ placement[:3, :3].T + placement[:3, 3]


def _away_mm(mesh: trimesh.Trimesh, there: Floats, placement: Floats) -> Floats:
    """From places on the bed to the part, in life size."""
    there = np.ascontiguousarray(there)
    squared = igl.point_mesh_squared_distance(
        there, np.ascontiguousarray(mesh.vertices, np.float64), np.ascontiguousarray(mesh.faces, np.int64)
    )[0]
    size = float(np.cbrt(np.linalg.det(placement[:3, :3])))
    return np.sqrt(np.asarray(squared)) / size


def _base(mesh: trimesh.Trimesh) -> tuple[float, float]:
    """How far 99 % of the base's area reach up from the bed, and how much of it is on the bed.

    The base is what faces down and touches the bed; a surface that only comes near it is none.
    """
    off = mesh.triangles[:, :, 2] - mesh.bounds[0, 2]
    under = (mesh.face_normals[:, 2] < -LEVEL) & (off.min(axis=1) < BED_MM)
    high, area = off.max(axis=1), mesh.area_faces
    order = np.flatnonzero(under)[np.argsort(high[under])]
    share = np.cumsum(area[order])
    wavy = high[order][np.searchsorted(share, 0.99 * share[-1])] if len(order) else np.inf
    return float(wavy), float(area[under & (high < BED_MM)].sum())


def _thin_mm(mesh: trimesh.Trimesh) -> float:
    points, face = trimesh.sample.sample_surface(mesh, SAMPLES, seed=1)
    inward = -mesh.face_normals[face]
    caster = trimesh.ray.ray_pyembree.RayMeshIntersector(mesh)
    places, ray, _ = caster.intersects_location(points + 1e-3 * inward, inward, multiple_hits=False)
    return float(np.percentile(np.linalg.norm(places - np.asarray(points)[ray], axis=1), 1))
