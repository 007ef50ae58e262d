"""Where to cut, and at what tilt, so that the part needs least support standing on the cut face."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

from .cut_costs import (
    LOSS_WEIGHT,
    Cut,
    Limits,
    best_height,
    best_of_each,
    cost_of,
    costs_at_limits,
    firmest,
    firmest_first,
    scores,
)
from .cut_fit import NEARLY, RINGS_DEG, bottom_of_bowl, directions_about, turned_about
from .support_columns import Columns, Solid, evaluate

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]
Mask = NDArray[np.bool_]

DIRECTIONS = 738
"""Directions of the first look, whatever the tilt bound: about 3.2 degrees apart within 50 degrees."""

HEIGHTS = 64
"""Heights looked at for each direction."""

PROXY_TRIANGLES = 20_000
FINALISTS = 24
"""The first look is at a coarse copy, up to a sixth off; so many are measured again on the part itself."""

CLIMBERS = 3
"""Finalists that are refined, by turning them in ever smaller steps."""

TURNS_DEG = (2.0, 1.0, 0.5)
LAST_TURNS_DEG = (0.5,)
MOST_TURNS = 3
"""By each angle as often as it helps, but no more than this: a narrow valley is followed, not to its end."""

COARSE_COLUMNS = 64
FINE_COLUMNS = 200
"""Columns along the part's diagonal in the first look and when measuring again."""

REPORTED_MM = 0.5
"""Columns for the figures that are stated; coarser ones flatter the plane that they pick."""

REPORTED_COLUMNS = 400
"""Along the diagonal at least, so that small parts are measured as well as large ones."""

MOST_COLUMNS = 1400
"""Along the diagonal: bounds memory for parts beyond 70 cm to about a hundred megabytes."""

AGREE = 0.02
"""Support is told as found in columns so fine that ones twice as wide say the same but for this share, or in
the finest there are. High up, a few columns are much of it: below two ears half-millimetre ones were a tenth
off."""

FINEST_COLUMNS = 2800
"""Along the diagonal when one cut alone is measured, for which half the width is a quarter of a second."""

APART_DEG = 8.0
"""Cuts that are refined start at least this far apart, or they would all climb the same hill."""

NARROW_MM = 0.001
"""Half the window of heights when the cut's place is given and only its tilt is looked for."""

HAIR = 1e-5
"""Share of the part's extent by which a cut clears what should go, and what should stay."""

KEEP_SLACK = 0.002
"""Columns misjudge the volume by less than this share; the exact cut must keep what was asked."""


