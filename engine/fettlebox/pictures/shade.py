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
CREASE_WIDTHS = (0.010, 0.035)
CREASE_STRENGTH = 0.55


def shade(seen: Seen, colour: Singles | None = None, *, contrast: float = 1.0) -> Singles:
    """Linear light (h,w,3) of every ray that met the part; `colour` (h,w,3) is linear too.

    `contrast` below 1 evens the light out, for pictures whose colours carry numbers.
    """
    normal = seen.normal
    facing = np.where(normal[..., 2:] < 0.0, -normal, normal)
    light = GROUND + (SKY - GROUND) * (facing[..., 1] * 0.5 + 0.5)
    for direction, power in (KEY, FILL, RIM):
        unit = (direction / np.linalg.norm(direction)).astype(np.float32)
        light = light + power * np.maximum(facing @ unit, 0.0)
    light = light * _crease_light(seen)
    light = 1.0 + (light - 1.0) * contrast
    base = np.array(CLAY, np.float32) if colour is None else colour
    surface = np.broadcast_to(base, normal.shape)
    surface = np.where(normal[..., 2:] < 0.0, np.array(INSIDE, np.float32), surface)
    return np.asarray(surface * light[..., None], dtype=np.float32)


def develop(linear: Singles, seen: Seen, rays_per_pixel: int) -> Image:
    """Average blocks of rays into pixels, over paper, and encode: (h,w,3) uint8."""
    paper = (np.array(PAPER, np.float32) / 255.0) ** GAMMA
    full = np.where(seen.hit[..., None], linear, paper)
    rows, columns = (n // rays_per_pixel for n in seen.face.shape)
    blocks = full.reshape(rows, rays_per_pixel, columns, rays_per_pixel, 3)
    mean = np.clip(blocks.mean(axis=(1, 3), dtype=np.float32), 0.0, 1.0)
    return np.asarray(np.rint(mean ** (1.0 / GAMMA) * 255.0), dtype=np.uint8)


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
    span = float(known[hit].max() - known[hit].min()) or 1.0
    for width in CREASE_WIDTHS:
        window = 2 * int(width * max(hit.shape)) + 1
        share = uniform_filter(hit.astype(np.float32), window, mode="constant")
        around = uniform_filter(known, window, mode="constant") / np.maximum(share, 1e-3)
        sunk = np.clip((around - known) / (span * width * 2.0), 0.0, 1.0)
        factor *= 1.0 - CREASE_STRENGTH * sunk
    return factor
