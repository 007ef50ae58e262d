"""What a cut must respect, and what it costs: support, and a little for what is lost."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .scan_surface import ScanSurface
from .support_columns import Columns

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

LOSS_WEIGHT = 0.01
"""Of two cuts that need the same support the one that takes less away is better: a cubic millimetre lost
weighs as much as this of support."""

HULL_SLACK = 0.02
"""Columns see the base's hull from sixteen sides, which takes it for up to this share of its width (the root
of its area) wider than it is; the exact cut must stand as asked."""


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
    scan, most_taken the scan's surface, and the largest share of what is seen of it that may go, with what is
                     gone already
    price_mm3        support that all of what is seen weighs as much as
    """

    most_tilt_deg: float
    least_mm3: float
    least_base_mm2: float
    protected: Floats
    unwanted: Floats
    through: Floats | None = None
    steady_deg: float = 0.0
    scan: ScanSurface | None = None
    most_taken: float = 1.0
    price_mm3: float = 0.0


@dataclass(frozen=True)
class Cut:
    """A plane, by unit normal `up` (3,) and height along it, and what standing on it costs.

    The centre of mass is `inside_mm` within the base's hull and `centre_mm` above it; `taken` is the share of
    the scan's seen surface that goes, and `cost_mm3` what all is weighed at.
    """

    up: Floats
    height_mm: float
    support_mm3: float
    volume_mm3: float
    base_mm2: float
    inside_mm: float
    centre_mm: float
    taken: float
    cost_mm3: float

    @property
    def tips_beyond_deg(self) -> float:
        return float(np.degrees(np.arctan2(self.inside_mm, self.centre_mm)))

    @property
    def tilt_deg(self) -> float:
        return float(np.degrees(np.arccos(min(1.0, self.up[2]))))


def _allowed(columns: Columns, limits: Limits) -> Mask:
    """(n,k) whether the cut leaves enough, on a base large enough."""
    enough = (columns.volume_mm3 >= limits.least_mm3) & (columns.taken <= limits.most_taken)
    return enough & (columns.base_mm2 >= limits.least_base_mm2)


def _spare_mm(columns: Columns, steady_deg: float) -> Floats:
    """(n,k) by how much the part stands more firmly than asked, in mm at the edge of its base."""
    needed = np.tan(np.radians(steady_deg)) * columns.centre_mm + HULL_SLACK * np.sqrt(columns.base_mm2)
    return np.asarray(columns.inside_mm - needed)


def _costs(columns: Columns, limits: Limits) -> Floats:
    """(n,k) support and what is lost, in mm3."""
    lost = limits.price_mm3 * (columns.taken - columns.before) - LOSS_WEIGHT * columns.volume_mm3
    return np.asarray(columns.support_mm3 + lost)


def scores(columns: Columns, limits: Limits) -> Floats:
    """(n,k) support and what is lost, in mm3; infinite where a limit is broken."""
    allowed = _allowed(columns, limits)
    allowed &= _spare_mm(columns, limits.steady_deg) >= 0
    return np.where(allowed, _costs(columns, limits), np.inf)


def _lean_stood(columns: Columns, limits: Limits) -> Floats:
    """(n,k) radians by which the part may lean before it tips; minus infinity where a limit is broken."""
    lean = np.arctan2(columns.inside_mm, columns.centre_mm)
    return np.where(_allowed(columns, limits), lean, -np.inf)


def firmest_first(columns: Columns, limits: Limits) -> NDArray[np.int64]:
    """Indices of directions with an allowed cut, those that stand the most lean first."""
    lean = _lean_stood(columns, limits).max(axis=1)
    order = np.argsort(-lean, kind="stable")
    return np.asarray(order[np.isfinite(lean[order])])


def firmest(ups: Floats, columns: Columns, limits: Limits) -> Cut | None:
    """The cut that stands the most lean."""
    lean = _lean_stood(columns, limits)
    if not np.isfinite(lean).any():
        return None
    k, at = np.unravel_index(int(lean.argmax()), lean.shape)
    return _cut(ups[k], columns, limits, int(k), int(at))


def cost_of(cut: Cut) -> float:
    return cut.cost_mm3


def best_of_each(ups: Floats, columns: Columns, limits: Limits) -> list[Cut]:
    """The best height of each direction that has an allowed one, best direction first."""
    found = [best_height(ups, columns, limits, k) for k in range(len(ups))]
    return sorted((cut for cut in found if cut is not None), key=cost_of)


def best_height(ups: Floats, columns: Columns, limits: Limits, k: int) -> Cut | None:
    """The best allowed height of direction k."""
    score = scores(columns, limits)[k]
    at = int(score.argmin())
    return _cut(ups[k], columns, limits, k, at) if np.isfinite(score[at]) else None


def costs_at_limits(columns: Columns, limits: Limits) -> Floats:
    """(n,) of each direction at its best height, or at the one above where a limit is just kept: the heights
    that are looked at are a little off it, and by more in one direction than in another.
    """
    score = scores(columns, limits)
    row, at = np.arange(len(score)), score.argmin(axis=1)
    above = np.minimum(at + 1, score.shape[1] - 1)
    room = np.stack(
        [
            columns.volume_mm3 - limits.least_mm3,
            columns.base_mm2 - limits.least_base_mm2,
            limits.most_taken - columns.taken,
            _spare_mm(columns, limits.steady_deg),
        ]
    )
    here, there = room[:, row, at], room[:, row, above]
    share = np.where(there < 0, here / np.where(there < 0, here - there, 1.0), np.inf).min(axis=0)
    raw = _costs(columns, limits)
    between = raw[row, at] + np.where(np.isfinite(share), share, 0.0) * (raw[row, above] - raw[row, at])
    return np.where(np.isfinite(score[row, at]), np.minimum(score[row, at], between), np.inf)


def _cut(up: Floats, columns: Columns, limits: Limits, k: int, at: int) -> Cut:
    values = (
        columns.height_mm,
        columns.support_mm3,
        columns.volume_mm3,
        columns.base_mm2,
        columns.inside_mm,
        columns.centre_mm,
        columns.taken,
        _costs(columns, limits),
    )
    return Cut(up, *(float(value[k, at]) for value in values))
