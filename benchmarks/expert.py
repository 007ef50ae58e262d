"""What somebody who knows pymeshlab, trimesh, manifold3d and igl well would script for these jobs: the tools.

Each does its work with the best call there is for it, on the whole mesh where that is quick and on a lighter
copy where it is not. What such a person knows by looking (the unit, which way is up) is given. The script
keeps account of how scan and part lie to each other, as one has to for a record.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import igl
import manifold3d
import mapbox_earcut
import numpy as np
import pymeshlab
import trimesh
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

FALLBACK_CELLS = 300
LEAST_LEFT = 0.8
PROXY_TRIANGLES = 20_000
OVERHANG_DEG = 45.0
LAYER_MM = 0.2


@dataclass
class Made:
    """What a script made: solids to print, the way from the scan to them, and figures it found on the way."""

    solids: list[manifold3d.Manifold]
    placement: Floats
    found: dict[str, Any] = field(default_factory=dict)


def arrays(solid: manifold3d.Manifold) -> tuple[Floats, Ints]:
    mesh = solid.to_mesh64()
    return np.array(mesh.vert_properties)[:, :3], np.array(mesh.tri_verts).astype(np.int64)


def as_solid(vertices: Floats, faces: Ints) -> manifold3d.Manifold:
    """Raises ValueError if it is none."""
    solid = manifold3d.Manifold(
        manifold3d.Mesh64(np.ascontiguousarray(vertices, np.float64), np.ascontiguousarray(faces, np.uint64))
    )
    if solid.status() != manifold3d.Error.NoError or solid.is_empty():
        raise ValueError(f"no solid: {solid.status()}")
    return solid


def cleaned(path: Path, least_share: float = 0.02) -> tuple[Floats, Ints]:
    """The scan without duplicates and debris, manifold, with all holes filled but the largest."""
    meshes = pymeshlab.MeshSet()
    meshes.load_new_mesh(str(path))
    for name in ("duplicate_vertices", "duplicate_faces", "null_faces", "unreferenced_vertices"):
        meshes.apply_filter(f"meshing_remove_{name}")
    least = int(least_share * meshes.current_mesh().face_number())
    meshes.apply_filter("meshing_remove_connected_component_by_face_number", mincomponentsize=least)
    meshes.apply_filter("meshing_repair_non_manifold_edges")
    meshes.apply_filter("meshing_repair_non_manifold_vertices")
    rims = [
        len(rim) for rim in igl.boundary_loop_all(np.array(meshes.current_mesh().face_matrix(), np.int64))
    ]
    if len(rims) > 1:  # all but the opening that the scan stands on
        meshes.apply_filter("meshing_close_holes", maxholesize=max(rims) - 1, selfintersection=False)
    meshes.apply_filter("meshing_remove_unreferenced_vertices")
    mesh = meshes.current_mesh()
    return np.array(mesh.vertex_matrix()), np.array(mesh.face_matrix(), np.int64)


def closed_flat(
    vertices: Floats, faces: Ints, up: Floats, beyond_mm: float
) -> tuple[Floats, Ints, dict[str, Any]]:
    """Closed by a cut just inside the rim of the large opening, which faces against `up`, and a flat cap.

    If that does not come out closed, the surface of winding number one half, which always does.
    """
    loops = igl.boundary_loop_all(faces)
    if not loops:
        return vertices, faces, {"closing": "was closed"}
    rim = max(loops, key=lambda loop: np.ptp(vertices[loop], axis=0).max())
    at = float((vertices[rim] @ up).max()) + beyond_mm
    mesh = trimesh.Trimesh(vertices, faces, process=False)
    above = trimesh.intersections.slice_mesh_plane(mesh, up, at * up, cap=False)
    way = "flat cap"
    if above.area < LEAST_LEFT * mesh.area:  # so ragged a rim gets a skirt down to its lowest point instead
        above, way = _skirted(vertices, faces, np.array(rim), up), "skirt and flat cap"
    above.merge_vertices()
    points, triangles = np.asarray(above.vertices), np.asarray(above.faces, np.int64)
    triangles = np.concatenate([triangles, _cap(points, triangles, up)])
    made = trimesh.Trimesh(points, triangles, process=False)
    made.update_faces(made.nondegenerate_faces(height=1e-12))
    if made.is_watertight and made.is_winding_consistent and made.volume > 0:
        return np.asarray(made.vertices), np.asarray(made.faces, np.int64), {"closing": way}
    kind = igl.SIGNED_DISTANCE_TYPE_FAST_WINDING_NUMBER
    around = igl.offset_surface(points, triangles, 0.0, FALLBACK_CELLS, kind)
    points, triangles = np.asarray(around[0]), np.asarray(around[1], np.int64)
    best = max(trimesh.Trimesh(points, triangles, process=False).split(), key=lambda body: body.volume)
    return np.asarray(best.vertices), np.asarray(best.faces, np.int64), {"closing": "winding number"}


def _skirted(vertices: Floats, faces: Ints, rim: Ints, up: Floats) -> trimesh.Trimesh:
    low = float((vertices[rim] @ up).min()) - 1.0
    foot = vertices[rim] - np.outer(vertices[rim] @ up - low, up)
    below = np.arange(len(rim)) + len(vertices)
    other, beside = np.roll(rim, -1), np.roll(below, -1)
    skirt = np.concatenate([np.column_stack([other, rim, below]), np.column_stack([other, below, beside])])
    made = trimesh.Trimesh(np.concatenate([vertices, foot]), np.concatenate([faces, skirt]), process=False)
    if not made.is_winding_consistent:  # the rim was told the other way round
        skirt = skirt[:, ::-1]
        made = trimesh.Trimesh(made.vertices, np.concatenate([faces, skirt]), process=False)
    return made


def _cap(points: Floats, triangles: Ints, up: Floats) -> Ints:
    """Triangles that close all rims, which lie in one plane: islands, with holes where rims lie in others."""
    from shapely import Polygon

    loops = [np.array(loop) for loop in igl.boundary_loop_all(triangles) if len(loop) > 2]
    flat = points @ np.column_stack(_across(up))
    areas = [Polygon(flat[loop]) for loop in loops]
    around = [
        [k for k, area in enumerate(areas) if k != n and area.contains(areas[n])] for n in range(len(loops))
    ]
    caps = [np.zeros((0, 3), np.int64)]
    for n, loop in enumerate(loops):
        if len(around[n]) % 2:
            continue
        inside = [
            loops[k] for k in range(len(loops)) if n in around[k] and len(around[k]) == len(around[n]) + 1
        ]
        order = np.concatenate([loop, *inside])
        ends = np.cumsum([len(each) for each in (loop, *inside)]).astype(np.uint32)
        cap = np.asarray(mapbox_earcut.triangulate_float64(flat[order], ends), np.int64).reshape(-1, 3)
        a, b, c = (flat[order[cap[:, k]]] for k in range(3))
        area = (b - a)[:, 0] * (c - a)[:, 1] - (b - a)[:, 1] * (c - a)[:, 0]
        cap[area > 0] = cap[area > 0][:, ::-1]  # the cap faces down
        caps.append(order[cap])
    return np.concatenate(caps)


def _across(up: Floats) -> tuple[Floats, Floats]:
    """Two directions that make a right-handed frame with `up`."""
    side = np.cross([0.0, 1.0, 0.0] if abs(up[1]) < 0.9 else [0.0, 0.0, 1.0], up)
    side /= np.linalg.norm(side)
    return side, np.cross(up, side)


def smoothed(vertices: Floats, faces: Ints, rounds: int) -> Floats:
    """Taubin's filter, which does not shrink."""
    meshes = pymeshlab.MeshSet()
    meshes.add_mesh(pymeshlab.Mesh(vertices, faces))
    meshes.apply_filter("apply_coord_taubin_smoothing", stepsmoothnum=rounds)
    return np.array(meshes.current_mesh().vertex_matrix())


