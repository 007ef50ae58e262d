"""What standing on a cut would cost: support and solid volume for many planes at once.

Per direction the mesh is run through with parallel lines, one a cell. The crossings of a line, sorted,
tell where it is inside the material and where the underside above it needs support. Both are
piecewise linear in the height of the cut, so one pass adds up suffix sums for all heights.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

from .measures import area_vectors, volume_and_centroid

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]

OVERHANG_COSINE = float(np.cos(np.radians(45.0)))
"""An underside flatter than 45 degrees needs support (common practice, no published source)."""

SIDES = 16
"""Directions in which the base's outline is measured: its convex hull, to 2 % of its width."""

SHIFT = (0.137, 0.291)
"""The lines stand off the grid's corner by odd fractions, so that they miss the edges of regular meshes."""


@dataclass(frozen=True)
class Columns:
    """For n directions and k heights each (mm along the direction), arrays (n,k) of what stays above.

    support_mm3, volume_mm3; base_mm2 of the cut face; inside_mm: how far the centre of mass is inside
    the convex hull of the cut face, negative outside; centre_mm: how high it is above the cut. taken: share
    of a scan's seen surface that goes, and before (n,1): what of that other cuts take. Columns do not tell
    either: 0 until somebody sets them.
    """

    height_mm: Floats
    support_mm3: Floats
    volume_mm3: Floats
    base_mm2: Floats
    inside_mm: Floats
    centre_mm: Floats
    taken: Floats
    before: Floats


def unit_normals(vertices: Floats, faces: Ints) -> Floats:
    """(m,3) unit normals; zero for a face without area."""
    vectors = area_vectors(vertices, faces)
    length = np.linalg.norm(vectors, axis=1)
    return np.asarray(vectors / np.where(length > 0, length, 1.0)[:, None])


@dataclass(frozen=True, eq=False)
class Solid:
    """A closed surface (n,3), (m,3) with what every look at it needs: normals (m,3), and its exact volume."""

    vertices: Floats
    faces: Ints
    normals: Floats
    volume_mm3: float

    @staticmethod
    def of(vertices: Floats, faces: Ints) -> Solid:
        volume_mm3, _ = volume_and_centroid(vertices, faces)
        return Solid(
            np.ascontiguousarray(vertices),
            np.ascontiguousarray(faces),
            unit_normals(vertices, faces),
            volume_mm3,
        )


def evaluate(solid: Solid, up: Floats, height_mm: Floats, cell_mm: float) -> Columns:
    """Measure cuts at `height_mm` (n, k >= 2), evenly spaced and rising, along unit directions `up` (n,3).

    The error falls with the cell: use half a millimetre for a number to state. Volumes are right as a whole:
    what the columns of a narrow part miss or add is shared out.
    """
    up = np.ascontiguousarray(up, dtype=np.float64)
    out = np.zeros((len(up), 5, height_mm.shape[1]))
    _all(
        solid.vertices, solid.faces, solid.normals, up, np.ascontiguousarray(height_mm), float(cell_mm),
        solid.volume_mm3, out,
    )  # fmt: skip
    support, volume, base, inside, centre = (out[:, k] for k in range(5))
    nothing = np.zeros(height_mm.shape)
    return Columns(height_mm, support, volume, base, inside, centre, nothing, nothing[:, :1])


@njit(parallel=True, cache=True)
def _all(vertices, faces, normals, up, heights, cell, volume_mm3, out):
    for d in prange(len(up)):
        _one(vertices, faces, normals, up[d], heights[d], cell, volume_mm3, out[d])


