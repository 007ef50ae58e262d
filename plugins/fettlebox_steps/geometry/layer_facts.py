"""What the layers of a part tell: how long their outlines are, where they turn, what starts in mid-air."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit, prange
from numpy.typing import ArrayLike, NDArray

from .slicing import Layers

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

SHARPEST_DEG = 150.0
"""Turns beyond this are grain or a hair; to move an outline in by their mitre would run far off."""

CORNER_DEG = 30.0
"""A turn sharper than this stops the nozzle; gentler ones are taken at speed. Our judgement: outlines are
followed in steps of half a line, which turn by less than this on circles wider than two lines."""


@dataclass(frozen=True, eq=False)
class Outlines:
    """Of every outline (q,): length_mm; how many corners it has; and how much shorter it gets for every
    millimetre that it is moved into the material (a hole gets longer): twice the sum of tan(turn/2) over
    its turns, which is 8 for a square and 2π for a circle.
    """

    length_mm: Floats
    inset_rate: Floats
    corners: Ints


@dataclass(frozen=True, eq=False)
class Islands:
    """Pieces of a layer with nothing under them: layer (k,) and area (k,) mm2, from the bed upwards."""

    layer: Ints
    area_mm2: Floats


def outline_facts(layers: Layers, step_mm: float) -> Outlines:
    """Measure every outline as it is followed in steps of `step_mm`."""
    count = len(layers.outlines) - 1
    length, inset, corners = np.zeros(count), np.zeros(count), np.zeros(count, np.int64)
    if count:
        straight = np.cos(np.radians(CORNER_DEG))
        _follow(layers.points, layers.outlines, step_mm, straight, length, inset, corners)
    return Outlines(length, inset, corners)


def layer_diagonals(layers: Layers) -> Floats:
    """(k,) mm across the box of each layer; 0 for one with nothing in it."""
    found = np.zeros(len(layers))
    begins = layers.outlines[layers.layers[:-1]]
    some = layers.layers[1:] > layers.layers[:-1]
    if some.any():
        low = np.minimum.reduceat(layers.points, begins[some])
        high = np.maximum.reduceat(layers.points, begins[some])
        found[some] = np.linalg.norm(high - low, axis=1)
    return found


def sum_by_layer(layers: Layers, values: ArrayLike) -> Floats:
    """(k,) sums over the outlines of each layer of values (q,)."""
    which = np.repeat(np.arange(len(layers)), np.diff(layers.layers))
    return np.asarray(np.bincount(which, np.asarray(values, np.float64), len(layers)), np.float64)


def islands(layers: Layers) -> Islands:
    """Pieces above the first layer that no material of the layer below touches, not even from inside."""
    floating = np.zeros(len(layers.area_mm2), np.bool_)
    if len(floating):
        boxes = _boxes(layers.points, layers.outlines)
        _find_floating(layers.points, layers.outlines, layers.layers, layers.area_mm2, boxes, floating)
    at = np.flatnonzero(floating)
    which = np.repeat(np.arange(len(layers)), np.diff(layers.layers))
    return Islands(which[at], layers.area_mm2[at])


@njit(cache=True)
def area_by_gap(z, faces, area, heights):
    """(k+1,) of the area (m,) of faces, as much as lies between each two of the rising heights (k,), and
    beyond the ends; z (n,) of the vertices. What lies in a height counts to the gap below it.
    """
    passed = np.zeros(len(heights) + 1)
    for f in range(len(faces)):
        if area[f] <= 0.0:
            continue
        p, q, r = z[faces[f, 0]], z[faces[f, 1]], z[faces[f, 2]]
        low, high = min(p, q, r), max(p, q, r)
        middle = p + q + r - low - high
        first = np.searchsorted(heights, low)
        last = np.searchsorted(heights, high)
        before = 0.0
        for j in range(first, last):
            h = heights[j]
            if h < middle:
                share = (h - low) ** 2 / ((middle - low) * (high - low))
            else:
                share = 1.0 - (high - h) ** 2 / max((high - middle) * (high - low), 1e-300)
            passed[j] += area[f] * (share - before)
            before = share
        passed[last] += area[f] * (1.0 - before)
    return passed


@njit(cache=True)
def _apart(a, b):
    return np.hypot(a[0] - b[0], a[1] - b[1])


@njit(cache=True)
def _follow(points, outlines, step, straight, length, inset, corners):
    """Points nearer than a step to the last one kept are passed over: grain is not followed, nor printed."""
    sharpest = np.radians(SHARPEST_DEG)
    kept = np.empty((len(points), 2))
    for q in range(len(outlines) - 1):
        count = 0
        for p in range(outlines[q], outlines[q + 1]):
            if count > 0:
                dx, dy = points[p, 0] - kept[count - 1, 0], points[p, 1] - kept[count - 1, 1]
                if dx * dx + dy * dy < step * step:
                    continue
            kept[count] = points[p]
            count += 1
        while count > 1 and _apart(kept[count - 1], kept[0]) < step:
            count -= 1
        if count < 3:
            for p in range(outlines[q], outlines[q + 1]):
                after = p + 1 if p + 1 < outlines[q + 1] else outlines[q]
                length[q] += _apart(points[after], points[p])
            corners[q] = 1
            continue
        for p in range(count):
            ax, ay = (
                kept[p, 0] - kept[p - 1 if p else count - 1, 0],
                kept[p, 1] - kept[p - 1 if p else count - 1, 1],
            )
            after = p + 1 if p + 1 < count else 0
            bx, by = kept[after, 0] - kept[p, 0], kept[after, 1] - kept[p, 1]
            far = np.hypot(bx, by)
            length[q] += far
            along = ax * bx + ay * by
            if along < straight * np.hypot(ax, ay) * far:
                corners[q] += 1
            turn = np.arctan2(ax * by - ay * bx, along)
            inset[q] += 2.0 * np.tan(min(max(turn, -sharpest), sharpest) / 2.0)


@njit(cache=True)
def _boxes(points, outlines):
    boxes = np.empty((len(outlines) - 1, 4))
    for q in range(len(boxes)):
        low_x, low_y, high_x, high_y = np.inf, np.inf, -np.inf, -np.inf
        for p in range(outlines[q], outlines[q + 1]):
            low_x, high_x = min(low_x, points[p, 0]), max(high_x, points[p, 0])
            low_y, high_y = min(low_y, points[p, 1]), max(high_y, points[p, 1])
        boxes[q, 0], boxes[q, 1], boxes[q, 2], boxes[q, 3] = low_x, low_y, high_x, high_y
    return boxes


@njit(cache=True)
def _turns(points, first, last, x, y):
    """How often an outline winds round a place (D. Sunday, "Inclusion of a point in a polygon", 2001)."""
    turns = 0
    px, py = points[last - 1, 0], points[last - 1, 1]
    for p in range(first, last):
        qx, qy = points[p, 0], points[p, 1]
        side = (qx - px) * (y - py) - (x - px) * (qy - py)
        if py <= y < qy and side > 0:
            turns += 1
        elif qy <= y < py and side < 0:
            turns -= 1
        px, py = qx, qy
    return turns


@njit(cache=True)
def _owner(points, outlines, areas, boxes, first, last, x, y):
    """The outermost-to-innermost piece of a layer that a place lies in the material of, or -1."""
    turns = 0
    owner = -1
    for q in range(first, last):
        if not (boxes[q, 0] <= x <= boxes[q, 2] and boxes[q, 1] <= y <= boxes[q, 3]):
            continue
        here = _turns(points, outlines[q], outlines[q + 1], x, y)
        turns += here
        if here > 0 and areas[q] > 0 and (owner < 0 or areas[q] < areas[owner]):
            owner = q
    return owner if turns > 0 else -1


@njit(cache=True)
def _cross(points, a, b, c, d):
    """Whether two outlines' points a..b and c..d have crossing sides."""
    for i in range(a, b):
        j = i + 1 if i + 1 < b else a
        px, py, qx, qy = points[i, 0], points[i, 1], points[j, 0], points[j, 1]
        for k in range(c, d):
            m = k + 1 if k + 1 < d else c
            rx, ry, sx, sy = points[k, 0], points[k, 1], points[m, 0], points[m, 1]
            if max(px, qx) < min(rx, sx) or max(rx, sx) < min(px, qx):
                continue
            one = (qx - px) * (ry - py) - (qy - py) * (rx - px)
            two = (qx - px) * (sy - py) - (qy - py) * (sx - px)
            three = (sx - rx) * (py - ry) - (sy - ry) * (px - rx)
            four = (sx - rx) * (qy - ry) - (sy - ry) * (qx - rx)
            if (one > 0) != (two > 0) and (three > 0) != (four > 0):
                return True
    return False