def best_cut(
    solid: manifold3d.Manifold, most_tilt_deg: float, keep: float, protected_from: float
) -> tuple[Floats, float]:
    """Direction and height of a cut that leaves little to support.

    Many planes are scored on a light copy by the undersides above them, times their height; the best ten are
    cut there and their support is measured with rays.
    """
    vertices, faces = arrays(solid)
    meshes = pymeshlab.MeshSet()
    meshes.add_mesh(pymeshlab.Mesh(vertices, faces))
    meshes.apply_filter("meshing_decimation_quadric_edge_collapse", targetfacenum=PROXY_TRIANGLES)
    mesh = meshes.current_mesh()
    light = trimesh.Trimesh(mesh.vertex_matrix(), mesh.face_matrix(), process=False)
    proxy = as_solid(np.asarray(light.vertices), np.asarray(light.faces))
    centres, normals, areas = light.triangles_center, light.face_normals, light.area_faces
    upper = np.asarray(light.vertices)[light.vertices[:, 2] > protected_from]
    least_mm3 = keep * proxy.volume()
    steep = -np.sin(np.radians(OVERHANG_DEG))
    scored: list[tuple[float, Floats, float]] = []
    for up in _directions(most_tilt_deg):
        along = centres @ up
        first, last = float(along.min()), float((upper @ up).min())
        down = -normals @ up
        for at in np.linspace(first, last, 9)[1:] if last > first else ():
            over = (along > at) & (down > -steep)
            scored.append((float((areas[over] * down[over] * (along[over] - at)).sum()), up, float(at)))
    best: tuple[float, Floats, float] | None = None
    tried = 0
    for _, up, at in sorted(scored, key=lambda one: one[0]):
        kept = proxy.trim_by_plane(tuple(up), at)
        if kept.volume() < least_mm3:
            continue
        tried += 1
        score = rays_support_mm3(*seated(kept, up, at)[0], 1.0)
        if best is None or score < best[0]:
            best = (score, up, at)
        if tried == 10:
            break
    if best is None:
        raise ValueError("no cut keeps enough")
    return best[1], best[2]