@dataclass(frozen=True)
class Search:
    """Cuts that respect the limits, best first; the best level one; how many planes were looked at.

    `steadiest` is the cut on which the part stands firmest of those that respect all limits but this one;
    it is looked for when no cut is steady enough.
    """

    best: list[Cut]
    level: Cut | None
    considered: int
    possible: int
    clears_base: bool
    steadiest: Cut | None = None


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
    part, the best of those refined to half a degree, and the best of these once more in fine columns.
    """
    span_mm = float(np.linalg.norm(np.ptp(vertices, axis=0)))
    used = vertices[np.unique(faces)]
    coarse = coarse_copy(vertices, faces)
    rough = coarse[0][np.unique(coarse[1])]
    directions = spread_directions(limits.most_tilt_deg, DIRECTIONS)
    clears = len(limits.unwanted) > 0
    rough_solid, solid = Solid.of(*coarse), Solid.of(vertices, faces)

    def looked_at(of: Solid, ups: Floats, heights: Floats, cell_mm: float) -> Columns:
        columns, scan = evaluate(of, ups, heights, cell_mm), limits.scan
        if scan is None:
            return columns
        return replace(columns, taken=scan.taken(ups, heights), before=scan.taken_before(ups))

    windows, usable = _windows(rough, directions, limits, clears)
    first = looked_at(rough_solid, directions[usable], windows[usable], span_mm / COARSE_COLUMNS)
    if clears and not np.isfinite(scores(first, limits)).any():
        clears = False
        windows, usable = _windows(rough, directions, limits, clears)
        first = looked_at(rough_solid, directions[usable], windows[usable], span_mm / COARSE_COLUMNS)
    if not usable.any():
        return Search([], None, 0, 0, clears)
    if clears:
        limits = replace(limits, price_mm3=0.0)
    directions = directions[usable]
    score = scores(first, limits)
    considered, possible = score.size, int(np.isfinite(score).sum())
    order = np.argsort(score.min(axis=1), kind="stable")[:FINALISTS]
    order = order[np.isfinite(score.min(axis=1)[order])]

    def measure(
        ups: Floats, cell_mm: float, near: tuple[Floats, float] | None = None, of: Solid = solid
    ) -> list[Cut]:
        nonlocal considered
        heights, fine = _windows(used, ups, limits, clears, near)
        if not fine.any():
            return []
        columns = looked_at(of, ups[fine], heights[fine], cell_mm)
        considered += columns.height_mm.size
        return best_of_each(ups[fine], columns, limits)

    middle = (used.min(axis=0) + used.max(axis=0)) / 2.0

    def on_middle(cut: Cut) -> Floats:
        """Where a cut meets the upright line through the middle of the part."""
        lift = (cut.height_mm - middle @ cut.up) / cut.up[2]
        return np.asarray(middle + np.array([0.0, 0.0, lift]))

    def climbed(cut: Cut, turns_deg: tuple[float, ...], cell_mm: float) -> Cut:
        """The cut turned in ever smaller steps, as long as that makes it better."""
        for turn_deg in turns_deg:
            reach = np.tan(np.radians(turn_deg)) + 1 / HEIGHTS
            for _ in range(MOST_TURNS):
                turned = turned_about(cut.up, turn_deg, 8, limits.most_tilt_deg)
                nearby = measure(turned, cell_mm, (on_middle(cut), reach))
                if not nearby or cost_of(nearby[0]) >= cost_of(cut):
                    break
                cut = nearby[0]
        return cut

    fine_mm, told_mm = span_mm / FINE_COLUMNS, report_mm(vertices)
    starts = _apart(measure(directions[order], fine_mm))
    refined = sorted((climbed(start, TURNS_DEG, fine_mm) for start in starts), key=cost_of)
    level = measure(np.array([[0.0, 0.0, 1.0]]), fine_mm)[:1]

    def near_own(cuts: list[Cut], cell_mm: float, reach: float = 1 / HEIGHTS) -> tuple[Floats, Columns]:
        """Directions of cuts, measured at heights near their own."""
        rows = [_windows(used, cut.up[None], limits, clears, (on_middle(cut), reach))[0][0] for cut in cuts]
        ups = np.array([cut.up for cut in cuts])
        return ups, looked_at(solid, ups, np.array(rows), cell_mm)

    def stated(cuts: list[Cut], reach: float = 1 / HEIGHTS) -> list[Cut | None]:
        """The cuts measured in fine columns, at the best height near their own."""
        if not cuts:
            return []
        ups, columns = near_own(cuts, told_mm, reach)
        return [best_height(ups, columns, limits, k) for k in range(len(cuts))]

    def placed(cut: Cut) -> Cut:
        """The cut at its best height, to a thousandth of the part's."""
        found = stated([cut], 2 / HEIGHTS**2)[0]
        return found if found is not None and cost_of(found) < cost_of(cut) else cut

    def settled(cut: Cut) -> Cut:
        """The cut at the bottom of the bowl that the costs of all about it make, if they make one."""
        near = (on_middle(cut), np.tan(np.radians(RINGS_DEG[-1])) + 1 / HEIGHTS)
        about = measure(directions_about(cut.up, limits.most_tilt_deg), fine_mm, near, rough_solid)
        if not about:
            return cut
        ups, columns = near_own(about, fine_mm / 2)
        costs = costs_at_limits(columns, limits)
        slack_mm3 = NEARLY * (cost_of(cut) + LOSS_WEIGHT * solid.volume_mm3)
        some = np.isfinite(costs)
        bowl = bottom_of_bowl(cut.up, ups[some], costs[some], slack_mm3, limits.most_tilt_deg)
        if bowl is None:
            return cut
        bottom = stated(measure(bowl[0][None], fine_mm, near, rough_solid))
        if not bottom or bottom[0] is None:
            return cut
        found = placed(bottom[0])
        # What was measured lowest is so in part by chance: its place in the bowl tells more.
        allowed_mm3 = cost_of(placed(cut)) + min(3 * bowl[1], slack_mm3)
        return found if cost_of(found) < allowed_mm3 else cut

    # The level cut competes too: in fine columns it may win over one that was refined in coarser ones.
    told = stated([*refined, *level])
    best = sorted((cut for cut in told if cut is not None), key=cost_of)
    if best:
        best[0] = settled(climbed(best[0], LAST_TURNS_DEG, told_mm))

    def told_finely(cut: Cut) -> Cut:
        """The cut with its support as the finest columns have it that are needed."""
        cell_mm, found_mm3 = told_mm, cut.support_mm3
        while cell_mm / 2 >= span_mm / FINEST_COLUMNS * (1 - 1e-9):
            cell_mm, before_mm3 = cell_mm / 2, found_mm3
            columns = evaluate(solid, cut.up[None], cut.height_mm + np.array([[0.0, 1.0]]), cell_mm)
            found_mm3 = float(columns.support_mm3[0, 0])
            if abs(found_mm3 - before_mm3) <= AGREE * found_mm3:
                break
        more_mm3 = found_mm3 - cut.support_mm3
        return replace(cut, support_mm3=found_mm3, cost_mm3=cut.cost_mm3 + more_mm3)

    upright = told[-1] if level else None
    finely = {id(cut): told_finely(cut) for cut in (*best, upright) if cut is not None}
    best = sorted((finely[id(cut)] for cut in best), key=cost_of)
    steadiest = None
    if not best:
        ups = np.concatenate([[[0.0, 0.0, 1.0]], directions[firmest_first(first, limits)[:FINALISTS]]])
        heights, fine = _windows(used, ups, limits, clears)
        columns = looked_at(solid, ups[fine], heights[fine], told_mm)
        steadiest = firmest(ups[fine], columns, limits)
    return Search(best, finely.get(id(upright)), considered, possible, clears, steadiest)


