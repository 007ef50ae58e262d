"""From what the rays met to colours: three soft lights and darkened creases, like clay on a bench."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .rays import Seen, Singles

Image = NDArray[np.uint8]

PAPER = (250, 250, 247)
CLAY = (0.60, 0.60, 0.59)
INSIDE = (0.66, 0.28, 0.16)
"""Back faces: a rust that differs from the grey in hue and lightness, also to colour-blind eyes."""

KEY = (np.array([-0.45, 0.62, 0.64]), 0.80)
FILL = (np.array([0.80, 0.10, 0.59]), 0.22)
RIM = (np.array([0.55, 0.55, -0.63]), 0.18)
SKY, GROUND = 0.34, 0.14

GAMMA = 2.2
CREASE_WIDTHS = (0.012, 0.045)
"""Of the picture's longer side: fine folds, and the hollows between large forms."""

CREASE_STRENGTH = 0.30
CREASE_SLOPE = 3.0
"""Depth over distance at which a crease is as dark as it gets; gentler ones shade off to nothing."""


def shade(seen: Seen, colour: Singles | None = None, *, contrast: float = 1.0) -> Singles:
    """Linear light (h,w,3) of every ray: the part where it was met, paper elsewhere.

    `colour` (h,w,3) is linear too. `contrast` below 1 evens the light out, for pictures whose colours
    carry numbers.
    """
    hit = seen.hit
    normal = seen.normal[hit]
    back = normal[:, 2] < 0.0
    facing = np.where(back[:, None], -normal, normal)
    light = GROUND + (SKY - GROUND) * (facing[:, 1] * 0.5 + 0.5)
    for direction, power in (KEY, FILL, RIM):
        unit = (direction / np.linalg.norm(direction)).astype(np.float32)
        light += power * np.maximum(facing @ unit, 0.0)
    light *= _crease_light(seen)[hit]
    light = 1.0 + (light - 1.0) * contrast
    surface = np.broadcast_to(np.array(CLAY, np.float32), normal.shape) if colour is None else colour[hit]
    surface = np.where(back[:, None], np.array(INSIDE, np.float32), surface)
    linear = np.empty(seen.normal.shape, np.float32)
    linear[...] = (np.array(PAPER, np.float32) / 255.0) ** GAMMA
    linear[hit] = surface * light[:, None]
    return linear


def develop(linear: Singles, rays_per_pixel: int) -> Image:
    """Average blocks of rays (h,w,3) into pixels and encode them as sRGB-like uint8."""
    step = rays_per_pixel
    total = sum(linear[i::step, j::step] for i in range(step) for j in range(step))
    mean = np.clip(np.asarray(total, np.float32) / np.float32(step * step), 0.0, 1.0)
    # A table, not a power for every pixel: 12 bits are more than 8 bits of output can tell apart.
    table = np.rint((np.arange(4097) / 4096.0) ** (1.0 / GAMMA) * 255.0).astype(np.uint8)
    return np.asarray(table[np.rint(mean * 4096.0).astype(np.int32)])


def corner_colours(seen: Seen, faces: NDArray[np.int32], colours: Image) -> Singles:
    """Linear colour (h,w,3) of every ray, blended from the colours (n,3+) of the triangle's corners."""
    face = np.maximum(seen.face, 0)
    blended = np.zeros((*face.shape, 3), np.float32)
    second, third = seen.weights[..., 0], seen.weights[..., 1]
    for corner, weight in enumerate((1.0 - second - third, second, third)):
        blended += weight[..., None] * colours[faces[face, corner], :3].astype(np.float32)
    return np.asarray(np.clip(blended / 255.0, 0.0, 1.0) ** GAMMA, dtype=np.float32)


def _crease_light(seen: Seen) -> Singles:
    """Factor (h,w) at most 1: less light where the surroundings stand nearer to the viewer.

    Unsharp masking of depth: T. Luft, C. Colditz, O. Deussen, "Image enhancement by unsharp masking the
    depth buffer", SIGGRAPH 2006. Only parts of the surface count as surroundings, never the paper.
    """
    from scipy.ndimage import uniform_filter

    hit = seen.hit
    factor = np.ones(hit.shape, np.float32)
    if not hit.any():
        return factor
    known = np.where(hit, seen.depth, 0.0).astype(np.float32)
    for width in CREASE_WIDTHS:
        radius = max(int(width * max(hit.shape)), 1)
        share, around = hit.astype(np.float32), known
        for _ in range(2):
            share = uniform_filter(share, radius | 1, mode="constant")
            around = uniform_filter(around, radius | 1, mode="constant")
        sunk = (around / np.maximum(share, 1e-3) - known) / (radius * seen.mm_per_ray * CREASE_SLOPE)
        factor *= 1.0 - CREASE_STRENGTH * np.clip(sunk, 0.0, 1.0)
    return factor
