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

WIDER = (1.0, 1.25, 1.5)
"""Shares of the foot radius that patches are tried with."""

LOUDER = 1.15
"""A wider rim may be this much louder than the narrowest; beyond, it has run into some feature."""

LEAST_RIM = 24
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
    vertices: Floats, relief: Relief, seen: Look, fixed: Mask, scratch: Longs, spread: bool = False
) -> Patch | None:
    """The patch about a bump and the surface that belongs there: the widest whose rim is as quiet as the
    bump's own, for feet fade out slowly. None where it would reach a fixed vertex or the surface is no
    height over a plane even without the bump.

    spread: lay the vertices out anew as well; a spike may have carried them past one another sideways.
    """
    widest = rim_radius(OUTER * WIDER[-1] * seen.radius_mm, relief.edge_mm)
    room = widest + 1.5 * abs(seen.height_mm) + seen.radius_mm
    near = connected_ball(relief, vertices, seen.vertex, room, scratch)
    across = frame(seen.normal)
    offset = vertices[near] - seen.centre
    flat, high = offset @ across.T, offset @ seen.normal
    away = np.linalg.norm(flat, axis=1)
    upright = relief.normal[near] @ seen.normal > OVERHANG
    chosen: tuple[float, Mask, Mask] | None = None
    quiet_mm = 0.0
    for wider in WIDER:
        radius = wider * seen.radius_mm
        inside = away < OUTER * radius
        rim = upright & (away >= INNER * radius) & (away < rim_radius(OUTER * radius, relief.edge_mm))
        if fixed[near[inside]].any() or not upright[inside].all() or rim.sum() < LEAST_RIM:
            break
        terms = cubic(flat[rim] / radius)
        left = high[rim] - terms @ np.linalg.lstsq(terms, high[rim], rcond=None)[0]
        rim_mm = float(np.sqrt(np.square(left).mean()))
        if chosen is not None and rim_mm > max(LOUDER * quiet_mm, relief.grain_mm):
            break
        quiet_mm = rim_mm if chosen is None else min(quiet_mm, rim_mm)
        chosen = radius, inside, rim
    if chosen is None:
        return None
    radius, inside, rim = chosen
    before = flat
    if spread:
        flat = _laid_out(flat, near, inside & (away < INNER * radius), relief)
    level = laid_through(flat[rim] / radius, high[rim], flat[inside] / radius, relief.grain_mm)
    share = np.clip((OUTER - away[inside] / radius) / (OUTER - INNER), 0.0, 1.0)
    share = share * share * (3.0 - 2.0 * share)
    moved = share > 0
    ids = near[inside][moved]
    lift = (share * (level - high[inside]))[moved]
    aside = (flat - before)[inside][moved] @ across
    return Patch(ids, vertices[ids] + lift[:, None] * seen.normal + aside)


def _laid_out(flat: Floats, near: Longs, free: Mask, relief: Relief) -> Floats:
    """Points (k,2) with each free one in the middle of its neighbours: no triangle then lies over another
    (W. Tutte, "How to draw a graph", 1963; strictly for a convex rim, and the rim here is nearly round).
    """
    from scipy.sparse import coo_array
    from scipy.sparse.linalg import spsolve

    if not free.any():
        return flat
    own = np.flatnonzero(free)
    ids = near[own]
    counts = relief.start[ids + 1] - relief.start[ids]
    row = np.repeat(np.arange(len(own)), counts)
    neighbour = np.concatenate([relief.other[relief.start[i] : relief.start[i + 1]] for i in ids])
    at = np.searchsorted(near, neighbour)
    number = np.full(len(near), -1)
    number[own] = np.arange(len(own))
    inner = number[at] >= 0
    links = coo_array((np.ones(int(inner.sum())), (row[inner], number[at[inner]])), shape=(len(own),) * 2)
    matrix = coo_array((counts.astype(float), (np.arange(len(own)),) * 2), shape=(len(own),) * 2) - links
    right = np.stack(
        [np.bincount(row[~inner], flat[at[~inner], axis], len(own)) for axis in range(2)], axis=1
    )
    result = flat.copy()
    result[own] = spsolve(matrix.tocsc(), right).reshape(-1, 2)
    return result


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
