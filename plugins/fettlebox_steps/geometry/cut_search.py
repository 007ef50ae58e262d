"""Where to cut, and at what tilt, so that the part needs least support standing on the cut face."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from .support_columns import Columns, evaluate

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]
Mask = NDArray[np.bool_]

DIRECTIONS = 738
"""Directions of the first look, whatever the tilt bound: about 3.2 degrees apart within 50 degrees."""

HEIGHTS = 64
"""Heights looked at for each direction."""

PROXY_TRIANGLES = 20_000
FIRST_POINTS = 5_000
FINALISTS = 24
"""The first look is at a coarse copy, up to a sixth off; so many are measured again on the part itself."""

CLIMBERS = 3
"""Finalists that are refined, by turning them in ever smaller steps."""

TURNS_DEG = (2.0, 1.0, 0.5)

LOSS_WEIGHT = 0.01
"""Of two cuts that need the same support the one that takes less away is better: a cubic millimetre lost
weighs as much as this of support."""

COARSE_COLUMNS = 64
FINE_COLUMNS = 200
"""Columns along the part's diagonal in the first look and when measuring again."""

REPORTED_MM = 0.5
"""Columns for the figures that are stated; coarser ones flatter the plane that they pick."""

MOST_COLUMNS = 1400
"""Along the diagonal: bounds memory for parts beyond 70 cm to about a hundred megabytes."""

APART_DEG = 8.0
"""Cuts that are refined start at least this far apart, or they would all climb the same hill."""

NARROW_MM = 0.001
"""Half the window of heights when the cut's place is given and only its tilt is looked for."""

HAIR = 1e-5
"""Share of the part's extent by which a cut clears what should go."""

BASE_MARGIN = 0.1
"""The centre of mass must lie inside the base's hull by this share of the base's width (the root of its
area): common practice, no published source."""

KEEP_SLACK = 0.002
"""Columns misjudge the volume by less than this share; the exact cut must keep what was asked."""


@dataclass(frozen=True)
class Limits:
    """What a cut must respect.

    most_tilt_deg    between the cut's normal and the vertical
    least_mm3        volume that must remain
    least_base_mm2   area of the cut face
    protected (p,3)  points that must stay above the cut
    unwanted (q,3)   points that should go: the invented base. Ignored if no cut within the others does it
    through          a point that the cut must run through, or None
    """

    most_tilt_deg: float
    least_mm3: float
    least_base_mm2: float
    protected: Floats
    unwanted: Floats
    through: Floats | None = None


@dataclass(frozen=True)
class Cut:
    """A plane, by unit normal `up` (3,) and height along it, and what standing on it costs."""

    up: Floats
    height_mm: float
    support_mm3: float
    volume_mm3: float
    base_mm2: float
    inside_mm: float

    @property
    def tilt_deg(self) -> float:
        return float(np.degrees(np.arccos(min(1.0, self.up[2]))))


@dataclass(frozen=True)
class Search:
    """Cuts that respect the limits, best first; the best level one; how many planes were looked at."""

    best: list[Cut]
    level: Cut | None
    considered: int
    possible: int
    clears_base: bool


def spread_directions(most_tilt_deg: float, count: int) -> Floats:
    """About `count` unit vectors (n,3) evenly spread within an angle of +Z, the first straight up."""
    cap = 2.0 * np.pi * (1.0 - np.cos(np.radians(most_tilt_deg)))
    step = max(np.degrees(np.sqrt(cap / count)), 0.5)
    rings = max(1, round(most_tilt_deg / step)) if most_tilt_deg > 0 else 0
    found = [np.array([[0.0, 0.0, 1.0]])]
    for tilt in np.radians(np.arange(1, rings + 1) * most_tilt_deg / max(rings, 1)):
        around = max(6, round(2.0 * np.pi * np.sin(tilt) / np.radians(step)))
        turn = 2.0 * np.pi * np.arange(around) / around
        flat = np.sin(tilt)
        found.append(
            np.column_stack([flat * np.cos(turn), flat * np.sin(turn), np.full(around, np.cos(tilt))])
        )
    return np.concatenate(found)