def report_mm(vertices: Floats) -> float:
    """Column width for figures that are stated."""
    span_mm = float(np.linalg.norm(np.ptp(vertices, axis=0)))
    return max(min(REPORTED_MM, span_mm / REPORTED_COLUMNS), span_mm / MOST_COLUMNS)


def _apart(cuts: list[Cut]) -> list[Cut]:
    """The first cuts of a list that differ in direction."""
    chosen: list[Cut] = []
    for cut in cuts:
        if len(chosen) < CLIMBERS and all(cut.up @ c.up < np.cos(np.radians(APART_DEG)) for c in chosen):
            chosen.append(cut)
    return chosen


def coarse_copy(vertices: Floats, faces: Ints) -> tuple[Floats, Ints]:
    """About the same surface in PROXY_TRIANGLES; good enough for a first look, not for more."""
    if len(faces) <= 1.5 * PROXY_TRIANGLES:
        return vertices, faces
    from fast_simplification import simplify

    fewer, triangles = simplify(vertices.astype(np.float32), faces.copy(), target_count=PROXY_TRIANGLES)
    return fewer.astype(np.float64), triangles.astype(np.int32)


def _windows(
    points: Floats, ups: Floats, limits: Limits, clear: bool, near: tuple[Floats, float] | None = None
) -> tuple[Floats, Mask]:
    """Heights (n,HEIGHTS) to look at for each direction, and (n,) whether there are any.

    `near`, a point (3,) and a share of the reach: only so far from that point.
    """
    bottom, top = _reach(points, ups)
    low, high = bottom, top
    hair = HAIR * (top - bottom)
    if len(limits.protected):
        high = np.minimum(high, _reach(limits.protected, ups)[0] - hair)
    if clear and len(limits.unwanted):
        low = np.maximum(low, _reach(limits.unwanted, ups)[1] + hair)
    usable = high - low > 100 * hair
    if limits.through is not None:
        at = ups @ limits.through
        usable &= (at > low) & (at < high)
        low, high = at - NARROW_MM, at + NARROW_MM
    elif near is not None:
        point, share = near
        at = ups @ point
        low, high = (
            np.maximum(low, at - share * (top - bottom)),
            np.minimum(high, at + share * (top - bottom)),
        )
        usable &= high > low
    share_of = (np.arange(HEIGHTS) + 0.5) / HEIGHTS
    return low[:, None] + (high - low)[:, None] * share_of, usable


def _reach(points: Floats, ups: Floats) -> tuple[Floats, Floats]:
    """How far points (p,3) reach down and up along each direction (n,3)."""
    low, high = np.empty(len(ups)), np.empty(len(ups))
    _reach_along(points, ups, low, high)
    return low, high


@njit(parallel=True, cache=True, fastmath=True)
def _reach_along(points, ups, low, high):
    for d in prange(len(ups)):
        x, y, z = ups[d]
        least, most = 1e300, -1e300
        for i in range(len(points)):
            along = points[i, 0] * x + points[i, 1] * y + points[i, 2] * z
            least = along if along < least else least
            most = along if along > most else most
        low[d], high[d] = least, most
