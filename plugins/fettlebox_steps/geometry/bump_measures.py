"""How bump-like the surface is about a place: a smooth surface laid through its rim, and what rises over it.

A bump or pit of a scanner stands alone: past its foot the surface is quiet and smooth, and a surface
laid through that rim passes well below it. A nose goes on rising as wider discs are looked at, a lip
or an ear has no quiet rim, a texture has others like it all about.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from .bump_scales import Place, Relief

Floats = NDArray[np.float64]
Longs = NDArray[np.int64]

RADII = (1.2, 1.5, 1.9, 2.4, 3.0, 3.7, 4.6, 5.6)
"""Foot radii that are tried, mm, for bumps of up to 8 mm; scaled for others. The last only shows whether the
one before goes on rising."""

RADII_FOR_MM = 8.0
NARROWEST_EDGES = 1.25
"""A disc of fewer edges holds too few vertices to tell a bump from grain."""

RIM_SHARE, RIM_EDGES = 0.9, 2.3
"""Width of the rim that the smooth surface is laid through: wide enough to hold its ten terms down."""

FLOOR_MM = 0.02
"""Rims are not called quieter than this: a fiftieth of a millimetre shows on no print."""

ROUND_ABOUT = 1.25
"""Others are looked for in a ball this much wider than the widest rim."""

MOST_POINTS = 500
"""Points that a disc and its rim are judged by: as many as triangles of a millimetre have in the widest one,
which is what the judgement was fitted on. Finer scans would cost more and more for a like answer."""

TERMS = 10
LEAST_DISC = 3
TILTED = 5.0
HIGH_OTHERS = 97.0
"""Percentiles that stand for "the most tilted" and "the highest": an extreme would hang on one vertex."""


COLUMNS = (
    "x", "y", "z", "up_x", "up_y", "up_z", "radius", "height", "signal", "rim", "explained", "roundness",
    "bend", "tilt", "growth", "wide_rim", "others",
)  # fmt: skip
AT = {name: k for k, name in enumerate(COLUMNS)}


@dataclass(frozen=True)
class Look:
    """What one disc about one place says.

    centre, normal   of the bump's foot
    radius_mm        of the foot
    height_mm        of the bump's profile over the surface through the rim
    """

    vertex: int
    sign: int
    centre: Floats
    normal: Floats
    radius_mm: float
    height_mm: float
    signal: float


def look_at(vertices: Floats, relief: Relief, places: Sequence[Place], widest_mm: float) -> Floats:
    """(p,r,17) what discs of growing radius about every place say, by COLUMNS; radius 0: no room for it.

    height     of the bump's profile over the surface through the rim, mm
    signal     height over what the profile and the surface leave unexplained, in standard errors
    rim        root mean square of the rim about the surface, mm
    explained  share of the disc's relief that a round bump is
    roundness  of the relief, 1 round, 0 a ridge
    bend       radius times the largest curvature of the surface below
    tilt       lowest cosine between the base's normals and the middle one
    growth     height over the next wider disc, over this one's
    wide_rim   rms of the next wider disc's rim, over this one's height
    others     highest relief round about, over this one's height
    """
    radii = np.array(RADII) * widest_mm / RADII_FOR_MM
    radii = radii[radii >= NARROWEST_EDGES * relief.edge_mm]
    if len(radii) < 2 or not places:
        return np.zeros((len(places), 1, len(COLUMNS)))
    rims = np.array([rim_radius(float(radius), relief.edge_mm) for radius in radii])
    rows = _look_at_all(
        relief.start,
        relief.other,
        vertices,
        relief.normal,
        relief.height,
        np.array([place.vertex for place in places]),
        np.array([place.sign for place in places]),
        radii,
        rims,
        ROUND_ABOUT * float(rims[-1]),
    )
    return np.asarray(rows)


def look_of(place: Place, row: Floats) -> Look:
    """One row of `look_at`, with names."""
    radius, height, signal = (float(row[AT[name]]) for name in ("radius", "height", "signal"))
    return Look(place.vertex, place.sign, row[:3].copy(), row[3:6].copy(), radius, height, signal)


def rim_radius(radius: float, edge_mm: float) -> float:
    """How far the rim of a disc reaches."""
    return radius + max(RIM_SHARE * radius, RIM_EDGES * edge_mm)


def cubic(flat: Floats) -> Floats:
    """(k,10) terms of a polynomial of degree three in the plane (k,2)."""
    x, y = flat.T
    one = np.ones_like(x)
    return np.stack([one, x, y, x * x, x * y, y * y, x**3, x * x * y, x * y * y, y**3], axis=1)


def frame(up: Floats) -> Floats:
    """(2,3) two directions across a unit one."""
    first = np.empty(3)
    second = np.empty(3)
    _frame(np.ascontiguousarray(up), first, second)
    return np.stack([first, second])


def connected_ball(relief: Relief, vertices: Floats, middle: int, radius: float, scratch: Longs) -> Longs:
    """Vertices within `radius` (mm) of one that edges within it lead to, in ascending order.

    scratch (n + 1,): zeros, or what an earlier call left; marks vertices that were seen.
    """
    return np.sort(_ball(relief.start, relief.other, vertices, middle, radius, scratch))


@njit(cache=True)
def _look_at_all(start, other, vertices, normal, height, places, signs, radii, rims, reach):
    """(p,r,17) rows by COLUMNS."""
    rows = np.zeros((len(places), len(radii) - 1, 17))
    mark = np.zeros(len(vertices) + 1, np.int64)
    first, second = np.empty(3), np.empty(3)
    tried = np.empty((len(radii), 9))
    for p in range(len(places)):
        middle, sign = places[p], signs[p]
        near = np.sort(_ball(start, other, vertices, middle, reach, mark))
        up = np.zeros(3)
        centre = vertices[middle].copy()
        for i in near:
            if _away(vertices, i, centre) <= max(radii[0], 2.0):
                up += normal[i]
        size = np.sqrt((up * up).sum())
        if size < 1e-12:
            continue
        up /= size
        _frame(up, first, second)
        count = len(near)
        flat = np.empty((count, 2))
        high = np.empty(count)
        facing = np.empty(count)
        for k in range(count):
            i = near[k]
            flat[k] = 0.0
            high[k] = 0.0
            facing[k] = 0.0
            for c in range(3):
                offset = vertices[i, c] - centre[c]
                flat[k, 0] += offset * first[c]
                flat[k, 1] += offset * second[c]
                high[k] += sign * offset * up[c]
                facing[k] += normal[i, c] * up[c]
        room = np.zeros(len(radii), np.bool_)
        some = np.empty(count, np.int64)
        for r in range(len(radii)):
            chosen = _some_of(near, flat, rims[r] + 0.6 * radii[r], rims[r], some)
            room[r] = _one_disc(flat[chosen], high[chosen], facing[chosen], radii[r], rims[r], tried[r])
        shown = np.empty(count)
        for r in range(len(radii) - 1):
            if not room[r]:
                continue
            row = rows[p, r]
            wider = r + 1 if room[r + 1] else r
            above = max(tried[r, 0], 1e-6)
            for c in range(3):
                row[c] = centre[c] + tried[r, 7] * first[c] + tried[r, 8] * second[c]
                row[3 + c] = up[c]
            row[6] = radii[r]
            row[7:14] = tried[r, :7]
            row[14] = tried[wider, 0] / above
            row[15] = tried[wider, 2] / above
            ring = 0
            for k in range(count):
                if _away(vertices, near[k], centre) > 1.3 * radii[r]:
                    shown[ring] = sign * height[near[k]]
                    ring += 1
            if ring > 8:
                row[16] = (np.percentile(shown[:ring], HIGH_OTHERS) - np.median(shown[:ring])) / above
    return rows


@njit(cache=True)
def _some_of(near, flat, reach, rim_radius, some):
    """Numbers (j,) of the points (k,2) within `reach`, thinned out evenly where a rim's disc has too many of
    them. By a scramble of the vertices' numbers (D. Knuth, "The art of computer programming", volume 3,
    6.4: multiplicative hashing), as every tenth of them would make stripes.
    """
    count, inside = 0, 0
    for k in range(len(near)):
        away = np.sqrt(flat[k, 0] ** 2 + flat[k, 1] ** 2)
        if away < reach:
            some[count] = k
            count += 1
        if away < rim_radius:
            inside += 1
    if inside <= MOST_POINTS:
        return some[:count]
    below = (MOST_POINTS << 32) // inside
    kept = 0
    for n in range(count):
        if (near[some[n]] * 2654435761) & 0xFFFFFFFF < below:
            some[kept] = some[n]
            kept += 1
    return some[:kept]


@njit(cache=True)
def _one_disc(flat, high, facing, radius, rim_radius, out):
    """Fill out (9,): height, signal, rim, explained, roundness, bend, tilt, u, v. False: no room."""
    count = len(flat)
    shift = np.zeros(2)
    over = np.empty(count)
    away = np.empty(count)
    terms = np.empty(TERMS)
    solution = np.empty(TERMS)
    for attempt in range(2):
        matrix = np.zeros((TERMS, TERMS))
        right = np.zeros(TERMS)
        inside, about = 0, 0
        for k in range(count):
            x, y = (flat[k, 0] - shift[0]) / radius, (flat[k, 1] - shift[1]) / radius
            away[k] = np.sqrt(x * x + y * y)
            if away[k] < 1.0:
                inside += 1
            elif away[k] * radius < rim_radius:
                about += 1
                _terms(x, y, terms)
                for i in range(TERMS):
                    right[i] += terms[i] * high[k]
                    for j in range(i + 1):
                        matrix[i, j] += terms[i] * terms[j]
        if inside < LEAST_DISC or about < 2 * TERMS:
            return False
        for i in range(TERMS):
            for j in range(i):
                matrix[j, i] = matrix[i, j]
            matrix[i, i] += 1e-9 * about
        solution[:] = np.linalg.solve(matrix, right)
        pull, pull_x, pull_y = 0.0, 0.0, 0.0
        for k in range(count):
            if away[k] * radius >= rim_radius:
                continue
            _terms((flat[k, 0] - shift[0]) / radius, (flat[k, 1] - shift[1]) / radius, terms)
            below = 0.0
            for i in range(TERMS):
                below += terms[i] * solution[i]
            over[k] = high[k] - below
            if away[k] < 1.0 and over[k] > 0.0:
                weight = (1.0 - away[k] ** 2) ** 2 * over[k]
                pull += weight
                pull_x += weight * flat[k, 0]
                pull_y += weight * flat[k, 1]
        if attempt == 0 and pull > 0.0:
            shift[0], shift[1] = pull_x / pull, pull_y / pull
            length = np.sqrt((shift * shift).sum())
            if length > 0.6 * radius:
                shift *= 0.6 * radius / length
    fit, square, total, rim = 0.0, 0.0, 0.0, 0.0
    for k in range(count):
        if away[k] < 1.0:
            weight = (1.0 - away[k] ** 2) ** 2
            fit += weight * over[k]
            square += weight * weight
            total += over[k] ** 2
        elif away[k] * radius < rim_radius:
            rim += over[k] ** 2
    above = fit / max(square, 1e-9)
    left = total - above * fit
    unexplained = (left + rim) / max(inside + about - TERMS - 4, 1)
    spread_xx, spread_xy, spread_yy = 0.0, 0.0, 0.0
    risen = 1e-12
    seen = np.empty(inside + about)
    at = 0
    for k in range(count):
        if away[k] * radius < max(rim_radius, radius):
            seen[at] = facing[k]
            at += 1
        if away[k] < 1.0 and over[k] > 0.0:
            weight = over[k] * (1.0 - away[k] ** 2)
            x, y = flat[k, 0] - shift[0], flat[k, 1] - shift[1]
            risen += weight
            spread_xx += weight * x * x
            spread_xy += weight * x * y
            spread_yy += weight * y * y
    low, top = _eigenvalues(spread_xx / risen + 1e-9, spread_xy / risen, spread_yy / risen + 1e-9)
    bend_low, bend_top = _eigenvalues(2 * solution[3], solution[4], 2 * solution[5])
    out[0] = above
    out[1] = above * np.sqrt(square / (unexplained + FLOOR_MM**2))
    out[2] = np.sqrt(rim / max(about - TERMS, 1))
    out[3] = 1.0 - left / max(total, 1e-12)
    out[4] = low / top
    out[5] = max(abs(bend_low), abs(bend_top)) / radius
    out[6] = np.percentile(seen[:at], TILTED)
    out[7] = shift[0]
    out[8] = shift[1]
    return True


@njit(cache=True)
def _terms(x, y, out):
    out[0], out[1], out[2] = 1.0, x, y
    out[3], out[4], out[5] = x * x, x * y, y * y
    out[6], out[7], out[8], out[9] = x * x * x, x * x * y, x * y * y, y * y * y


@njit(cache=True)
def _eigenvalues(a, b, c):
    """Of the symmetric matrix ((a, b), (b, c)), the lower first."""
    mean = (a + c) / 2.0
    apart = np.sqrt(((a - c) / 2.0) ** 2 + b * b)
    return mean - apart, mean + apart


@njit(cache=True)
def _frame(up, first, second):
    axis = 0
    for c in range(1, 3):
        if abs(up[c]) < abs(up[axis]):
            axis = c
    least = np.zeros(3)
    least[axis] = 1.0
    first[:] = np.cross(up, least)
    first /= np.sqrt((first * first).sum())
    second[:] = np.cross(up, first)


@njit(cache=True)
def _away(vertices, i, centre):
    total = 0.0
    for c in range(3):
        total += (vertices[i, c] - centre[c]) ** 2
    return np.sqrt(total)


@njit(cache=True)
def _ball(start, other, vertices, middle, radius, mark):
    stamp = mark[-1] + 1
    mark[-1] = stamp
    queue = np.empty(256, np.int64)
    queue[0] = middle
    mark[middle] = stamp
    at, end = 0, 1
    while at < end:
        i = queue[at]
        at += 1
        for k in range(start[i], start[i + 1]):
            j = other[k]
            if mark[j] == stamp:
                continue
            mark[j] = stamp
            total = 0.0
            for c in range(3):
                total += (vertices[j, c] - vertices[middle, c]) ** 2
            if total < radius * radius:
                if end == len(queue):
                    longer = np.empty(2 * end, np.int64)
                    longer[:end] = queue
                    queue = longer
                queue[end] = j
                end += 1
    return queue[:end]
