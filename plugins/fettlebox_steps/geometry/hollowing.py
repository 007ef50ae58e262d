"""A closed part made hollow: its own surface, and inside it the surface of what is taken out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .acceptance import offending_faces
from .cavity import ROUNDED_CELLS_PER_WALL, InnerWall, cell_for, inner_wall
from .distance import DistanceTree
from .dual_wall import dual_wall
from .local_repair import heal_crossings
from .topology import compact, components, piece_volumes
from .wall_proof import proven

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Hollowed:
    """What came of it.

    kept (m,)         faces of the part that stay: all, but for voids that became part of a hollow
    vertices, faces   the inner walls, looking into the hollow: for a solid they look the right way
    volumes_mm3       what each hollow holds, largest first
    dropped_mm3       the hollows that were too small to make
    voids, voids_merged   closed voids the part had; those that the hollow took in
    sharp             the inner walls keep sharp edges; else these are rounded, since no wall that keeps them
                      could be proven and freed of crossings
    cell_mm           of the grid that the inner walls were drawn through
    """

    kept: NDArray[np.bool_]
    vertices: Floats
    faces: Ints
    volumes_mm3: tuple[float, ...]
    dropped_mm3: tuple[float, ...]
    voids: int
    voids_merged: int
    sharp: bool
    cell_mm: float


def body_volumes(vertices: Floats, faces: Ints, body: Ints) -> Floats:
    """Signed volume in mm³ of each body; negative for one that is a void."""
    return piece_volumes(vertices, faces, body, int(body.max(initial=-1)) + 1)


def hollowed(
    vertices: Floats, faces: Ints, tree: DistanceTree, wall_mm: float, cell_mm: float, smallest_mm3: float
) -> Hollowed:
    """Hollow a closed, oriented surface (n,3), (m,3) with a wall of at least `wall_mm` everywhere.

    `tree` is that of the surface. Hollows that hold less than `smallest_mm3` are not made. Where the inner
    wall has to be drawn with rounded edges, its cells are smaller, so that it is hardly thicker for it.
    """
    inner = dual_wall(vertices, faces, tree, wall_mm, cell_mm)
    made = None if inner is None else _made(vertices, faces, inner, tree, wall_mm, smallest_mm3)
    if made is None:
        used = vertices[faces.ravel()]
        finer = cell_for(used.min(axis=0), used.max(axis=0), wall_mm, ROUNDED_CELLS_PER_WALL)
        plain = inner_wall(vertices, faces, tree, wall_mm, 0.0, min(cell_mm, finer))
        made = _made(vertices, faces, plain, None, wall_mm, smallest_mm3)
    assert made is not None
    return made


def _made(
    vertices: Floats,
    faces: Ints,
    inner: InnerWall,
    tree: DistanceTree | None,
    wall_mm: float,
    smallest_mm3: float,
) -> Hollowed | None:
    """The part without what the inner wall goes around. Where `tree` is given, the wall may have crossings:
    None if they would not heal.
    """
    many, outer_body = components(faces, len(vertices))
    voids = np.flatnonzero(piece_volumes(vertices, faces, outer_body, many) < 0)
    hollows, body = components(inner.faces, len(inner.vertices))
    volumes = piece_volumes(inner.vertices, inner.faces, body, hollows)
    made = volumes >= smallest_mm3
    dropped = np.sort(volumes[(volumes > 0) & ~made])[::-1]
    gone = np.zeros(many, dtype=np.bool_)
    for island in np.flatnonzero(volumes < 0):
        around = inner.faces[body == island]
        for k in np.flatnonzero(made):
            if _goes_around(inner.vertices, around, inner.vertices[inner.faces[body == k][0, 0]]):
                made[k] = False
    for island in np.flatnonzero(volumes < 0):
        around = inner.faces[body == island]
        within = inner.vertices[around[0, 0]]
        if not any(
            _goes_around(inner.vertices, inner.faces[body == k], within) for k in np.flatnonzero(made)
        ):
            continue
        for other in range(len(gone)):
            gone[other] |= _goes_around(inner.vertices, around, vertices[faces[outer_body == other][0, 0]])
    order = np.flatnonzero(made)[np.argsort(-volumes[made], kind="stable")]
    points, corners, _ = compact(inner.vertices, inner.faces[made[body]])
    if tree is not None:
        sound = _sound(points, np.asarray(corners, np.int64), tree, wall_mm)
        if sound is None:
            return None
        points, corners = sound
    return Hollowed(
        ~gone[outer_body],
        points,
        np.ascontiguousarray(corners[:, ::-1]),
        tuple(float(v) for v in volumes[order]),
        tuple(float(v) for v in dropped),
        len(voids),
        int(gone[voids].sum()),
        tree is not None,
        inner.cell_mm,
    )


def _goes_around(vertices: Floats, faces: Ints, point: Floats) -> bool:
    """Whether a closed surface has a point inside. Solid angles: A. van Oosterom, J. Strackee, 1983."""
    a, b, c = (vertices[faces[:, k]] - point for k in range(3))
    la, lb, lc = (np.linalg.norm(v, axis=1) for v in (a, b, c))
    top = np.einsum("ij,ij->i", a, np.cross(b, c))
    ab, bc, ca = (np.einsum("ij,ij->i", *pair) for pair in ((a, b), (b, c), (c, a)))
    turns = np.arctan2(top, la * lb * lc + ab * lc + bc * la + ca * lb).sum() / (2 * np.pi)
    return bool(abs(turns) > 0.5)


def _sound(vertices: Floats, faces: Ints, tree: DistanceTree, wall_mm: float) -> tuple[Floats, Ints] | None:
    """The inner wall without crossings. What was filled anew is proven anew: as thick as asked everywhere."""
    bad = offending_faces(vertices, faces)
    if not bad.any():
        return vertices, faces
    healed = heal_crossings(vertices, faces, bad)
    if healed is None:
        return None
    at, corners = healed[0], np.asarray(healed[1], dtype=np.int64)
    if components(corners, len(at))[0] != components(faces, len(vertices))[0]:
        return None
    return (at, corners) if proven(at, corners, tree.at(at), tree, wall_mm) else None