@njit(cache=True)
def crossings(points, faces, normals, up, wide, high, steepest):
    """Crossings of the mesh with the lines of the grid, sorted by line and height.

    points (n,3): across and along the grid in cells, and upwards in mm.
    Returns starts (lines + 1,), heights, and kinds: 0 into the material going up, 1 out of it, 2 into it
    through an underside that needs support, its normal turned down beyond a cosine of `steepest`.
    """
    count = np.zeros(wide * high + 1, np.int64)
    room = len(faces)
    at = np.empty(room, np.float32)
    line = np.empty(room, np.int32)
    kind = np.empty(room, np.int8)
    found = 0
    for f in range(len(faces)):
        a, b, c = faces[f, 0], faces[f, 1], faces[f, 2]
        ax, bx, cx = points[a, 0], points[b, 0], points[c, 0]
        first_i, last_i = int(np.ceil(min(ax, bx, cx))), int(np.floor(max(ax, bx, cx)))
        if first_i > last_i:
            continue
        ay, by, cy = points[a, 1], points[b, 1], points[c, 1]
        first_j, last_j = int(np.ceil(min(ay, by, cy))), int(np.floor(max(ay, by, cy)))
        if first_j > last_j:
            continue
        double = (bx - ax) * (cy - ay) - (by - ay) * (cx - ax)
        if abs(double) < 1e-12:
            continue
        az, bz, cz = points[a, 2], points[b, 2], points[c, 2]
        what = np.int8(1) if double > 0 else np.int8(0)
        if normals[f, 0] * up[0] + normals[f, 1] * up[1] + normals[f, 2] * up[2] < -steepest:
            what = np.int8(2)
        needed = found + (last_i - first_i + 1) * (last_j - first_j + 1)
        if needed > room:
            room = 2 * needed
            at = _longer(at, found, room)
            line = _longer(line, found, room)
            kind = _longer(kind, found, room)
        for i in range(first_i, last_i + 1):
            for j in range(first_j, last_j + 1):
                s = ((i - ax) * (cy - ay) - (j - ay) * (cx - ax)) / double
                t = ((bx - ax) * (j - ay) - (by - ay) * (i - ax)) / double
                if s < 0 or t < 0 or s + t > 1:
                    continue
                at[found] = az + s * (bz - az) + t * (cz - az)
                line[found] = i * high + j
                kind[found] = what
                count[i * high + j + 1] += 1
                found += 1
    for k in range(wide * high):
        count[k + 1] += count[k]
    place = count[:-1].copy()
    sorted_at = np.empty(found, np.float32)
    sorted_kind = np.empty(found, np.int8)
    for k in range(found):
        slot = place[line[k]]
        place[line[k]] += 1
        first = count[line[k]]
        while slot > first and sorted_at[slot - 1] > at[k]:
            sorted_at[slot] = sorted_at[slot - 1]
            sorted_kind[slot] = sorted_kind[slot - 1]
            slot -= 1
        sorted_at[slot] = at[k]
        sorted_kind[slot] = kind[k]
    return count, sorted_at, sorted_kind


@njit(cache=True)
def _longer(values, used, room):
    grown = np.empty(room, values.dtype)
    grown[:used] = values[:used]
    return grown


@njit(cache=True)
def _place(at, first, step, n):
    """The last of n heights that is not above `at`; -1 if all are."""
    return min(max(int(np.floor((at - first) / step)), -1), n - 1)


@njit(cache=True)
def _add_span(sums, low, high, bottom, top, factor):
    """Add max(0, high - max(low, s)) · factor, for every height s, to suffix sums (n+1,2) of constants and
    slopes. bottom, top: places of low and high.
    """
    sums[top + 1, 0] += high * factor
    sums[top + 1, 1] -= factor
    # Below `low` the span no longer grows as the cut sinks: it is high - low.
    sums[bottom + 1, 0] -= (high if bottom < 0 else low) * factor
    sums[bottom + 1, 1] += factor


@njit(cache=True)
def _add_moment(sums, low, high, bottom, top):
    """Add the first moment of a span above every height, (high² - max(low, s)²) / 2, to suffix sums (n+1,2)
    of constants and factors of s².
    """
    sums[top + 1, 0] += high * high / 2.0
    sums[top + 1, 1] -= 0.5
    sums[bottom + 1, 0] -= (high * high if bottom < 0 else low * low) / 2.0
    sums[bottom + 1, 1] += 0.5


