"""The job of each ready recipe, scripted with libraries alone. What a recipe leaves out is left out here too.

    python benchmarks/expert_recipes.py RECIPE SCAN FOLDER

No library knocks bumps down, so that is not done; pictures and a record are not made either. Says on its last
line what it took and what it found.
"""

from __future__ import annotations

import argparse
import json
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import igl
import manifold3d
import numpy as np
import pymeshlab
import trimesh
from bounded import costing
from expert import (
    Floats,
    Made,
    arrays,
    as_solid,
    best_cut,
    checked,
    cleaned,
    closed_flat,
    estimated,
    seated,
    smoothed,
    written,
)

UP = np.array([0.0, 0.0, 1.0])
WALL_MM, DRAIN_MM = 2.0, 3.0


def scaling(by: float) -> Floats:
    return np.diag([by, by, by, 1.0])


@dataclass(frozen=True)
class Height:
    """Where the scan begins and ends along `up`: what a recipe protects counts from there."""

    low: float
    high: float

    def at(self, share: float) -> float:
        return self.low + share * (self.high - self.low)


def cleaned_and_closed(
    scan: Path, up: Floats, rounds: int
) -> tuple[manifold3d.Manifold, Height, dict[str, Any]]:
    vertices, faces = cleaned(scan)
    along = vertices @ up
    height = Height(float(along.min()), float(along.max()))
    vertices, faces, found = closed_flat(vertices, faces, up, 0.5)
    return as_solid(smoothed(vertices, faces, rounds) if rounds else vertices, faces), height, found


def trimmed(solid: manifold3d.Manifold, up: Floats, at: float) -> tuple[manifold3d.Manifold, Floats]:
    (vertices, faces), way = seated(solid.trim_by_plane(tuple(up), at), up, at)
    return as_solid(vertices, faces), way


def level(solid: manifold3d.Manifold, share: float) -> float:
    low, high = solid.bounding_box()[2], solid.bounding_box()[5]
    return float(low + share * (high - low))


def bust(scan: Path, tilt_deg: float, keep: float, protect: float, rounds: int, size: float) -> Made:
    solid, height, found = cleaned_and_closed(scan, UP, rounds)
    up, at = best_cut(solid, tilt_deg, keep, height.at(1.0 - protect))
    solid, way = trimmed(solid, up, at)
    solid = solid.scale((size, size, size))
    return Made([solid], scaling(size) @ way, found | estimated(solid))


def quarter_bust(scan: Path) -> Made:
    return bust(scan, 45.0, 0.90, 0.88, 10, 0.25)


def full_size_head(scan: Path) -> Made:
    return bust(scan, 0.0, 0.80, 0.75, 10, 1.0)


def figurine(scan: Path) -> Made:
    solid, _, found = cleaned_and_closed(scan, UP, 5)
    solid, way = trimmed(solid, UP, level(solid, 0.03))
    return Made([solid], way, found | estimated(solid))


def resin_figurine(scan: Path) -> Made:
    """Hollow by the offset surface of igl, the best library call for it; two holes through the base."""
    solid, _, found = cleaned_and_closed(scan, UP, 5)
    solid, way = trimmed(solid, UP, level(solid, 0.03))
    vertices, faces = arrays(solid)
    kind = igl.SIGNED_DISTANCE_TYPE_FAST_WINDING_NUMBER
    inner = igl.offset_surface(vertices, faces, -WALL_MM, 300, kind)
    cavity = as_solid(np.asarray(inner[0]), np.asarray(inner[1]))
    hollow = solid - cavity
    low, high = np.array(cavity.bounding_box()).reshape(2, 3)
    floor = arrays(cavity)[0]
    middle = floor[floor[:, 2] < low[2] + 0.1 * (high[2] - low[2])].mean(axis=0)
    for side in (-0.2, 0.2):
        drain = manifold3d.Manifold.cylinder(3 * WALL_MM, DRAIN_MM / 2, circular_segments=32)
        hollow -= drain.translate((middle[0] + side * (high[0] - low[0]), middle[1], -WALL_MM))
    return Made([hollow], way, found)


def bust_on_plinth(scan: Path) -> Made:
    size, height_mm = 0.25, 14.0
    solid, _, found = cleaned_and_closed(scan, UP, 10)
    solid, way = trimmed(solid, UP, level(solid, 0.06))
    solid = solid.scale((size, size, size))
    vertices, _ = arrays(solid)
    foot = vertices[vertices[:, 2] < 1e-6, :2]
    radius = float(np.linalg.norm(foot, axis=1).max()) + 10.0
    plinth = manifold3d.Manifold.cylinder(height_mm, radius, circular_segments=256)
    plinth = plinth.translate((0, 0, -height_mm))
    plinth += around(lettering("King", 6.0), radius, -0.5, 0.8, -90.0, -height_mm / 2)
    plinth -= around(lettering("LY-1041", 5.0), radius, -0.5, 0.5, 90.0, -height_mm / 2)
    solid = (solid + plinth).translate((0, 0, height_mm))
    lift = np.eye(4)
    lift[2, 3] = height_mm
    return Made([solid], lift @ scaling(size) @ way, found | estimated(solid))


def lettering(text: str, height_mm: float) -> manifold3d.CrossSection:
    """Letters of this height, their middle at the origin."""
    from matplotlib.textpath import TextPath

    outlines = TextPath((0, 0), text, size=height_mm / 0.73).to_polygons()
    shape = manifold3d.CrossSection([np.asarray(o)[:-1] for o in outlines], manifold3d.FillRule.EvenOdd)
    x0, y0, x1, y1 = shape.bounds()
    return shape.translate((-(x0 + x1) / 2, -(y0 + y1) / 2))