def _directions(most_tilt_deg: float) -> list[Floats]:
    found = [np.array([0.0, 0.0, 1.0])]
    for tilt in np.radians(np.arange(7.5, most_tilt_deg + 1e-6, 7.5)):
        for turn in np.linspace(0, 2 * np.pi, int(6 + 4 * tilt / np.radians(7.5)), endpoint=False):
            found.append(np.array([np.sin(tilt) * np.cos(turn), np.sin(tilt) * np.sin(turn), np.cos(tilt)]))
    return found


def seated(solid: manifold3d.Manifold, up: Floats, at: float) -> tuple[tuple[Floats, Ints], Floats]:
    """Turned so that `up` is up, the cut on z = 0, in the middle of the bed; with the 4×4 of that."""
    vertices, faces = arrays(solid)
    way = np.asarray(trimesh.geometry.align_vectors(up, [0, 0, 1]))
    moved = vertices @ way[:3, :3].T
    middle = (moved.min(axis=0) + moved.max(axis=0))[:2] / 2.0
    way[:3, 3] = [-middle[0], -middle[1], -at]
    return (moved + way[:3, 3], faces), way


def rays_support_mm3(vertices: Floats, faces: Ints, step_mm: float) -> float:
    """Space below undersides that lean out too far, down to the bed or to the part, by vertical rays."""
    mesh = trimesh.Trimesh(vertices, faces, process=False)
    low, high = mesh.bounds
    x, y = np.meshgrid(np.arange(low[0], high[0], step_mm) + 0.1, np.arange(low[1], high[1], step_mm) + 0.2)
    starts = np.column_stack([x.ravel(), y.ravel(), np.full(x.size, low[2] - 1.0)])
    caster = trimesh.ray.ray_pyembree.RayMeshIntersector(mesh)
    triangle, ray, place = caster.intersects_id(
        starts, np.tile([0, 0, 1.0], (len(starts), 1)), multiple_hits=True, return_locations=True
    )
    order = np.lexsort((place[:, 2], ray))
    triangle, ray, height = triangle[order], ray[order], place[order, 2]
    first = np.concatenate([[True], ray[1:] != ray[:-1]])
    below = np.where(first, low[2], np.concatenate([[0.0], height[:-1]]))
    needs = mesh.face_normals[triangle][:, 2] < -np.sin(np.radians(OVERHANG_DEG))
    return float(((height - below) * needs).sum() * step_mm**2)


def estimated(solid: manifold3d.Manifold) -> dict[str, float]:
    """Volume layer by layer, time from it, support, and the thinnest walls by rays."""
    vertices, faces = arrays(solid)
    low, high = vertices[:, 2].min(), vertices[:, 2].max()
    areas = np.array([solid.slice(float(z)).area() for z in np.arange(low + LAYER_MM / 2, high, LAYER_MM)])
    mesh = trimesh.Trimesh(vertices, faces, process=False)
    points, face = trimesh.sample.sample_surface(mesh, 20_000, seed=1)
    inward = -mesh.face_normals[face]
    caster = trimesh.ray.ray_pyembree.RayMeshIntersector(mesh)
    places, ray, _ = caster.intersects_location(points + 1e-3 * inward, inward, multiple_hits=False)
    thick = np.linalg.norm(places - points[ray], axis=1)
    return {
        "layers_mm3": float(areas.sum() * LAYER_MM),
        "print_s": float(areas.sum() / 0.45 / 60.0 * 0.25 + len(areas)),
        "support_mm3": rays_support_mm3(vertices, faces, 0.5),
        "thin_mm": float(np.percentile(thick, 1)) if len(thick) else 0.0,
    }


def checked(solids: Sequence[manifold3d.Manifold]) -> dict[str, Any]:
    """What such a person would look at before handing over."""
    crossing, tight = 0, True
    for solid in solids:
        vertices, faces = arrays(solid)
        mesh = trimesh.Trimesh(vertices, faces, process=False)
        tight &= bool(mesh.is_watertight and mesh.is_winding_consistent and mesh.volume > 0)
        meshes = pymeshlab.MeshSet()
        meshes.add_mesh(pymeshlab.Mesh(vertices, faces))
        meshes.apply_filter("compute_selection_by_self_intersections_per_face")
        crossing += int(meshes.current_mesh().selected_face_number())
    return {"watertight": tight, "crossing": crossing}


def written(solids: Sequence[manifold3d.Manifold], folder: Path) -> None:
    for number, solid in enumerate(solids):
        vertices, faces = arrays(solid)
        mesh = trimesh.Trimesh(vertices, faces, process=False)
        for ending in ("stl", "3mf"):
            mesh.export(folder / f"part-{number}.{ending}")
