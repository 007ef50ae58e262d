"""Fewer triangles within a stated distance."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from .collapse import LARGEST_RING, collapse_edges
from .crossings import crossing_faces
from .flat_fill import halves_across
from .quadrics import face_quadrics

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]
Mask = NDArray[np.bool_]

ROUNDS = 6
"""Attempts at a result without crossings and within the distance; each keeps more of the input."""

CAUTION = 0.9
"""Share of the distance that collapses may use: between watched points a surface deviates a little more."""

PROBES = (
    np.array(
        [
            [4, 4, 4],
            [6, 6, 0],
            [0, 6, 6],
            [6, 0, 6],
            [9, 3, 0],
            [0, 9, 3],
            [3, 0, 9],
            [8, 2, 2],
            [2, 8, 2],
            [2, 2, 8],
        ]
    )
    / 12.0
)
"""Where a new face is measured: its centre, towards its corners, and along its edges (neighbours share these
and measure the other quarter)."""

RIDGE = 0.3
"""Share of the distance from which on an edge is watched as well as its ends."""


def simplified(
    vertices: Floats,
    faces: Ints,
    within_mm: float,
    target: int,
    flat: NDArray[np.int64],
    progress: Callable[[float], None] = lambda fraction: None,
) -> tuple[Ints, float]:
    """Faces (k,3) over the same vertices, and the largest measured distance in mm.

    flat (n,) bits of the flat faces that each vertex lies in: those stay flat, their rims in place to
    within the distance. Open and crowded edges stay as they are. Not beyond `within_mm`, not below `target`
    faces; the input if nothing better is both sound and within the distance. What `progress` raises goes
    through.
    """
    across = halves_across(faces, len(vertices))
    free = _interior(faces, across, len(vertices))
    wall = np.zeros(len(vertices), dtype=np.bool_)
    shared = np.bitwise_and.reduce(flat[faces], axis=1)
    for k in range(3):
        wall[faces[:, k]] |= shared != flat[faces[:, k]]
    samples, on_face = _ridge_points(vertices, faces, across, within_mm)
    watched = np.zeros(len(faces), dtype=np.bool_)
    crossed_before: Mask | None = None
    for round_ in range(ROUNDS):
        progress(round_ / ROUNDS)
        extra, on_extra = _inner_points(vertices, faces, watched)
        kept = faces.astype(np.int64)
        alive = collapse_edges(
            np.concatenate([vertices, samples, extra]),
            kept,
            across.astype(np.int64),
            face_quadrics(vertices, faces),
            free,
            flat,
            wall,
            np.concatenate([on_face, on_extra]),
            (CAUTION * within_mm) ** 2,
            target,
        )
        result = kept[alive].astype(np.int32)
        progress((round_ + 0.5) / ROUNDS)
        crossed = crossing_faces(vertices, result)
        if crossed.any():
            if crossed_before is None:
                crossed_before = np.zeros(len(vertices), dtype=np.bool_)
                crossed_before[faces[crossing_faces(vertices, faces)]] = True
            crossed = crossed & ~crossed_before[result].any(axis=1)
        far, distance_mm = _far_faces(vertices, faces, result, within_mm)
        if not crossed.any() and distance_mm <= within_mm:
            return result, distance_mm
        # Watch these places more closely; from the second time on, leave them as they are.
        for _ in range(round_ + 1):
            touched = np.zeros(len(vertices), dtype=np.bool_)
            touched[faces[far]] = True
            far = np.asarray(touched[faces].any(axis=1), dtype=np.bool_)
        watched |= far
        if round_ >= 1:
            free = free & ~touched
        if crossed.any():
            free = free & ~_near(vertices, faces, result[crossed])
    return faces, 0.0


def largest_distance(vertices: Floats, faces: Ints, fewer: Ints) -> float:
    """Largest distance in mm between two surfaces over the same vertices: of the removed corners and the
    centres of the many faces, and of PROBES on the fewer (libigl's closest points).
    """
    return _far_faces(vertices, faces, fewer, np.inf)[1]


def _far_faces(vertices: Floats, faces: Ints, fewer: Ints, within_mm: float) -> tuple[Mask, float]:
    """Mask (m,) of the many faces where the surfaces are apart by more, and the largest distance in mm."""
    import igl

    far = np.zeros(len(faces), dtype=np.bool_)
    removed = np.setdiff1d(faces, fewer)
    if not len(fewer) or not len(removed):
        return far, 0.0
    gone = np.flatnonzero(~_rows_in(faces, fewer))
    points = np.concatenate([vertices[removed], vertices[faces[gone]].mean(axis=1)])
    out_sq, _, _ = igl.point_mesh_squared_distance(points, vertices, fewer.astype(np.int64))
    corners = vertices[fewer[~_rows_in(fewer, faces)]]
    points = np.einsum("pk,fkx->fpx", PROBES, corners).reshape(-1, 3)
    back_sq, nearest, _ = igl.point_mesh_squared_distance(points, vertices, faces.astype(np.int64))
    touched = np.zeros(len(vertices), dtype=np.bool_)
    touched[removed[out_sq[: len(removed)] > within_mm**2]] = True
    far |= touched[faces].any(axis=1)
    far[gone[out_sq[len(removed) :] > within_mm**2]] = True
    far[nearest[back_sq > within_mm**2]] = True
    return far, float(np.sqrt(max(out_sq.max(), back_sq.max(initial=0.0))))


def _rows_in(faces: Ints, others: Ints) -> Mask:
    """(m,) whether a face is among the others, whichever corner it begins with."""

    def keys(rows: Ints) -> NDArray[np.void]:
        turn = (np.arange(3) + rows.argmin(axis=1)[:, None]) % 3
        turned = np.ascontiguousarray(np.take_along_axis(rows, turn, axis=1), dtype=np.int32)
        return turned.view(np.dtype((np.void, 12))).ravel()

    return np.isin(keys(faces), keys(others))


def _inner_points(vertices: Floats, faces: Ints, watched: Mask) -> tuple[Floats, NDArray[np.int64]]:
    """Points (s,3) spread over the watched faces, and the face of each: centre and edge middles."""
    corners = vertices[faces[watched]]
    spread = np.concatenate(
        [corners.mean(axis=1), ((corners + np.roll(corners, 1, axis=1)) / 2.0).reshape(-1, 3)]
    )
    numbers = np.flatnonzero(watched)
    return spread, np.concatenate([numbers, np.repeat(numbers, 3)])


def _ridge_points(
    vertices: Floats, faces: Ints, across: Ints, within_mm: float
) -> tuple[Floats, NDArray[np.int64]]:
    """Points (s,3) along edges, and the face of each, where the corners alone would not show a change.

    Drawing the other diagonal of two triangles moves the surface by the distance between the diagonals.
    Where that matters against the bound, points on the edge stand for it.
    """
    half = np.flatnonzero(across.ravel() > np.arange(3 * len(faces)))
    if not np.isfinite(within_mm):
        half = half[:0]
    f, e = half // 3, half % 3
    g, i = across.ravel()[half] // 3, across.ravel()[half] % 3
    a, b = vertices[faces[f, e]], vertices[faces[f, (e + 1) % 3]]
    c, d = vertices[faces[f, (e + 2) % 3]], vertices[faces[g, (i + 2) % 3]]
    normal = np.cross(b - a, d - c)
    length = np.linalg.norm(normal, axis=1)
    gap = np.abs(np.einsum("ij,ij->i", c - a, normal)) / np.where(length > 0, length, 1.0)
    counts = np.where(gap > RIDGE * within_mm, np.where(gap > within_mm, 3, 1), 0)
    picked = np.repeat(np.arange(len(half)), counts)
    first = np.concatenate([[0], np.cumsum(counts)[:-1]]) if len(counts) else counts
    share = (np.arange(len(picked)) - first[picked] + 1.0) / (counts[picked] + 1.0)
    points = a[picked] + (b[picked] - a[picked]) * share[:, None]
    return points.reshape(-1, 3), f[picked].astype(np.int64)


def _interior(faces: Ints, across: Ints, count: int) -> Mask:
    """(n,) vertices whose faces form one closed ring."""
    uses = np.bincount(faces.ravel(), minlength=count)
    free = uses > 2
    free[faces[across < 0]] = False
    free[np.roll(faces, -1, axis=1)[across < 0]] = False
    # Around a pinched vertex a walk comes back before it has seen all faces.
    ahead = across.ravel()[np.roll(np.arange(3 * len(faces)).reshape(-1, 3), 1, axis=1)].ravel()
    start = np.arange(len(ahead))
    here = ahead.copy()
    steps = np.ones(len(ahead), dtype=np.int64)
    walking = here != start
    for _ in range(min(int(uses.max(initial=0)), LARGEST_RING)):
        steps[walking] += 1
        here = np.where(walking & (here >= 0), ahead[here], here)
        walking &= (here != start) & (here >= 0)
    free[faces.ravel()[steps != uses[faces.ravel()]]] = False
    return np.asarray(free, dtype=np.bool_)


def _near(vertices: Floats, faces: Ints, bad: Ints) -> Mask:
    """(n,) input vertices in the boxes of the bad faces, and their neighbours."""
    from scipy.spatial import cKDTree

    centre = vertices[bad].mean(axis=1)
    reach = np.linalg.norm(vertices[bad] - centre[:, None], axis=2).max(axis=1)
    mask = np.zeros(len(vertices), dtype=np.bool_)
    mask[bad] = True
    for found in cKDTree(vertices).query_ball_point(centre, reach):
        mask[found] = True
    mask[faces[mask[faces].any(axis=1)]] = True
    return mask