def search(vertices: Floats, faces: Ints, limits: Limits) -> Search:
    """Look for the best cut of a closed surface.

    A first look at all directions and heights on the coarse surface; the best are measured again on the
    part, the best of those refined to half a degree and measured in fine columns.
    """
    span_mm = float(np.linalg.norm(np.ptp(vertices, axis=0)))
    used = vertices[np.unique(faces)]
    coarse = coarse_copy(vertices, faces)
    rough, sample = (
        _thinned(coarse[0][np.unique(coarse[1])]),
        replace(limits, protected=_thinned(limits.protected), unwanted=_thinned(limits.unwanted)),
    )
    directions = spread_directions(limits.most_tilt_deg, DIRECTIONS)
    clears = len(limits.unwanted) > 0
    windows, usable = _windows(rough, directions, sample, clears)
    if clears and not usable.any():
        clears = False
        windows, usable = _windows(rough, directions, sample, clears)
    if not usable.any():
        return Search([], None, 0, 0, clears)
    directions, windows = directions[usable], windows[usable]
    first = evaluate(*coarse, directions, windows, span_mm / COARSE_COLUMNS)
    score = _score(first, limits)
    considered, possible = score.size, int(np.isfinite(score).sum())
    order = np.argsort(score.min(axis=1), kind="stable")[:FINALISTS]
    order = order[np.isfinite(score.min(axis=1)[order])]

    def measure(ups: Floats, cell_mm: float) -> list[Cut]:
        nonlocal considered
        heights, fine = _windows(used, ups, limits, clears)
        if not fine.any():
            return []
        columns = evaluate(vertices, faces, ups[fine], heights[fine], cell_mm)
        considered += columns.height_mm.size
        return _best_of_each(ups[fine], columns, limits)

    fine_mm = span_mm / FINE_COLUMNS
    refined = []
    for start in _apart(measure(directions[order], fine_mm)):
        cut = start
        for turn_deg in TURNS_DEG:
            nearby = measure(_around(cut.up, turn_deg, limits.most_tilt_deg), fine_mm)
            cut = min([cut, *nearby], key=_cost)
        refined.append(cut)
    level = measure(np.array([[0.0, 0.0, 1.0]]), fine_mm)[:1]
    window = np.array([_reported_window(used, cut, limits, clears) for cut in [*refined, *level]]).reshape(
        -1, HEIGHTS
    )
    stated = [
        _best_of_each(
            cut.up[None], evaluate(vertices, faces, cut.up[None], row[None], report_mm(vertices)), limits
        )
        for cut, row in zip([*refined, *level], window, strict=True)
    ]
    # The level cut competes too: in fine columns it may win over one that was refined in coarser ones.
    best = sorted((found[0] for found in stated if found), key=_cost)
    best_level = stated[-1][0] if level and stated[-1] else None
    return Search(best, best_level, considered, possible, clears)


def report_mm(vertices: Floats) -> float:
    """Column width for figures that are stated."""
    return max(REPORTED_MM, float(np.linalg.norm(np.ptp(vertices, axis=0))) / MOST_COLUMNS)


def _apart(cuts: list[Cut]) -> list[Cut]:
    """The first cuts of a list that differ in direction."""
    chosen: list[Cut] = []
    for cut in cuts:
        if len(chosen) < CLIMBERS and all(cut.up @ c.up < np.cos(np.radians(APART_DEG)) for c in chosen):
            chosen.append(cut)
    return chosen


