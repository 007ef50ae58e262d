"""From what the rays met to colours: three soft lights and darkened creases, like clay on a bench."""

from __future__ import annotations

import math
from functools import cache

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
    colours: Image | None = None,
    *,
    of_faces: bool = False,
    contrast: float = 1.0,
) -> Image:
    """Pixels (h,w,3) uint8, each the mean of a block of rays, over paper.

    `colours` (k,3 or k,4) are those of the vertices, or `of_faces`. `contrast` below 1 evens the light out,
    for pictures whose colours carry numbers.
    """
    if rays_per_pixel not in seen.creases:
        seen.creases[rays_per_pixel] = _creases(seen, rays_per_pixel)
    own = np.zeros((0, 3), np.uint8) if colours is None else np.ascontiguousarray(colours[:, :3])
    none = np.zeros((0, 0), np.float32)
    second, third = (none, none) if colours is None or of_faces else seen.weights
    return np.asarray(
        _paint(
            seen.face, second, third, seen.corners, seen.faces, seen.axes, seen.light,
            seen.creases[rays_per_pixel], rays_per_pixel, _lights(), contrast, own, of_faces,
            np.array([CLAY, INSIDE]), *_coding(),
        )
    )  # fmt: skip


@cache
def _coding() -> tuple[Singles, Image]:
    """From bytes to linear light (256,), and from that, in LEVELS steps, back to bytes."""
    decode = ((np.arange(256) / 255.0) ** GAMMA).astype(np.float32)
    encode = np.rint((np.arange(LEVELS + 1) / LEVELS) ** (1.0 / GAMMA) * 255.0).astype(np.uint8)
    return decode, encode


@cache
def _lights() -> Floats:
    lights = np.array(LIGHTS)
    lights[:, :3] /= np.linalg.norm(lights[:, :3], axis=1)[:, None]
    return lights


@numba.njit(cache=True)
def _light(a: Floats, b: Floats, c: Floats, axes: Floats, lights: Floats) -> float:
    """How much light falls on a triangle, more than nothing; negative if its back is seen."""
    ux, uy, uz, vx, vy, vz = b[0] - a[0], b[1] - a[1], b[2] - a[2], c[0] - a[0], c[1] - a[1], c[2] - a[2]
    x, y, z = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
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


@numba.njit(cache=True, nogil=True)
def _paint(
    face: Ints,
    second: Singles,
    third: Singles,
    corners: Floats,
    faces: Ints,
    axes: Floats,
    lit: Floats,
    crease: Singles,
    step: int,
    lights: Floats,
    contrast: float,
    colours: Image,
    of_faces: bool,
    clay: Floats,
    decode: Singles,
    encode: Image,
) -> Image:
    """`lit` (m,) is filled for triangles that were met: most have many rays, or none."""
    empty_r, empty_g, empty_b = decode[PAPER[0]], decode[PAPER[1]], decode[PAPER[2]]
    rows, columns = face.shape[0] // step, face.shape[1] // step
    out = np.empty((rows, columns, 3), np.uint8)
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
                    one, two, three = faces[hit, 0], faces[hit, 1], faces[hit, 2]
                    if lit[hit] == 0.0:
                        lit[hit] = _light(corners[one], corners[two], corners[three], axes, lights)
                    light = 1.0 + (abs(lit[hit]) * crease[row, column] - 1.0) * contrast
                    if lit[hit] < 0.0 or len(colours) == 0:
                        k = 1 if lit[hit] < 0.0 else 0
                        r, g, b = r + clay[k, 0] * light, g + clay[k, 1] * light, b + clay[k, 2] * light
                        continue
                    if of_faces:
                        r += light * decode[colours[hit, 0]]
                        g += light * decode[colours[hit, 1]]
                        b += light * decode[colours[hit, 2]]
                        continue
                    v, w = np.float64(second[i, j]) * light, np.float64(third[i, j]) * light
                    u = light - v - w
                    r += (
                        u * decode[colours[one, 0]]
                        + v * decode[colours[two, 0]]
                        + w * decode[colours[three, 0]]
                    )
                    g += (
                        u * decode[colours[one, 1]]
                        + v * decode[colours[two, 1]]
                        + w * decode[colours[three, 1]]
                    )
                    b += (
                        u * decode[colours[one, 2]]
                        + v * decode[colours[two, 2]]
                        + w * decode[colours[three, 2]]
                    )
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
    hit = seen.face[::step, ::step] >= 0
    deep = np.where(hit, seen.depth[::step, ::step], np.float32(0.0))
    factor = np.ones(hit.shape, np.float32)
    for width in CREASE_WIDTHS:
        radius = max(int(width * max(hit.shape)), 1)
        slope = radius * seen.mm_per_ray * step * CREASE_SLOPE
        share, around = _blurred(hit.astype(np.float32), radius | 1), _blurred(deep, radius | 1)
        _darken(factor, deep, around, share, slope)
    return factor


@numba.njit(cache=True, nogil=True)
def _darken(factor: Singles, deep: Singles, around: Singles, share: Singles, slope: float) -> None:
    for row in range(factor.shape[0]):
        for column in range(factor.shape[1]):
            here = around[row, column] / max(share[row, column], np.float32(1e-3))
            sunk = (deep[row, column] - here) / slope
            factor[row, column] *= 1.0 - CREASE_STRENGTH * min(max(sunk, 0.0), 1.0)


@numba.njit(cache=True, nogil=True)
def _blurred(image: Singles, size: int) -> Singles:
    """The mean of `size` × `size` (odd) around each pixel, of the means of the same; nothing lies outside.

    Each row and column by a sum that moves on, so that the size costs nothing.
    """
    rows, columns = image.shape
    half, per = size // 2, 1.0 / size
    out = image.copy()
    down = np.empty(columns)
    line = np.zeros(columns + size)  # with a margin on both sides, one wider on the left: a place to begin
    for _ in range(2):
        before = out.copy()
        down[:] = 0.0
        for row in range(min(half, rows)):
            for column in range(columns):
                down[column] += before[row, column]
        for row in range(rows):
            if row + half < rows:
                for column in range(columns):
                    down[column] += before[row + half, column]
            if row > half:
                for column in range(columns):
                    down[column] -= before[row - half - 1, column]
            for column in range(columns):
                line[half + 1 + column] = np.float32(down[column] * per)
            along = 0.0
            for column in range(size):
                along += line[column]
            for column in range(columns):
                along += line[column + size] - line[column]
                out[row, column] = along * per
    return out
