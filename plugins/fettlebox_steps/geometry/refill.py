"""Laying a surface through the rim of a patch, in place of what rises or sinks inside."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .bump_measures import Look, connected_ball, cubic, frame, rim_radius
from .bump_scales import Relief
from .crossings import crossing_faces
from .measures import area_vectors

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]
Longs = NDArray[np.int64]
Mask = NDArray[np.bool_]

INNER, OUTER = 1.1, 1.35
"""Shares of the foot radius: up to the first the new surface takes over whole, from there it fades into the
old one, so that a foot that was judged a little too narrow leaves no step."""

MOST_RIM = 400
"""Rim points that the surface is laid through: a system of as many unknowns takes ten milliseconds."""

STIFF = 1.0
"""How smooth the surface through the rim is against how near it passes: grain of one standard deviation."""

OVERHANG = 0.15
"""Cosine between a triangle and the patch below which a height over a plane does not describe it."""

FOLDED = -0.98
"""Cosine between the normals of neighbours beyond which one lies folded upon the other."""


@dataclass(frozen=True)
class Patch:
    """Vertices (k,) and where they go (k,3)."""

    vertices: Longs
    places: Floats


def refilled(
    vertices: Floats, faces: Ints, relief: Relief, seen: Look, fixed: Mask, scratch: Longs
) -> Patch | None:
    """The patch about a bump and the surface that belongs there; None where it would reach a fixed vertex
    or the surface is no height over a plane even without the bump.
    """
    outside = rim_radius(OUTER * seen.radius_mm, relief.edge_mm)
    room = outside + 1.5 * abs(seen.height_mm)
    near = connected_ball(relief, vertices, seen.vertex, room + seen.radius_mm, scratch)
    across = frame(seen.normal)
    offset = vertices[near] - seen.centre
    flat, high = offset @ across.T, offset @ seen.normal
    away = np.linalg.norm(flat, axis=1)
    inside = away < OUTER * seen.radius_mm
    rim = (away >= INNER * seen.radius_mm) & (away < outside)
    if (
        fixed[near[inside]].any()
        or rim.sum() < 24
        or (relief.normal[near[inside | rim]] @ seen.normal).min() < OVERHANG
    ):
        return None
    level = laid_through(
        flat[rim] / seen.radius_mm, high[rim], flat[inside] / seen.radius_mm, relief.grain_mm
    )
    share = np.clip((OUTER - away[inside] / seen.radius_mm) / (OUTER - INNER), 0.0, 1.0)
    share = share * share * (3.0 - 2.0 * share)
    lift = share * (level - high[inside])
    moved = share > 0
    ids = near[inside][moved]
    return Patch(ids, vertices[ids] + lift[moved, None] * seen.normal)


def laid_through(rim: Floats, high: Floats, inside: Floats, grain_mm: float) -> Floats:
    """Heights (k,) at points (k,2) of a smooth surface through heights (r,) at rim points (r,2).

    A cubic takes the general shape of the rim; what it leaves is followed by a thin plate that passes the
    rim as near as its grain allows (G. Wahba, "Spline models for observational data", 1990).
    """
    from scipy.interpolate import RBFInterpolator

    terms = cubic(rim)
    solution = np.linalg.lstsq(terms, high, rcond=None)[0]
    level = cubic(inside) @ solution
    left = high - terms @ solution
    chosen = np.linspace(0, len(rim) - 1, min(len(rim), MOST_RIM)).astype(np.int64)
    left_mm = float(np.sqrt(np.square(left).mean()))
    if left_mm <= 1e-9:
        return np.asarray(level)
    weight = STIFF * grain_mm**2 / max(left_mm**2 - grain_mm**2, 0.05 * left_mm**2)
    plate = RBFInterpolator(rim[chosen], left[chosen], kernel="thin_plate_spline", smoothing=weight, degree=1)
    return np.asarray(level + plate(inside))


def spoiled_faces(vertices: Floats, faces: Ints, only: Mask) -> Mask:
    """(m,) faces of `only` (m,) that cross another one, lie folded on a neighbour or have no area."""
    bad = crossing_faces(vertices, faces, only)
    some = np.flatnonzero(only)
    part = faces[some]
    vectors = area_vectors(vertices, part)
    area = np.linalg.norm(vectors, axis=1)
    span = float(np.ptp(vertices, axis=0).max())
    bad[some[area <= 1e-12 * span * span]] = True
    unit = vectors / np.where(area > 0, area, 1.0)[:, None]
    start, end = part.ravel().astype(np.int64), np.roll(part, -1, axis=1).ravel().astype(np.int64)
    key = np.minimum(start, end) * len(vertices) + np.maximum(start, end)
    order = np.argsort(key, kind="stable")
    same = np.flatnonzero(key[order][1:] == key[order][:-1])
    left, right = order[same] // 3, order[same + 1] // 3
    folded = np.einsum("ij,ij->i", unit[left], unit[right]) < FOLDED
    bad[some[left[folded]]] = True
    bad[some[right[folded]]] = True
    return np.asarray(bad)
