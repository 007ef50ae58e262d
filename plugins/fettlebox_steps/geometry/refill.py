"""Laying a surface through the rim of a patch, in place of what rises or sinks inside."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .bump_measures import RIM_EDGES, Look, connected_ball, cubic, frame
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

WIDER = (1.0, 1.25, 1.5, 1.8)
"""Shares of the foot radius that patches are tried with: feet were found at six tenths of what they are."""

BROAD = 0.6
"""Width of the rim over the patch's radius: what is further away tells less of what belongs inside."""

LOUDER = 1.15
"""A rim may be this much louder than the quietest; beyond, it has run into a feature, or into the foot."""

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
    """The patch about a bump and the surface that belongs there: the widest whose rim is about as quiet as
    the quietest, for feet fade out slowly. None where it would reach a fixed vertex or the surface is no
    height over a plane even without the bump.

    spread: lay the vertices out anew as well; a spike may have carried them past one another sideways.
    """
    widest = _rim_end(OUTER * WIDER[-1] * seen.radius_mm, relief.edge_mm)
    room = widest + 1.5 * abs(seen.height_mm) + seen.radius_mm
    near = connected_ball(relief, vertices, seen.vertex, room, scratch)
    across = frame(seen.normal)
    offset = vertices[near] - seen.centre
    flat, high = offset @ across.T, offset @ seen.normal
    away = np.linalg.norm(flat, axis=1)
    upright = relief.normal[near] @ seen.normal > OVERHANG
    tried: list[tuple[float, float, Mask, Mask]] = []
    for wider in WIDER:
        radius = wider * seen.radius_mm
        inside = away < OUTER * radius
        rim = upright & (away >= INNER * radius) & (away < _rim_end(OUTER * radius, relief.edge_mm))
        if fixed[near[inside]].any() or not upright[inside].all() or rim.sum() < LEAST_RIM:
            break
        tried.append((_loudness(flat[rim] / radius, high[rim]), radius, inside, rim))
    if not tried:
        return None
    most_mm = max(LOUDER * min(loud_mm for loud_mm, *_ in tried), relief.grain_mm)
    _, radius, inside, rim = next(one for one in reversed(tried) if one[0] <= most_mm)
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


def _rim_end(radius: float, edge_mm: float) -> float:
    """How far the rim of a patch reaches."""
    return radius + max(BROAD * radius, RIM_EDGES * edge_mm)


def _loudness(rim: Floats, high: Floats) -> float:
    """Root mean square of heights (r,) at points (r,2) about a quartic, or a cubic where they are few."""
    terms = cubic(rim)
    x, y = rim.T
    quartic = np.column_stack([terms, x**4, x**3 * y, x * x * y * y, x * y**3, y**4])
    if len(rim) > 3 * quartic.shape[1]:
        terms = quartic
    left = high - terms @ np.linalg.lstsq(terms, high, rcond=None)[0]
    return float(np.sqrt(np.square(left).sum() / (len(rim) - terms.shape[1])))


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
