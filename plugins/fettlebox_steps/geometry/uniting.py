"""Solids made one by an exact boolean union."""

from __future__ import annotations

import numpy as np

from .topology import Floats, Ints, compact, components

Solid = tuple[Floats, Ints]


def bodies_of(vertices: Floats, faces: Ints) -> list[Solid]:
    """The closed bodies of a mesh, each with vertices of its own."""
    count, label = components(faces, len(vertices))
    return [compact(vertices, faces[label == i])[:2] for i in range(count)]


def unite(solids: list[Solid], finest_mm: float) -> Solid:
    """The union of sound solids, without the slivers that surfaces leave where they meet.

    Vertices away from where two solids meet stay where they are, but for the few that lie flat between
    their neighbours within `finest_mm`.

    Raises ValueError if a solid is not closed and oriented.
    """
    import manifold3d

    bodies = []
    for vertices, faces in solids:
        mesh = manifold3d.Mesh64(np.array(vertices, np.float64), np.array(faces, np.uint64))
        body = manifold3d.Manifold(mesh)
        if body.status() != manifold3d.Error.NoError:
            raise ValueError(f"a body to unite is no solid: {body.status()}")
        bodies.append(body)
    united = manifold3d.Manifold.batch_boolean(bodies, manifold3d.OpType.Add).simplify(finest_mm).to_mesh64()
    points = np.array(united.vert_properties, np.float64)[:, :3].copy()
    return points, np.array(united.tri_verts).astype(np.int64).reshape(-1, 3)
