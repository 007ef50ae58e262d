"""Where to cut, and at what tilt, so that the part needs least support standing on the cut face."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

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

LOSS_WEIGHT = 0.01
"""Of two cuts that need the same support the one that takes less away is better: a cubic millimetre lost
weighs as much as this of support."""

COARSE_COLUMNS = 64
FINE_COLUMNS = 200
"""Columns along the part's diagonal in the first look and when measuring again."""

REPORTED_MM = 0.5
"""Columns for the figures that are stated; coarser ones flatter the plane that they pick."""

REPORTED_COLUMNS = 400
"""Along the diagonal at least, so that small parts are measured as well as large ones."""

MOST_COLUMNS = 1400
"""Along the diagonal: bounds memory for parts beyond 70 cm to about a hundred megabytes."""

APART_DEG = 8.0
"""Cuts that are refined start at least this far apart, or they would all climb the same hill."""

NARROW_MM = 0.001
"""Half the window of heights when the cut's place is given and only its tilt is looked for."""

HAIR = 1e-5
"""Share of the part's extent by which a cut clears what should go, and what should stay."""

HULL_SLACK = 0.02
"""Columns see the base's hull from sixteen sides, which takes it for up to this share of its width (the root
of its area) wider than it is; the exact cut must stand as asked."""

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
    steady_deg       lean that the part must stand before its centre of mass is over the edge of the base
    """

    most_tilt_deg: float
    least_mm3: float
    least_base_mm2: float
    protected: Floats
    unwanted: Floats
    through: Floats | None = None
    steady_deg: float = 0.0


@dataclass(frozen=True)
class Cut:
    """A plane, by unit normal `up` (3,) and height along it, and what standing on it costs.

    The centre of mass is `inside_mm` within the base's hull and `centre_mm` above it.
    """

    up: Floats
    height_mm: float
    support_mm3: float
    volume_mm3: float
    base_mm2: float
    inside_mm: float
    centre_mm: float

    @property
    def tips_beyond_deg(self) -> float:
        return float(np.degrees(np.arctan2(self.inside_mm, self.centre_mm)))

    @property
    def tilt_deg(self) -> float:
        return float(np.degrees(np.arccos(min(1.0, self.up[2]))))


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
    windows, usable = _windows(rough, directions, limits, clears)
    if clears and not usable.any():
        clears = False
        windows, usable = _windows(rough, directions, limits, clears)
    if not usable.any():
        return Search([], None, 0, 0, clears)
    directions, windows = directions[usable], windows[usable]
    first = evaluate(Solid.of(*coarse), directions, windows, span_mm / COARSE_COLUMNS)
    score = _score(first, limits)
    considered, possible = score.size, int(np.isfinite(score).sum())
    order = np.argsort(score.min(axis=1), kind="stable")[:FINALISTS]
    order = order[np.isfinite(score.min(axis=1)[order])]
    solid = Solid.of(vertices, faces)

    def measure(ups: Floats, cell_mm: float, near: tuple[Floats, float] | None = None) -> list[Cut]:
        nonlocal considered
        heights, fine = _windows(used, ups, limits, clears, near)
        if not fine.any():
            return []
        columns = evaluate(solid, ups[fine], heights[fine], cell_mm)
        considered += columns.height_mm.size
        return _best_of_each(ups[fine], columns, limits)

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
                turned = _around(cut.up, turn_deg, limits.most_tilt_deg)
                nearby = measure(turned, cell_mm, (on_middle(cut), reach))
                if not nearby or _cost(nearby[0]) >= _cost(cut):
                    break
                cut = nearby[0]
        return cut

    fine_mm, told_mm = span_mm / FINE_COLUMNS, report_mm(vertices)
    starts = _apart(measure(directions[order], fine_mm))
    refined = sorted((climbed(start, TURNS_DEG, fine_mm) for start in starts), key=_cost)
    level = measure(np.array([[0.0, 0.0, 1.0]]), fine_mm)[:1]

    def stated(cuts: list[Cut]) -> list[Cut | None]:
        """The cuts measured in fine columns, at the best height near their own."""
        if not cuts:
            return []
        ups = np.array([cut.up for cut in cuts])
        rows = [
            _windows(used, cut.up[None], limits, clears, (on_middle(cut), 1 / HEIGHTS))[0][0] for cut in cuts
        ]
        columns = evaluate(solid, ups, np.array(rows), told_mm)
        return [_best(ups, columns, limits, k) for k in range(len(cuts))]

    # The level cut competes too: in fine columns it may win over one that was refined in coarser ones.
    told = stated([*refined, *level])
    if told and told[0] is not None:
        told[0] = climbed(told[0], LAST_TURNS_DEG, told_mm)
    best = sorted((cut for cut in told if cut is not None), key=_cost)
    steadiest = None
    if not best:
        ups = np.concatenate([[[0.0, 0.0, 1.0]], directions[_firmest_first(first, limits)[:FINALISTS]]])
        heights, fine = _windows(used, ups, limits, clears)
        columns = evaluate(solid, ups[fine], heights[fine], told_mm)
        steadiest = _firmest(ups[fine], columns, limits)
    return Search(best, told[-1] if level else None, considered, possible, clears, steadiest)


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


def _allowed(columns: Columns, limits: Limits) -> Mask:
    """(n,k) whether the cut leaves enough, on a base large enough."""
    return (columns.volume_mm3 >= limits.least_mm3) & (columns.base_mm2 >= limits.least_base_mm2)


def _spare_mm(columns: Columns, steady_deg: float) -> Floats:
    """(n,k) by how much the part stands more firmly than asked, in mm at the edge of its base."""
    needed = np.tan(np.radians(steady_deg)) * columns.centre_mm + HULL_SLACK * np.sqrt(columns.base_mm2)
    return np.asarray(columns.inside_mm - needed)


def _score(columns: Columns, limits: Limits) -> Floats:
    """(n,k) support and what is lost, in mm3; infinite where a limit is broken."""
    allowed = _allowed(columns, limits)
    allowed &= _spare_mm(columns, limits.steady_deg) >= 0
    return np.where(allowed, columns.support_mm3 - LOSS_WEIGHT * columns.volume_mm3, np.inf)


def _lean_stood(columns: Columns, limits: Limits) -> Floats:
    """(n,k) radians by which the part may lean before it tips; minus infinity where a limit is broken."""
    lean = np.arctan2(columns.inside_mm, columns.centre_mm)
    return np.where(_allowed(columns, limits), lean, -np.inf)


def _firmest_first(columns: Columns, limits: Limits) -> NDArray[np.int64]:
    """Indices of directions with an allowed cut, those that stand the most lean first."""
    firmest = _lean_stood(columns, limits).max(axis=1)
    order = np.argsort(-firmest, kind="stable")
    return np.asarray(order[np.isfinite(firmest[order])])


def _firmest(ups: Floats, columns: Columns, limits: Limits) -> Cut | None:
    """The cut that stands the most lean."""
    lean = _lean_stood(columns, limits)
    if not np.isfinite(lean).any():
        return None
    k, at = np.unravel_index(int(lean.argmax()), lean.shape)
    return _cut(ups[k], columns, int(k), int(at))


def _cost(cut: Cut) -> float:
    return cut.support_mm3 - LOSS_WEIGHT * cut.volume_mm3


def _best_of_each(ups: Floats, columns: Columns, limits: Limits) -> list[Cut]:
    """The best height of each direction that has an allowed one, best direction first."""
    found = [_best(ups, columns, limits, k) for k in range(len(ups))]
    return sorted((cut for cut in found if cut is not None), key=_cost)


def _best(ups: Floats, columns: Columns, limits: Limits, k: int) -> Cut | None:
    """The best allowed height of direction k."""
    score = _score(columns, limits)[k]
    at = int(score.argmin())
    return _cut(ups[k], columns, k, at) if np.isfinite(score[at]) else None


def _cut(up: Floats, columns: Columns, k: int, at: int) -> Cut:
    values = (
        columns.height_mm,
        columns.support_mm3,
        columns.volume_mm3,
        columns.base_mm2,
        columns.inside_mm,
        columns.centre_mm,
    )
    return Cut(up, *(float(value[k, at]) for value in values))


def _around(up: Floats, turn_deg: float, most_tilt_deg: float) -> Floats:
    """The direction turned by an angle to eight sides, as far as the tilt stays within bounds."""
    from .plane_cut import plane_axes

    x_axis, y_axis = plane_axes(up)
    turn = 2.0 * np.pi * np.arange(8) / 8
    tip = np.tan(np.radians(turn_deg))
    found = up + tip * (np.cos(turn)[:, None] * x_axis + np.sin(turn)[:, None] * y_axis)
    found /= np.linalg.norm(found, axis=1)[:, None]
    return np.asarray(found[found[:, 2] >= np.cos(np.radians(most_tilt_deg)) - 1e-12])
