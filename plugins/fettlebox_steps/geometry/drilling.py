"""Round holes taken out of a solid by an exact boolean."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from .acceptance import folded_faces
from .carrying import unmoved_faces
from .drain_places import Hole
from .local_repair import heal_crossings
from .needles import without_needles
from .plane_cut import plane_axes
from .topology import enclosed_volume

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

ROUND_WITHIN_MM = 0.005
"""How far the sides of a drill are inside its circle: a tenth of the finest pixel of a resin printer."""

SLIVER_MM = 0.0005
"""Flat slivers that the boolean leaves along rims are drawn together within this: far below any layer."""

BLADE_MM3 = 0.05
"""More than this is no blade: a surface of few, large triangles would be cut open with it, and stays."""


def sides(radius_mm: float) -> int:
    """Sides of a drill, a multiple of four."""
    turn = math.acos(max(-1.0, 1.0 - ROUND_WITHIN_MM / radius_mm)) if radius_mm > ROUND_WITHIN_MM else 1.0
    return int(min(256, max(16, 4 * math.ceil(math.pi / turn / 4))))


def drilled(vertices: Floats, faces: Ints, holes: list[Hole], radius_mm: float) -> tuple[Floats, Ints]:
    """The solid (n,3), (m,3) with the holes. Engine: manifold3d.

    Raises ValueError for a surface that is no solid.
    """
    import manifold3d

    solid = manifold3d.Manifold(manifold3d.Mesh64(np.array(vertices, np.float64), np.array(faces, np.uint64)))
    if solid.status() != manifold3d.Error.NoError:
        raise ValueError(f"no solid: {solid.status()}")
    drills = []
    for hole in holes:
        x_axis, y_axis = plane_axes(hole.axis)
        frame = np.column_stack([x_axis, y_axis, hole.axis, hole.start])
        drill = manifold3d.Manifold.cylinder(hole.length_mm, radius_mm, radius_mm, sides(radius_mm))
        drills.append(drill.transform(frame))
    tools = manifold3d.Manifold.batch_boolean(drills, manifold3d.OpType.Add)
    mesh = (solid - tools).simplify(SLIVER_MM).to_mesh64()
    points = np.array(mesh.vert_properties, np.float64)[:, :3].copy()
    made = without_needles(points, np.array(mesh.tri_verts).astype(np.int64).reshape(-1, 3))
    return _without_blades(points, made, (vertices, faces))


def _without_blades(vertices: Floats, faces: Ints, before: tuple[Floats, Ints]) -> tuple[Floats, Ints]:
    """The surface without the blades that a drill leaves where it grazes a wall, as thin as nothing. What was
    folded `before` is not the drill's.
    """
    folded = folded_faces(vertices, faces)
    if folded.any():
        folded &= ~unmoved_faces(vertices, faces, *before)
    healed = heal_crossings(vertices, faces) if folded.any() else None
    if healed is None:
        return vertices, faces
    points, mended = healed[0], healed[1].astype(np.int64)
    lost_mm3 = enclosed_volume(vertices, faces) - enclosed_volume(points, mended)
    if abs(lost_mm3) > BLADE_MM3 or euler(mended) != euler(faces):
        return vertices, faces
    return points, mended


def plug(vertices: Floats, faces: Ints, hole: Hole, radius_mm: float) -> tuple[Floats, Ints]:
    """What a drill of `radius_mm` takes out of the solid (n,3), (m,3). Engine: manifold3d."""
    import manifold3d

    solid = manifold3d.Manifold(manifold3d.Mesh64(np.array(vertices, np.float64), np.array(faces, np.uint64)))
    x_axis, y_axis = plane_axes(hole.axis)
    frame = np.column_stack([x_axis, y_axis, hole.axis, hole.start])
    drill = manifold3d.Manifold.cylinder(hole.length_mm, radius_mm, radius_mm, sides(radius_mm))
    mesh = (solid ^ drill.transform(frame)).simplify(SLIVER_MM).to_mesh64()
    points = np.array(mesh.vert_properties, np.float64)[:, :3].copy()
    return points, without_needles(points, np.array(mesh.tri_verts).astype(np.int64).reshape(-1, 3))


def euler(faces: Ints) -> int:
    """Vertices - edges + faces of a closed surface."""
    return len(np.unique(faces)) - len(faces) * 3 // 2 + len(faces)
