"""Where to cut a solid that is too large into the fewest pieces, at the least conspicuous places.

Cuts are flat and square to an axis. The solid is first cut into layers, then each layer across and along as
far as it needs it. All sets of cuts at many places are compared, by the shortest path from one end to the
other: fewest pieces first, then the shortest seams, of which what looks to the front counts more.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .slicing import slice_layers

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

PLACES = 160
"""Places for a cut that are looked at along an axis."""

LEAST_SHARE = 0.2
"""No piece is thinner than this share of its room, or a third of an even share (our judgement)."""

THIN = 1.0
"""The seam of a piece thinner than half its room counts more, by up to half of this: a cut near the
end of something round has a short seam, and leaves a cap that is hard to hold (our judgement)."""

LEAST_OUTLINE = 0.04
"""A cut with an outline smaller than a square of this share of the solid's largest side only grazes
something there, such as a chin, and leaves a crumb: there are no such cuts if there are any others."""

FRONT = 1.0
"""A stretch of a seam that looks straight to the front, -Y, counts this much more; less as it turns away. So
does the seam of a cut across the depth, the more, the nearer it is to the front."""

LOOSE = 0.5
"""A cut that meets the solid in several places makes that much longer seams count for each further one: every
one of them is a joint of its own to glue."""


@dataclass(frozen=True, eq=False)
class Places:
    """Places along an axis where a solid may be cut.

    at_mm (k,)     where; the first and last are the ends of the solid
    seam_mm (k,)   length of the seam, with what counts as such
    allowed (k,)   whether a cut may be there
    """

    at_mm: Floats
    seam_mm: Floats
    allowed: NDArray[np.bool_]


def places_along(vertices: Floats, faces: Ints, axis: int, barred: tuple[float, float] | None) -> Places:
    """Seams of a closed surface at PLACES along an axis; none between the two places `barred`."""
    turned = np.ascontiguousarray(
        np.roll(vertices, 2 - axis, axis=1)
    )  # the axis comes last, handedness stays
    used = turned[np.unique(faces), 2]
    low, high = float(used.min()), float(used.max())
    inner = low + (high - low) * np.arange(1, PLACES) / PLACES
    layers = slice_layers(turned, faces, inner)
    lengths = np.zeros(len(layers.area_mm2))
    for q in range(len(lengths)):
        ring = layers.points[layers.outlines[q] : layers.outlines[q + 1]]
        along = ring - np.roll(ring, 1, axis=0)  # material lies to its left, so (dv, -du) looks out of it
        forward = {0: -along[:, 1], 1: np.zeros(1), 2: along[:, 0]}[axis]
        lengths[q] = np.linalg.norm(along, axis=1).sum() + FRONT * np.maximum(forward, 0.0).sum()
    which = np.repeat(np.arange(len(layers)), np.diff(layers.layers))
    seam = np.asarray(np.bincount(which, lengths, len(layers)), dtype=np.float64)
    many = np.bincount(which, layers.area_mm2 > 0, len(layers))
    seam *= 1.0 + LOOSE * np.maximum(many - 1, 0)
    if axis == 1:
        seam *= 1.0 + FRONT * (high - inner) / (high - low)
    allowed = many > 0
    least_mm2 = (LEAST_OUTLINE * float(np.ptp(turned[np.unique(faces)], axis=0).max())) ** 2
    crumbs = np.bincount(which, (layers.area_mm2 > 0) & (layers.area_mm2 < least_mm2), len(layers)) > 0
    if (allowed & ~crumbs).any():
        allowed &= ~crumbs
    if barred is not None:
        allowed &= (inner <= barred[0]) | (inner >= barred[1])
    return Places(
        np.concatenate([[low], inner, [high]]),
        np.concatenate([[0.0], seam, [0.0]]),
        np.concatenate([[True], allowed, [True]]),
    )


def fewest_cuts(
    places: Places, room_mm: float, sticks_out_mm: float, counts: Ints | None = None
) -> Floats | None:
    """Where to cut (c,), so that no piece is longer than `room_mm`; None if there is no way.

    A piece that has a neighbour further up the axis carries keys that stick out by `sticks_out_mm`. counts
    (k,k): how many pieces the stretch between two places will make, 0 where it cannot be used; else 1 each.
    """
    at = places.at_mm
    whole = at[-1] - at[0]
    if whole <= room_mm and (counts is None or counts[0, -1] > 0):
        return np.empty(0)
    even_mm = whole / np.ceil(whole / max(room_mm - sticks_out_mm, 1e-9))
    least_mm = min(LEAST_SHARE * room_mm, even_mm / 3)
    best: list[tuple[int, float, int] | None] = [None] * len(at)
    best[0] = (0, 0.0, -1)
    last = len(at) - 1
    for j in range(1, len(at)):
        if not places.allowed[j]:
            continue
        most_mm = room_mm if j == last else room_mm - sticks_out_mm
        for i in range(j - 1, -1, -1):
            length = at[j] - at[i]
            if length > most_mm + 1e-9:
                break
            before = best[i]
            made = 1 if counts is None else int(counts[i, j])
            if before is None or length < least_mm or made < 1:
                continue
            seam = float(places.seam_mm[j] if j < last else places.seam_mm[i])
            thin = THIN * max(0.5 - length / room_mm, 0.0)
            found = (before[0] + made, before[1] + seam * (thin + (j < last)), i)
            if best[j] is None or found < best[j]:  # type: ignore[operator]
                best[j] = found
    cuts = []
    step = best[last]
    while step is not None and step[2] > 0:
        cuts.append(at[step[2]])
        step = best[step[2]]
    return None if best[last] is None else np.array(cuts[::-1])


def layer_counts(
    vertices: Floats, faces: Ints, places: Places, room_mm: Floats, sticks_out_mm: float
) -> Ints:
    """(k,k) for each layer between two places along Z, into how many pieces its box must be cut.

    The room may lie either way on the bed, so the better of the two counts.
    """
    corners = vertices[faces]
    low, high = corners.min(axis=1), corners.max(axis=1)
    first = np.searchsorted(places.at_mm, low[:, 2], side="right") - 1
    last = np.searchsorted(places.at_mm, high[:, 2], side="left") - 1
    k = len(places.at_mm)
    boxes = np.full((k, 4), np.inf)  # least x, least y, and the greatest, negated, of each slab
    values = np.concatenate([low[:, :2], -high[:, :2]], axis=1)
    span = np.clip(last - first, 0, None)
    for further in range(int(span.max(initial=0)) + 1):  # a triangle may reach through several slabs
        reach = span >= further
        np.minimum.at(boxes, np.clip(first[reach] + further, 0, k - 1), values[reach])
    counts = np.zeros((k, k), dtype=np.int64)
    for i in range(k - 1):
        grown = np.minimum.accumulate(boxes[i : k - 1], axis=0)
        sides = -(grown[:, :2] + grown[:, 2:])
        counts[i, i + 1 :] = np.min(
            [_count(sides, room, sticks_out_mm) for room in (room_mm, room_mm[[1, 0]])], 0
        )
    return counts


def _count(sides: Floats, room_mm: Floats, sticks_out_mm: float) -> Ints:
    """Pieces (k,) for boxes (k,2): all but the last in a row carry keys."""
    beyond = np.maximum(sides - room_mm[:2] - 1e-9, 0.0)
    rows = 1 + np.ceil(beyond / (room_mm[:2] - sticks_out_mm))
    return np.asarray(rows.prod(axis=1), dtype=np.int64)