@njit(cache=True)
def _one(vertices, faces, normals, up, heights, cell, volume_mm3, out):
    support, volume, base, inside, centre = out[0], out[1], out[2], out[3], out[4]
    ux, uy, uz = up
    hx, hy, hz = (1.0, 0.0, 0.0) if abs(ux) < 0.9 else (0.0, 1.0, 0.0)
    px, py, pz = hy * uz - hz * uy, hz * ux - hx * uz, hx * uy - hy * ux
    size = np.sqrt(px * px + py * py + pz * pz)
    px, py, pz = px / size, py / size, pz / size
    qx, qy, qz = uy * pz - uz * py, uz * px - ux * pz, ux * py - uy * px
    count = len(vertices)
    points = np.empty((count, 3))
    x0, y0, x1, y1 = np.inf, np.inf, -np.inf, -np.inf
    for i in range(count):
        vx, vy, vz = vertices[i, 0], vertices[i, 1], vertices[i, 2]
        x, y = (px * vx + py * vy + pz * vz) / cell, (qx * vx + qy * vy + qz * vz) / cell
        points[i, 0], points[i, 1], points[i, 2] = x, y, ux * vx + uy * vy + uz * vz
        x0, y0, x1, y1 = min(x0, x), min(y0, y), max(x1, x), max(y1, y)
    x0, y0 = x0 - SHIFT[0], y0 - SHIFT[1]
    for i in range(count):
        points[i, 0] -= x0
        points[i, 1] -= y0
    wide, high = int(x1 - x0) + 2, int(y1 - y0) + 2
    starts, at, kind = crossings(points, faces, normals, up, wide, high, OVERHANG_COSINE)

    n = len(heights)
    first, step = heights[0], heights[1] - heights[0]
    sup, vol, mx = np.zeros((n + 1, 2)), np.zeros((n + 1, 2)), np.zeros((n + 1, 2))
    my, mz = np.zeros((n + 1, 2)), np.zeros((n + 1, 2))
    extent = np.full((n, SIDES), -np.inf)
    turn = 2.0 * np.pi * np.arange(SIDES) / SIDES
    ahead, aside = np.cos(turn), np.sin(turn)
    low_j, high_j = np.empty(n, np.int64), np.empty(n, np.int64)
    slab = np.empty((n + 1, 2))
    whole = 0.0
    for i in range(wide):
        slab[:] = 0.0
        low_j[:] = -1
        unseen = n
        for j in range(high):
            line = i * high + j
            past = -1e30
            for k in range(starts[line], starts[line + 1]):
                if kind[k] != 1:
                    if kind[k] == 2 and at[k] > past:
                        bottom, top = _place(past, first, step, n), _place(at[k], first, step, n)
                        _add_span(sup, past, at[k], bottom, top, 1.0)
                    continue
                if k > starts[line] and kind[k - 1] != 1:
                    whole += at[k] - at[k - 1]
                    bottom, top = _place(at[k - 1], first, step, n), _place(at[k], first, step, n)
                    _add_span(slab, at[k - 1], at[k], bottom, top, 1.0)
                    _add_span(my, at[k - 1], at[k], bottom, top, float(j))
                    _add_moment(mz, at[k - 1], at[k], bottom, top)
                    if unseen:
                        for s in range(bottom + 1, top + 1):
                            if low_j[s] < 0:
                                low_j[s] = j
                                unseen -= 1
                past = at[k]
        for s in range(n + 1):
            for c in range(2):
                vol[s, c] += slab[s, c]
                mx[s, c] += i * slab[s, c]
        _last_inside(starts, at, kind, i, high, first, step, high_j, n - unseen)
        for s in range(n):
            if low_j[s] < 0:
                continue
            for side in range(SIDES):
                reach = ahead[side] * i + max(aside[side] * low_j[s], aside[side] * high_j[s])
                extent[s, side] = max(extent[s, side], reach)
    area = cell * cell
    share = volume_mm3 / (whole * area) if whole > 0 else 1.0
    total = np.zeros((5, 2))
    for s in range(n - 1, -1, -1):
        for c in range(2):
            total[0, c] += sup[s + 1, c]
            total[1, c] += vol[s + 1, c]
            total[2, c] += mx[s + 1, c]
            total[3, c] += my[s + 1, c]
            total[4, c] += mz[s + 1, c]
        support[s] = max(0.0, total[0, 0] + total[0, 1] * heights[s]) * area
        solid = total[1, 0] + total[1, 1] * heights[s]
        volume[s] = max(0.0, solid) * area * share
        # As the cut sinks, the solid grows by what the cut face holds.
        base[s] = -total[1, 1] * area
        inside[s] = -np.inf
        if solid > 0 and base[s] > 0:
            centre[s] = (total[4, 0] + total[4, 1] * heights[s] * heights[s]) / solid - heights[s]
            cx = (total[2, 0] + total[2, 1] * heights[s]) / solid
            cy = (total[3, 0] + total[3, 1] * heights[s]) / solid
            inside[s] = np.inf
            for side in range(SIDES):
                gap = extent[s, side] - (ahead[side] * cx + aside[side] * cy)
                inside[s] = min(inside[s], gap * cell)


@njit(cache=True)
def _last_inside(starts, at, kind, i, high, first, step, last, wanted):
    """Fill last (n,): the last of a row of lines that is in the material at each height. wanted: how many
    heights the row is in the material at.
    """
    n = len(last)
    last[:] = -1
    for j in range(high - 1, -1, -1):
        if not wanted:
            break
        line = i * high + j
        for k in range(starts[line] + 1, starts[line + 1]):
            if kind[k] == 1 and kind[k - 1] != 1:
                for s in range(_place(at[k - 1], first, step, n) + 1, _place(at[k], first, step, n) + 1):
                    if last[s] < 0:
                        last[s] = j
                        wanted -= 1
