"""The mount as a solid, and what is made of it and the part. Arrays in, arrays out; lengths in mm."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Faces = NDArray[np.int32]

SAGITTA_MM = 0.02
"""How far a polygon may be from its circle: below what a printer shows."""

THROUGH_MM = 1.0
"""A tool reaches this far beyond what it cuts, so that no face of it lies in a face of the work."""


def sides_of(diameter_mm: float) -> int:
    """Sides of a polygon for a circle, a multiple of 4: its sagitta, r·(1 − cos(π/n)), is small."""
    ratio = min(SAGITTA_MM / (0.5 * diameter_mm), 0.2)
    return 4 * math.ceil(math.pi / math.acos(1.0 - ratio) / 4)


def as_solid(vertices: Floats, faces: NDArray[Any]) -> Any:
    """Raises ValueError if the mesh is not closed and oriented."""
    import manifold3d

    mesh = manifold3d.Mesh64(np.array(vertices, np.float64), np.array(faces, np.uint64))
    solid = manifold3d.Manifold(mesh)
    if solid.status() != manifold3d.Error.NoError or solid.volume() <= 0:
        raise ValueError("the surface is no closed solid")
    return solid


def as_mesh(solid: Any) -> tuple[Floats, Faces]:
    mesh = solid.to_mesh64()
    points = np.array(mesh.vert_properties, np.float64)[:, :3].copy()
    return points, np.array(mesh.tri_verts).astype(np.int32).reshape(-1, 3)


def disc(diameter_mm: float, low_mm: float, high_mm: float, at: Floats) -> Any:
    """An upright cylinder; its corners lie on the circle, so that it is nowhere wider."""
    import manifold3d

    radius = 0.5 * diameter_mm
    made = manifold3d.Manifold.cylinder(high_mm - low_mm, radius, radius, sides_of(diameter_mm))
    return made.translate((float(at[0]), float(at[1]), low_mm))


def drill(diameter_mm: float, low_mm: float, high_mm: float, at: Floats) -> Any:
    """A hole's inside; its flats touch the circle, so that it is nowhere narrower."""
    return disc(diameter_mm / math.cos(math.pi / sides_of(diameter_mm)), low_mm, high_mm, at)


def drilled_plate(
    diameter_mm: float, thickness_mm: float, centre: Floats, holes: Floats, hole_mm: float, bore_mm: float
) -> Any:
    """A round plate on z = 0 with through holes at `holes` (n,2), and one in its middle if `bore_mm` > 0."""
    plate = disc(diameter_mm, 0.0, thickness_mm, centre)
    for at in holes:
        plate -= drill(hole_mm, -THROUGH_MM, thickness_mm + THROUGH_MM, at)
    if bore_mm > 0:
        plate -= drill(bore_mm, -THROUGH_MM, thickness_mm + THROUGH_MM, centre)
    return plate


def recessed(plate: Any, thickness_mm: float, holes: Floats, recess_mm: float, depth_mm: float) -> Any:
    """The plate with a recess for a head at every hole, from above."""
    for at in holes:
        plate -= drill(recess_mm, thickness_mm - depth_mm, thickness_mm + THROUGH_MM, at)
    return plate


def drawn_out(
    vertices: Floats, faces: Faces, foot_mm: float, by_mm: float, least_share: float = 0.0
) -> tuple[Floats, Faces]:
    """A solid whose flat underside at `foot_mm` is moved down, with upright walls from where it was.

    vertices (n,3) mm and faces (m,3) of a solid cut off at `foot_mm`; nothing above it changes. Patches of
    the underside smaller than `least_share` of the largest stay where they are.
    """
    corners = vertices[faces]
    flat = (corners[:, :, 2] <= foot_mm + 1e-9).all(axis=1)
    sides = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    under = flat & (sides[:, 2] < 0)
    under[under] = _in_large_patches(faces[under], 0.5 * np.linalg.norm(sides[under], axis=1), least_share)
    cap = faces[under]
    used, at = np.unique(cap, return_inverse=True)
    lowered = at.reshape(-1, 3) + len(vertices)
    edges = np.concatenate([lowered[:, [0, 1]], lowered[:, [1, 2]], lowered[:, [2, 0]]])
    paired = {(b, a) for a, b in edges.tolist()}
    rim = np.array([edge for edge in edges.tolist() if tuple(edge) not in paired])
    a, b = rim.T
    high_a, high_b = used[a - len(vertices)], used[b - len(vertices)]
    walls = np.concatenate([np.stack([high_a, high_b, b], 1), np.stack([high_a, b, a], 1)])
    below = vertices[used] - np.array([0.0, 0.0, by_mm])
    made = np.concatenate([faces[~under], lowered, walls]).astype(np.int32)
    return np.concatenate([vertices, below]), made


def _in_large_patches(cap: Faces, areas_mm2: Floats, least_share: float) -> NDArray[np.bool_]:
    """(k,) which of these triangles belong to a patch of at least that share of the largest patch's area."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    ends = np.concatenate([cap[:, [0, 1]], cap[:, [1, 2]]])
    size = int(cap.max()) + 1
    graph = coo_array((np.ones(len(ends)), (ends[:, 0], ends[:, 1])), shape=(size, size))
    patch = connected_components(graph, directed=False)[1][cap[:, 0]]
    whole = np.bincount(patch, areas_mm2)
    return np.asarray(whole[patch] >= least_share * whole.max())


def large_patches(section: Any, least_share: float) -> Any:
    """A cross-section without its patches smaller than that share of the largest."""
    import manifold3d

    patches = section.decompose()
    least_mm2 = least_share * max(one.area() for one in patches)
    return manifold3d.CrossSection.compose([one for one in patches if one.area() >= least_mm2])


def outline_of(section: Any) -> Any:
    """A cross-section as a shapely geometry, its holes filled: no screw goes into one."""
    import shapely
    from shapely.geometry import Polygon

    rings = [Polygon(ring).buffer(0) for ring in section.to_polygons() if len(ring) >= 3]
    return shapely.union_all(rings)


def shadow_between(solid: Any, low_mm: float, high_mm: float) -> Any:
    """What of a solid lies between two heights, seen from above: a shapely geometry without holes."""
    slab = solid.trim_by_plane((0.0, 0.0, 1.0), low_mm).trim_by_plane((0.0, 0.0, -1.0), -high_mm)
    return outline_of(slab.project())


def encloses(solid: Any, tool: Any) -> bool:
    """Whether a tool stays inside of a solid, but for rounding."""
    return float((tool - solid).volume()) <= 1e-9 * float(tool.volume())
