"""A closed part made hollow: its own surface, and inside it the surface of what is taken out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .acceptance import offending_faces
from .cavity import InnerWall, inner_wall
from .distance import DistanceTree
from .local_repair import heal_crossings
from .measures import is_closed
from .needles import without_needles
from .solids import bodies

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

WITHIN_MM = 0.02
WITHIN_SHARE = 1 / 200
"""The inner wall is simplified within this, and within this share of the wall: a tenth of a thin layer, which
nobody sees, saves half of its triangles. It is put that much deeper first, so that the wall is kept."""

INNER_PROBES = np.array([[2, 2, 2], [4, 1, 1], [1, 4, 1], [1, 1, 4], [3, 3, 0]]) / 6.0
"""Where a triangle is measured besides its corners."""

ROUNDING_MM = 1e-9
"""What the arithmetic of two distances of up to a metre may differ by."""


@dataclass(frozen=True, eq=False)
class Hollowed:
    """What came of it.

    kept (m,)         faces of the part that stay: all, but for voids that became part of a hollow
    vertices, faces   the inner walls, looking into the hollow: for a solid they look the right way
    volumes_mm3       what each hollow holds, largest first
    dropped_mm3       the hollows that were too small to make
    voids, voids_merged   closed voids the part had; those that the hollow took in
    """

    kept: NDArray[np.bool_]
    vertices: Floats
    faces: Ints
    volumes_mm3: tuple[float, ...]
    dropped_mm3: tuple[float, ...]
    voids: int
    voids_merged: int
    simplified_within_mm: float


def body_volumes(vertices: Floats, faces: Ints, body: Ints) -> Floats:
    """Signed volume in mm³ of each body; negative for one that is a void."""
    if not len(faces):
        return np.empty(0)
    a, b, c = (vertices[faces[:, k]] - vertices[faces[0, 0]] for k in range(3))
    return np.asarray(np.bincount(body, np.einsum("ij,ij->i", a, np.cross(b, c)) / 6))


def spare_mm(wall_mm: float) -> float:
    """How much deeper than the wall asks the inner wall is drawn, to be simplified within that."""
    return min(WITHIN_MM, WITHIN_SHARE * wall_mm)


def hollowed(
    vertices: Floats, faces: Ints, tree: DistanceTree, wall_mm: float, cell_mm: float, smallest_mm3: float
) -> Hollowed:
    """Hollow a closed, oriented surface (n,3), (m,3) with a wall of at least `wall_mm` everywhere.

    `tree` is that of the surface. Hollows that hold less than `smallest_mm3` are not made.
    """
    inner = inner_wall(vertices, faces, tree, wall_mm, spare_mm(wall_mm), cell_mm)
    outer_body = bodies(faces)
    voids = np.flatnonzero(body_volumes(vertices, faces, outer_body) < 0)
    body = bodies(inner.faces)
    volumes = body_volumes(inner.vertices, inner.faces, body)
    made = volumes >= smallest_mm3
    dropped = np.sort(volumes[(volumes > 0) & ~made])[::-1]
    gone = np.zeros(int(outer_body.max()) + 1, dtype=np.bool_)
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
    points, corners, within_mm = _simplified(inner, made[body], tree, wall_mm)
    return Hollowed(
        ~gone[outer_body],
        points,
        np.ascontiguousarray(corners[:, ::-1]),
        tuple(float(v) for v in volumes[order]),
        tuple(float(v) for v in dropped),
        len(voids),
        int(gone[voids].sum()),
        within_mm,
    )


def _goes_around(vertices: Floats, faces: Ints, point: Floats) -> bool:
    """Whether a closed surface has a point inside. Solid angles: A. van Oosterom, J. Strackee, 1983."""
    a, b, c = (vertices[faces[:, k]] - point for k in range(3))
    la, lb, lc = (np.linalg.norm(v, axis=1) for v in (a, b, c))
    top = np.einsum("ij,ij->i", a, np.cross(b, c))
    ab, bc, ca = (np.einsum("ij,ij->i", *pair) for pair in ((a, b), (b, c), (c, a)))
    turns = np.arctan2(top, la * lb * lc + ab * lc + bc * la + ca * lb).sum() / (2 * np.pi)
    return bool(abs(turns) > 0.5)


def _simplified(
    inner: InnerWall, mine: NDArray[np.bool_], tree: DistanceTree, wall_mm: float
) -> tuple[Floats, Ints, float]:
    """The inner wall with fewer triangles, if none of it then comes nearer to the outside than the wall."""
    import manifold3d

    used, corners = np.unique(inner.faces[mine], return_inverse=True)
    points, faces = inner.vertices[used], corners.reshape(-1, 3).astype(np.int64)
    if not len(faces):
        return points, faces, 0.0
    body = manifold3d.Manifold(manifold3d.Mesh64(points, faces.astype(np.uint64)))
    for share in (1.0, 0.5, 0.25):
        within_mm = share * spare_mm(wall_mm)
        mesh = body.simplify(within_mm).to_mesh64()
        thin = np.array(mesh.vert_properties, dtype=np.float64)[:, :3].copy()
        fewer = without_needles(thin, np.array(mesh.tri_verts).astype(np.int64).reshape(-1, 3))
        if not len(fewer) or not is_closed(fewer.astype(np.int32)):
            continue
        bad = offending_faces(thin, fewer)
        if bad.any():
            healed = heal_crossings(thin, fewer, bad)
            if healed is None:
                continue
            before = int(bodies(fewer).max())
            thin, fewer = healed[0], np.asarray(healed[1], dtype=np.int64)
            if int(bodies(fewer).max()) != before:
                continue
        if _least_depth(thin, fewer, tree, wall_mm) >= wall_mm - ROUNDING_MM:
            return thin, fewer, within_mm
    return points, faces, 0.0


def _least_depth(vertices: Floats, faces: Ints, tree: DistanceTree, wall_mm: float) -> float:
    """Least depth in mm of triangles, at their corners and in those that could come nearer than the wall.

    Of a triangle with sides up to L no point is less deep than its least deep corner by more than L²/6d, as
    for the cells of a grid: the mean squared distance of the corners from a point is at most L²/3.
    """
    depth = tree.at(vertices)
    corners = vertices[faces]
    longest_sq = ((corners - np.roll(corners, 1, axis=1)) ** 2).sum(axis=2).max(axis=1)
    doubtful = depth[faces].min(axis=1) - longest_sq / (6 * wall_mm) < wall_mm
    probes = np.einsum("pk,fkx->fpx", INNER_PROBES, corners[doubtful]).reshape(-1, 3)
    return float(min(depth.min(), tree.at(probes).min(initial=np.inf)))
