"""Textures that shapes for `knockdown` are clad in: hair, wool, leather, bark, scales and others.

Each takes points (n,3) on a shape of about 55 mm, a pitch in mm and a seeded generator, and gives the height
(n,) of the texture there, 0 to 1 unless it says otherwise.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def _keeping_distance(points: Floats, pitch: float) -> Floats:
    """Those of points (n,3), taken in their order, that lie no nearer than `pitch` to one taken before."""
    from scipy.spatial import cKDTree

    tree, kept = cKDTree(points), np.ones(len(points), np.bool_)
    for k in range(len(points)):
        if kept[k]:
            near = np.array(tree.query_ball_point(points[k], pitch))
            kept[near[near > k]] = False
    return np.asarray(points[kept])


def _locks(p: Floats, pitch: float, rng: np.random.Generator) -> Floats:
    """Strands that sway as they run down, and differ in height along their way."""
    turn, sway = np.arctan2(p[:, 1], p[:, 0]), rng.uniform(0, 6, 2)
    across = 55 * turn + 5 * np.sin(p[:, 2] / 14 + sway[0]) + 3 * np.sin(p[:, 2] / 6 + 3 * turn + sway[1])
    strand = np.abs(np.cos(np.pi * across / pitch))
    return np.asarray(strand * (0.7 + 0.3 * np.cos(p[:, 2] / pitch + 5 * turn)))


def _stitches(p: Floats, pitch: float, rng: np.random.Generator) -> Floats:
    """Columns of V's, as stocking stitch has them."""
    column = 55 * np.arctan2(p[:, 1], p[:, 0]) / pitch
    lean = np.abs(column - np.floor(column) - 0.5)
    return np.asarray(
        np.abs(np.sin(2 * np.pi * column)) ** 0.5 * np.abs(np.sin(np.pi * (p[:, 2] / (0.8 * pitch) + lean)))
    )


def _pebbles(p: Floats, pitch: float, rng: np.random.Generator) -> Floats:
    """Domes about points that keep their distance, as on some leathers and lizards."""
    from scipy.spatial import cKDTree

    middles = _keeping_distance(p[rng.permutation(len(p))], pitch)
    away = cKDTree(middles).query(p)[0] / (0.75 * pitch)
    return np.asarray(np.sqrt(np.maximum(1 - away**2, 0)))


def _rough(p: Floats, pitch: float, rng: np.random.Generator) -> Floats:
    """Waves of one to two pitches in all directions, as on hewn stone or bark; mean square 1."""
    waves = np.zeros(len(p))
    for way in rng.normal(size=(40, 3)):
        length = pitch * rng.uniform(1, 2)
        waves += np.cos(2 * np.pi / length * (p @ way) / np.linalg.norm(way) + rng.uniform(0, 6))
    return np.asarray(waves / np.sqrt(20))


def _scales(p: Floats, pitch: float, rng: np.random.Generator) -> Floats:
    """Rows of round plates that lie over those below, every other row half a plate further."""
    row = p[:, 2] / (0.7 * pitch)
    best = np.zeros(len(p))
    for up in (0, 1):
        number = np.floor(row) + up
        count = np.maximum(np.round(2 * np.pi * 55 / pitch), 1)
        turn = np.arctan2(p[:, 1], p[:, 0]) * count / (2 * np.pi) + 0.5 * (number % 2)
        across = turn - np.floor(turn) - 0.5
        down = number - row
        inside = np.square(2.1 * across) + np.square(np.maximum(down - 0.5, 0) / 0.75) < 1
        best = np.maximum(best, np.where(inside & (down > -0.2), 0.4 + 0.6 * np.clip(down / 1.2, 0, 1), 0))
    return np.asarray(best)


def _woven(p: Floats, pitch: float, rng: np.random.Generator) -> Floats:
    """Two sets of threads that cross, each over and under the other by turns."""
    x, y = 55 * np.arctan2(p[:, 1], p[:, 0]) / pitch, p[:, 2] / pitch
    over = np.where((np.floor(x) + np.floor(y)) % 2 == 0, 1.0, 0.0)
    warp, weft = np.abs(np.sin(np.pi * x)), np.abs(np.sin(np.pi * y))
    return np.asarray(over * warp**0.7 * weft + (1 - over) * weft**0.7 * warp * 0.8)


def _curls(p: Floats, pitch: float, rng: np.random.Generator) -> Floats:
    """Small spirals about points that keep their distance."""
    from scipy.spatial import cKDTree

    unit = rng.normal(size=(4000, 3))
    middles = _keeping_distance(55 * unit / np.linalg.norm(unit, axis=1)[:, None], pitch)
    ball = 55 * p / np.linalg.norm(p, axis=1)[:, None]
    away, which = cKDTree(middles).query(ball)
    normal = middles[which] / 55
    east = np.cross([0.0, 0.0, 1.0], normal) + 1e-9
    east /= np.linalg.norm(east, axis=1)[:, None]
    offset = ball - middles[which]
    north = np.cross(normal, east)
    turn = np.arctan2(np.einsum("ij,ij->i", offset, north), np.einsum("ij,ij->i", offset, east))
    return np.asarray(0.5 + 0.5 * np.cos(turn + 2 * np.pi * away / (0.55 * pitch)))


def _stubble(p: Floats, pitch: float, rng: np.random.Generator) -> Floats:
    """Short pointed hairs, two in every square of the pitch, of unlike height."""
    from scipy.spatial import cKDTree

    area = 4 * np.pi * 55**2
    roots = p[rng.choice(len(p), min(len(p), int(2 * area / pitch**2)), replace=False)]
    tall = rng.uniform(0.4, 1.0, len(roots))
    away, which = cKDTree(roots).query(p)
    return np.asarray(tall[which] * np.exp(-np.square(away / (0.28 * pitch))))


def _bark(p: Floats, pitch: float, rng: np.random.Generator) -> Floats:
    """Upright ridges that wander and break off."""
    x = 55 * np.arctan2(p[:, 1], p[:, 0])
    sway = rng.uniform(0, 6, 4)
    bent = x + 2.5 * np.sin(p[:, 2] / 9 + sway[0]) + 1.5 * np.sin(p[:, 2] / 4 + x / 15 + sway[1])
    ridge = np.abs(np.sin(np.pi * bent / pitch)) ** 0.6
    breaks = 0.5 + 0.5 * np.cos(2 * np.pi * p[:, 2] / (2.7 * pitch) + 3 * np.sin(x / 11 + sway[2]))
    return np.asarray(ridge * (0.45 + 0.55 * breaks**0.5))


def _ribs(p: Floats, pitch: float, rng: np.random.Generator) -> Floats:
    """Knitted ribs: two columns of loops up, two down."""
    column = 55 * np.arctan2(p[:, 1], p[:, 0]) / pitch
    loop = np.abs(np.sin(np.pi * (p[:, 2] / (0.75 * pitch) + 0.3 * np.sin(2 * np.pi * column))))
    up = 0.5 + 0.5 * np.tanh(3 * np.sin(np.pi * column / 2))
    return np.asarray(up * (0.6 + 0.4 * np.abs(np.sin(np.pi * column)) * loop) + 0.25 * (1 - up) * loop)


TEXTURES: dict[str, Callable[[Floats, float, np.random.Generator], Floats]] = {
    "locks": _locks,
    "stitches": _stitches,
    "pebbles": _pebbles,
    "rough": _rough,
    "scales": _scales,
    "woven": _woven,
    "curls": _curls,
    "stubble": _stubble,
    "bark": _bark,
    "ribs": _ribs,
}
