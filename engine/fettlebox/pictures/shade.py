"""From what the rays met to colours: three soft lights and darkened creases, like clay on a bench."""

from __future__ import annotations

import math

import numba
import numpy as np
from numpy.typing import NDArray

from ..mesh.part import Floats, Ints
from .rays import Seen, Singles

Image = NDArray[np.uint8]

PAPER = (250, 250, 247)
CLAY = (0.72, 0.72, 0.71)
INSIDE = (0.78, 0.33, 0.19)
"""Back faces: a rust that differs from the grey in hue and lightness, also to colour-blind eyes."""

LIGHTS = ((-0.45, 0.62, 0.64, 0.67), (0.80, 0.10, 0.59, 0.18), (0.55, 0.55, -0.63, 0.15))
"""Key, fill and rim: direction in view axes (right, up, towards the viewer) and power.

With the ambient light they add up to about 1, so that bright colours keep their hue."""

SKY, GROUND = 0.28, 0.12

GAMMA = 2.2
LEVELS = 4096
"""Steps of linear light in the table that encodes it: finer than 8 bits of output can tell apart."""

CREASE_WIDTHS = (0.012, 0.045)
"""Of the picture's longer side: fine folds, and the hollows between large forms."""

CREASE_STRENGTH = 0.30
CREASE_SLOPE = 3.0
"""Depth over distance at which a crease is as dark as it gets; gentler ones shade off to nothing."""


def paint(
    seen: Seen,
    rays_per_pixel: int,
    faces: Ints,
    colours: Image | None = None,
    *,
    contrast: float = 1.0,
) -> Image:
    """Pixels (h,w,3) uint8, each the mean of a block of rays, over paper.

    `colours` (n,3 or n,4) are those of the vertices that `faces` (m,3) names. `contrast` below 1 evens
    the light out, for pictures whose colours carry numbers.
    """
    decode = ((np.arange(256) / 255.0) ** GAMMA).astype(np.float32)
    encode = np.rint((np.arange(LEVELS + 1) / LEVELS) ** (1.0 / GAMMA) * 255.0).astype(np.uint8)
    lights = np.array(LIGHTS)
    lights[:, :3] /= np.linalg.norm(lights[:, :3], axis=1)[:, None]
    own = np.zeros((0, 3), np.uint8) if colours is None else np.ascontiguousarray(colours[:, :3])
    return np.asarray(
        _paint(
            seen.face, seen.weights[0], seen.weights[1], seen.normal, seen.axes,
            _creases(seen, rays_per_pixel), rays_per_pixel, lights, contrast,
            faces, own, np.array([CLAY, INSIDE]), decode, encode,
        )
    )  # fmt: skip


@numba.njit(cache=True)
def _light(normal: Singles, axes: Floats, lights: Floats) -> float:
    """How much light falls on a triangle, more than nothing; negative if its back is seen."""
    x, y, z = np.float64(normal[0]), np.float64(normal[1]), np.float64(normal[2])
    right = x * axes[0, 0] + y * axes[0, 1] + z * axes[0, 2]
    up = x * axes[1, 0] + y * axes[1, 1] + z * axes[1, 2]
    near = x * axes[2, 0] + y * axes[2, 1] + z * axes[2, 2]
    back = near < 0.0
    length = math.sqrt(right * right + up * up + near * near)
    if length > 0.0:
        scale = -1.0 / length if back else 1.0 / length
        right, up, near = right * scale, up * scale, near * scale
    light = GROUND + (SKY - GROUND) * (up * 0.5 + 0.5)
    for k in range(lights.shape[0]):
        facing = right * lights[k, 0] + up * lights[k, 1] + near * lights[k, 2]
        if facing > 0.0:
            light += lights[k, 3] * facing
    return float(-light if back else light)


@numba.njit(cache=True)
def _paint(
    face: Ints,
    second: Singles,
    third: Singles,
    normal: Singles,
    axes: Floats,
    crease: Singles,
    step: int,
    lights: Floats,
    contrast: float,
    faces: Ints,
    colours: Image,
    clay: Floats,
    decode: Singles,
    encode: Image,
) -> Image:
    empty_r, empty_g, empty_b = decode[PAPER[0]], decode[PAPER[1]], decode[PAPER[2]]
    rows, columns = face.shape[0] // step, face.shape[1] // step
    out = np.empty((rows, columns, 3), np.uint8)
    lit = np.zeros(len(normal))  # of triangles that were met; most have many rays, or none
    rays = step * step
    for row in range(rows):
        for column in range(columns):
            r, g, b = 0.0, 0.0, 0.0
            for i in range(row * step, (row + 1) * step):
                for j in range(column * step, (column + 1) * step):
                    hit = face[i, j]
                    if hit < 0:
                        r, g, b = r + empty_r, g + empty_g, b + empty_b
                        continue
                    if lit[hit] == 0.0:
                        lit[hit] = _light(normal[hit], axes, lights)
                    light = 1.0 + (abs(lit[hit]) * crease[row, column] - 1.0) * contrast
                    if lit[hit] < 0.0 or len(colours) == 0:
                        plain = clay[1] if lit[hit] < 0.0 else clay[0]
                        r, g, b = r + plain[0] * light, g + plain[1] * light, b + plain[2] * light
                        continue
                    v, w = np.float64(second[i, j]) * light, np.float64(third[i, j]) * light
                    u = light - v - w
                    one, two, three = colours[faces[hit, 0]], colours[faces[hit, 1]], colours[faces[hit, 2]]
                    r += u * decode[one[0]] + v * decode[two[0]] + w * decode[three[0]]
                    g += u * decode[one[1]] + v * decode[two[1]] + w * decode[three[1]]
                    b += u * decode[one[2]] + v * decode[two[2]] + w * decode[three[2]]
            out[row, column, 0] = encode[int(min(max(r / rays, 0.0), 1.0) * LEVELS + 0.5)]
            out[row, column, 1] = encode[int(min(max(g / rays, 0.0), 1.0) * LEVELS + 0.5)]
            out[row, column, 2] = encode[int(min(max(b / rays, 0.0), 1.0) * LEVELS + 0.5)]
    return out


def _creases(seen: Seen, step: int) -> Singles:
    """Factor (h,w) of each pixel, at most 1: less light where the surroundings stand nearer.

    Unsharp masking of depth: T. Luft, C. Colditz, O. Deussen, "Image enhancement by unsharp masking the
    depth buffer", SIGGRAPH 2006. Only the surface counts as surroundings, never the paper. Creases are
    soft, so one ray of each pixel is enough.
    """
    from scipy.ndimage import uniform_filter

    hit = seen.face[::step, ::step] >= 0
    deep = np.where(hit, seen.depth[::step, ::step], np.float32(0.0))
    factor = np.ones(hit.shape, np.float32)
    for width in CREASE_WIDTHS:
        radius = max(int(width * max(hit.shape)), 1)
        share, around = hit.astype(np.float32), deep
        for _ in range(2):
            share = uniform_filter(share, radius | 1, mode="constant")
            around = uniform_filter(around, radius | 1, mode="constant")
        sunk = (deep - around / np.maximum(share, 1e-3)) / (radius * seen.mm_per_ray * step * CREASE_SLOPE)
        factor *= 1.0 - CREASE_STRENGTH * np.clip(sunk, 0.0, 1.0)
    return factor