def around(
    shape: manifold3d.CrossSection, radius: float, low: float, high: float, toward_deg: float, z: float
) -> manifold3d.Manifold:
    """A flat shape bent round a cylinder, from `low` to `high` beyond its surface."""
    flat = manifold3d.Manifold.extrude(shape, high - low).refine_to_length(0.8)

    def bend(points: Floats) -> Floats:
        angle = np.radians(toward_deg) + points[:, 0] / radius
        out = radius + low + points[:, 2]
        return np.column_stack([out * np.cos(angle), out * np.sin(angle), points[:, 1] + z])

    return flat.warp_batch(bend)


def in_pieces(scan: Path) -> Made:
    """Even cuts so that everything fits the printer, two pegs at each cut."""
    size, room = 1.5, np.array([220.0, 220.0, 220.0])
    solid, _, found = cleaned_and_closed(scan, UP, 10)
    solid, way = trimmed(solid, UP, level(solid, 0.08))
    solid = solid.scale((size, size, size))
    pieces = [solid]
    low, high = np.array(solid.bounding_box()).reshape(2, 3)
    for axis in range(3):
        count = int(np.ceil((high - low)[axis] / (room[axis] - 10.0)))
        normal = np.eye(3)[axis]
        for at in np.linspace(low[axis], high[axis], count + 1)[1:-1]:
            pieces = [half for piece in pieces for half in pegged(piece, normal, float(at))]
    return Made(pieces, scaling(size) @ way, found)


def pegged(piece: manifold3d.Manifold, normal: Floats, at: float) -> list[manifold3d.Manifold]:
    above, below = piece.split_by_plane(tuple(normal), at)
    if above.is_empty() or below.is_empty():
        return [piece]
    vertices, _ = arrays(below)
    face = vertices[np.abs(vertices @ normal - at) < 1e-6]
    middle, spread = face.mean(axis=0), np.ptp(face, axis=0) * 0.15
    turn = np.asarray(trimesh.geometry.align_vectors([0, 0, 1], normal))[:3]
    for side in (-1.0, 1.0):
        where = middle + side * spread * (1 - normal)
        where += normal * (at - where @ normal)
        for solid, radius, sign in ((below, 4.0, 1), (above, 4.2, -1)):
            peg = manifold3d.Manifold.cylinder(16.0, radius, circular_segments=48, center=True)
            peg = peg.transform(np.column_stack([turn[:, :3], where]))
            if sign > 0:
                below = solid + peg
            else:
                above = solid - peg
    return [above, below]


def relief(scan: Path) -> Made:
    """Closed at its back, laid on it, as long as ordered."""
    up = looked_at(scan)
    solid, _, found = cleaned_and_closed(scan, up, 5)
    (vertices, faces), way = seated(solid, up, float((arrays(solid)[0] @ up).min()))
    size = 80.0 / float(np.ptp(vertices, axis=0).max())
    solid = as_solid(vertices * size, faces)
    return Made([solid], scaling(size) @ way, found | estimated(solid))


def looked_at(scan: Path) -> Floats:
    """Where a surface that was seen from one side looks: the mean of its normals."""
    mesh = trimesh.load_mesh(scan)
    mean = (mesh.face_normals * mesh.area_faces[:, None]).sum(axis=0)
    return np.asarray(mean / np.linalg.norm(mean))


def inspect_only(scan: Path) -> Made:
    """Pieces, openings, grain, size: what is asked about a scan before anybody pays."""
    meshes = pymeshlab.MeshSet()
    meshes.load_new_mesh(str(scan))
    counts = meshes.apply_filter("get_topological_measures")
    mesh = meshes.current_mesh()
    before = np.array(mesh.vertex_matrix())
    meshes.apply_filter("apply_coord_taubin_smoothing", stepsmoothnum=10)
    smooth = meshes.current_mesh()
    normals = np.asarray(
        trimesh.Trimesh(smooth.vertex_matrix(), smooth.face_matrix(), process=False).vertex_normals
    )
    grain = np.einsum("ij,ij->i", before - np.array(smooth.vertex_matrix()), normals)
    return Made(
        [], np.eye(4),
        {
            "pieces": int(counts["connected_components_number"]),
            "openings": int(counts["number_holes"]),
            "grain_mm": float(1.4826 * np.median(np.abs(grain))),
            "size_mm": np.ptp(before, axis=0).tolist(),
        },
    )  # fmt: skip


SCRIPTS: dict[str, Callable[[Path], Made]] = {
    "quarter-bust": quarter_bust,
    "figurine": figurine,
    "resin-figurine": resin_figurine,
    "full-size-head": full_size_head,
    "bust-on-plinth": bust_on_plinth,
    "life-size-in-pieces": in_pieces,
    "relief": relief,
    "inspect-only": inspect_only,
}


def scripted(recipe: str, scan: Path, folder: Path) -> Made:
    """The whole job: made, looked at, written."""
    made = SCRIPTS[recipe](scan)
    made.found |= checked(made.solids)
    written(made.solids, folder)
    return made


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("recipe", choices=sorted(SCRIPTS))
    asked.add_argument("scan", type=Path)
    asked.add_argument("folder", type=Path)
    given = asked.parse_args()
    shutil.rmtree(given.folder, ignore_errors=True)
    given.folder.mkdir(parents=True)
    made, cost = costing(lambda: scripted(given.recipe, given.scan, given.folder))
    said = {
        "cpu_s": cost.cpu_s, "wall_s": cost.wall_s, "peak_mb": cost.peak_mb,
        "found": made.found, "placement": made.placement.tolist(),
        "files": [str(file) for file in sorted(given.folder.glob("*.stl"))],
    }  # fmt: skip
    print(json.dumps(said, default=float))


if __name__ == "__main__":
    main()
