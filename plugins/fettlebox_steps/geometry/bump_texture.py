"""Which part of a surface is textured: where so much stands out as a bump would that none is certain."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from .bump_measures import Look
from .bump_scales import Relief

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

ABOUT = 2.0
"""Shares of the widest bump: as far about a place it is looked how much stands out."""

CELL = 0.375
"""Shares of the widest bump: neighbourhoods are added up of cubes this large, so that the time it takes goes
with the surface and not with how finely it is cut up."""

MUCH = 0.55
"""Share of the neighbourhood that stands out, up or down, from which on it is texture: domes side by side,
scales and locks reach 0.6 to 0.9; where flanks stay quiet beside a crease or a brow, it is 0.5 at most."""

ALL_OVER = 0.62
"""Share of the surface from which on the part as a whole is textured: 0.88 and more where shapes were clad
all over, 0.68 on one whose locks a filter had worn to a tenth of a millimetre; 0.54 and less on smooth
ones, with brow and beard."""

OWN = 1.5
"""Feet of finds, so much wider, are left out: a bump is not its own texture."""

LIKE_IT, OTHERS = 0.35, 6
"""A find is one of many if so many others within `ABOUT` answer with this share of what it answers with. What
was wrongly taken for a bump on shallow textures had eight to sixteen like it, bumps on smooth surfaces none
or one, up to four near ears and lips."""

BATCH = 8192


def textured(vertices: Floats, relief: Relief, finds: Sequence[Look], widest_mm: float) -> tuple[Mask, float]:
    """(n,) vertices whose neighbourhood is textured, and their share of the surface that was looked at.

    finds: what is all but certain to be a bump.
    """
    area = relief.area.copy()
    whole = float(area.sum())
    if finds:
        tree = cKDTree(vertices)
        for look in finds:
            area[tree.query_ball_point(look.centre, OWN * look.radius_mm + look.height_mm)] = 0.0
    cell = np.floor(vertices / (CELL * widest_mm)).astype(np.int64)
    _, number = np.unique(cell, axis=0, return_inverse=True)
    number = number.ravel()
    count = int(number.max()) + 1
    held, standing = np.bincount(number, area, count), np.bincount(number, area * relief.stands, count)
    size = np.maximum(np.bincount(number, minlength=count), 1)
    middle = np.stack([np.bincount(number, vertices[:, c], count) / size for c in range(3)], axis=1)
    tree = cKDTree(middle)
    busy = np.zeros(count, np.bool_)
    for at in range(0, count, BATCH):
        near = cKDTree(middle[at : at + BATCH]).sparse_distance_matrix(
            tree, ABOUT * widest_mm, output_type="ndarray"
        )
        rows = min(BATCH, count - at)
        about = np.bincount(near["i"], held[near["j"]], rows)
        busy[at : at + rows] = np.bincount(near["i"], standing[near["j"]], rows) > MUCH * about
    found = busy[number]
    return found, float(relief.area[found].sum()) / whole if whole > 0 else 0.0


def among_others(vertices: Floats, relief: Relief, finds: Sequence[Look], widest_mm: float) -> list[bool]:
    """Of each find, whether there are many like it about, however low they all are."""
    points, many = cKDTree(vertices), np.zeros(len(finds), np.bool_)
    for answer, peaks in relief.answers:
        if not len(peaks):
            continue
        tree = cKDTree(vertices[peaks])
        for k, look in enumerate(finds):
            foot = points.query_ball_point(look.centre, look.radius_mm)
            own = float(answer[foot].max(initial=0.0))
            near = peaks[tree.query_ball_point(look.centre, ABOUT * widest_mm)]
            away = np.linalg.norm(vertices[near] - look.centre, axis=1)
            others = near[away > OWN * look.radius_mm + look.height_mm]
            many[k] |= (answer[others] > LIKE_IT * own).sum() >= OTHERS
    return [bool(one) for one in many]
