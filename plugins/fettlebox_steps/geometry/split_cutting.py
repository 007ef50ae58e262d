"""A closed surface cut into blocks by planes square to the axes, and the flat faces where blocks meet."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .flat_places import Frame, reader_frame
from .plane_cut import cut_above
from .solids import bodies
from .topology import boundary_loops, compact

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]

ON_PLANE_MM = 1e-6
"""Cuts put their rims exactly on the plane; this is rounding."""


@dataclass(frozen=True, eq=False)
class Block:
    """A closed body: vertices (n,3), faces (m,3), colours (n,4) or None."""

    vertices: Floats
    faces: Ints
    colours: NDArray[np.uint8] | None


@dataclass(frozen=True, eq=False)
class CutFace:
    """The part of a block's surface that lies in a cut: numbers of its triangles, outline (shapely) in the
    frame, whose normal looks out of the block.
    """

    faces: NDArray[np.int64]
    frame: Frame
    outline: Any


def sliced(block: Block, axis: int, cuts: Floats) -> list[Block]:
    """The block between cuts at rising places (c,) along an axis, in their order."""
    up = np.eye(3)[axis]
    rest, made = block, []
    for at in cuts:
        made.append(_above(rest, at * up, -up))
        rest = _above(rest, at * up, up)
    return [*made, rest]


def _above(block: Block, point: Floats, up: Floats) -> Block:
    cut = cut_above(block.vertices, block.faces, point, up)
    colours = None if block.colours is None else cut.blended(block.colours)
    return Block(cut.vertices, cut.faces, colours)


def bodies_apart(block: Block) -> list[Block]:
    """Each solid body of a block, with the closed hollows inside of it, lowest first."""
    from .hollowing import _goes_around, body_volumes

    if not len(block.faces):
        return []
    faces = block.faces.astype(np.int64)
    body = bodies(faces)
    volumes = body_volumes(block.vertices, faces, body)
    solid = np.flatnonzero(volumes > 0)
    belongs = np.arange(len(volumes))
    for void in np.flatnonzero(volumes <= 0):
        point = block.vertices[faces[body == void][0, 0]]
        around = [k for k in solid if _goes_around(block.vertices, faces[body == k], point)]
        belongs[void] = around[0] if around else solid[0]
    made = []
    for k in solid:
        vertices, own, used = compact(block.vertices, faces[belongs[body] == k])
        colours = None if block.colours is None else block.colours[used]
        made.append(Block(vertices, own.astype(np.int32), colours))
    return sorted(made, key=lambda one: tuple(one.vertices.min(axis=0)[::-1]))


def cut_face(block: Block, axis: int, at_mm: float, way: int) -> CutFace | None:
    """The face of a block in the plane at `at_mm` along an axis that looks up (1) or down (-1) it, if any."""
    import shapely

    on = np.abs(block.vertices[:, axis] - at_mm) < ON_PLANE_MM
    mine = np.flatnonzero(on[block.faces].all(axis=1))
    if not len(mine):
        return None
    u, v = (axis + 1) % 3, (axis + 2) % 3
    a, b, c = (block.vertices[block.faces[mine, k]] for k in range(3))
    area = ((b - a)[:, u] * (c - a)[:, v] - (b - a)[:, v] * (c - a)[:, u]).sum()
    if area * way <= 0:
        return None
    frame = reader_frame(at_mm * np.eye(3)[axis], way * np.eye(3)[axis])
    loops = boundary_loops(block.faces[mine].astype(np.int64), len(block.vertices))
    rings = [shapely.LinearRing(frame.flat(block.vertices[loop])[:, :2]) for loop in loops]
    return CutFace(mine, frame, shapely.build_area(shapely.geometrycollections(rings)))