def _thinned(points: Floats) -> Floats:
    """At most FIRST_POINTS of points (n,3), evenly picked: enough for a first look."""
    return points[:: max(1, -(-len(points) // FIRST_POINTS))]


def coarse_copy(vertices: Floats, faces: Ints) -> tuple[Floats, Ints]:
    """About the same surface in PROXY_TRIANGLES; good enough for a first look, not for more."""
    if len(faces) <= 1.5 * PROXY_TRIANGLES:
        return vertices, faces
    from fast_simplification import simplify

    fewer, triangles = simplify(vertices.astype(np.float32), faces.copy(), target_count=PROXY_TRIANGLES)
    return fewer.astype(np.float64), triangles.astype(np.int32)


def _windows(points: Floats, ups: Floats, limits: Limits, clear: bool) -> tuple[Floats, Mask]:
    """Heights (n,HEIGHTS) to look at for each direction, and (n,) whether there are any."""
    along = points @ ups.T
    low, high = along.min(axis=0), along.max(axis=0)
    if len(limits.protected):
        high = np.minimum(high, (limits.protected @ ups.T).min(axis=0))
    hair = HAIR * (high - low)
    bottom = (limits.unwanted @ ups.T).max(axis=0) + hair if clear and len(limits.unwanted) else low
    usable = high - bottom > 100 * np.abs(hair)
    if limits.through is not None:
        at = ups @ limits.through
        usable &= (at > bottom) & (at < high)
        bottom, high = at - NARROW_MM, at + NARROW_MM
    share = (np.arange(HEIGHTS) + 0.5) / HEIGHTS
    return bottom[:, None] + (high - bottom)[:, None] * share, usable


def _score(columns: Columns, limits: Limits) -> Floats:
    """(n,k) support and what is lost, in mm3; infinite where a limit is broken."""
    margin = BASE_MARGIN * np.sqrt(columns.base_mm2)
    allowed = (
        (columns.volume_mm3 >= limits.least_mm3)
        & (columns.base_mm2 >= limits.least_base_mm2)
        & (columns.inside_mm >= margin)
    )
    return np.where(allowed, columns.support_mm3 - LOSS_WEIGHT * columns.volume_mm3, np.inf)


def _cost(cut: Cut) -> float:
    return cut.support_mm3 - LOSS_WEIGHT * cut.volume_mm3


def _best_of_each(ups: Floats, columns: Columns, limits: Limits) -> list[Cut]:
    """The best height of each direction that has an allowed one, best direction first."""
    score = _score(columns, limits)
    at = score.argmin(axis=1)
    least = score[np.arange(len(ups)), at]
    return [
        _cut(ups[k], columns, k, int(at[k]))
        for k in np.argsort(least, kind="stable")
        if np.isfinite(least[k])
    ]


def _cut(up: Floats, columns: Columns, k: int, at: int) -> Cut:
    values = (
        columns.height_mm,
        columns.support_mm3,
        columns.volume_mm3,
        columns.base_mm2,
        columns.inside_mm,
    )
    return Cut(up, *(float(value[k, at]) for value in values))


def _around(up: Floats, turn_deg: float, most_tilt_deg: float) -> Floats:
    """The direction turned by an angle to eight sides, as far as the tilt stays within bounds."""
    from .plane_cut import plane_axes

    x_axis, y_axis = plane_axes(up)
    turn = 2.0 * np.pi * np.arange(8) / 8
    tip = np.tan(np.radians(turn_deg))
    found = up + tip * (np.cos(turn)[:, None] * x_axis + np.sin(turn)[:, None] * y_axis)
    found = np.concatenate([[up], found / np.linalg.norm(found, axis=1)[:, None]])
    return np.asarray(found[found[:, 2] >= np.cos(np.radians(most_tilt_deg)) - 1e-12])


def _reported_window(points: Floats, cut: Cut, limits: Limits, clear: bool) -> Floats:
    """(HEIGHTS,) heights near a cut's own, within the limits."""
    along = points @ cut.up
    reach = NARROW_MM if limits.through is not None else float(np.ptp(along)) / HEIGHTS
    low, high = cut.height_mm - reach, cut.height_mm + reach
    if len(limits.protected):
        high = min(high, float((limits.protected @ cut.up).min()))
    low = max(low, float(along.min()))
    if clear and len(limits.unwanted):
        low = max(low, float((limits.unwanted @ cut.up).max()) + HAIR * float(np.ptp(along)))
    return np.linspace(low, high, HEIGHTS)