@njit(parallel=True, cache=True)
def _find_floating(points, outlines, layers, areas, boxes, floating):
    for k in prange(1, len(layers) - 1):
        below, here, end = layers[k - 1], layers[k], layers[k + 1]
        for q in range(here, end):
            if areas[q] > 0:
                floating[q] = not _rests(points, outlines, areas, boxes, below, here, end, q)


@njit(cache=True)
def _rests(points, outlines, areas, boxes, below, here, end, q):
    """Whether the piece inside outline q has material of the layer below under it: a corner of its own over
    material, a corner from below under it, or sides that cross.

    The first corners are asked first, for they settle nearly all: pieces grow and shrink little by layer.
    """
    p = outlines[q]
    if _owner(points, outlines, areas, boxes, below, here, points[p, 0], points[p, 1]) >= 0:
        return True
    for r in range(below, here):
        p = outlines[r]
        if _owner(points, outlines, areas, boxes, here, end, points[p, 0], points[p, 1]) == q:
            return True
    for p in range(outlines[q], outlines[q + 1]):
        if _owner(points, outlines, areas, boxes, below, here, points[p, 0], points[p, 1]) >= 0:
            return True
    for r in range(below, here):
        apart = boxes[r, 0] > boxes[q, 2] or boxes[q, 0] > boxes[r, 2]
        if apart or boxes[r, 1] > boxes[q, 3] or boxes[q, 1] > boxes[r, 3]:
            continue
        for p in range(outlines[r], outlines[r + 1]):
            if _owner(points, outlines, areas, boxes, here, end, points[p, 0], points[p, 1]) == q:
                return True
        if _cross(points, outlines[q], outlines[q + 1], outlines[r], outlines[r + 1]):
            return True
    return False
