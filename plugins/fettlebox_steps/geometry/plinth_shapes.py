"""The outline of a plinth: round, square, or following what stands on it; and how steadily it stands.

Outlines are shapely polygons seen from above, in mm, without holes, counter-clockwise.
"""

from __future__ import annotations

import math
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from .drilling import sides
from .plane_cut import PlaneCut
from .resting import inside_by

Floats = NDArray[np.float64]
Shape = Literal["round", "square", "outline"]

STEADY = 0.1
"""The centre of mass lies inside the edge of the plinth by this share of its height: the part then stands a
lean of six degrees (our judgement, the same as for a part on the bed)."""

SMOOTH_MM = 0.02
"""An outline that follows the part is simplified within this: a tenth of an everyday layer."""

WIDEST_SLIT = 4
"""A slit in the outline is closed if it is narrower than this many margins: a moat nobody can clean."""

ARC = 32
"""Chords in a quarter of a round corner: within a thousandth of its radius."""

ROUNDS = 50
"""A wider plinth is heavier and brings the centre of mass down, so that the search for a width settles."""


def footprint(below: PlaneCut) -> Any:
    """What the part covers, seen from above, as far as it lies below the top of the plinth (a cut-off piece
    with its cap). Whatever a vertical line enters from below it leaves through a face that looks up.
    """
    import shapely

    corners = below.vertices[below.faces][:, :, :2]
    edge, other = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    upward = edge[:, 0] * other[:, 1] - edge[:, 1] * other[:, 0] > 0.0
    cap = shapely.union_all(shapely.polygons(corners[below.cap & upward]))
    shapely.prepare(cap)
    others = np.asarray(shapely.polygons(corners[upward & ~below.cap]))
    return shapely.union_all([cap, *others[~shapely.contains_properly(cap, others)]])


def outline(shape: Shape, covered: Any, margin_mm: float, disc: tuple[Floats, float]) -> Any:
    """The smallest outline of its shape that reaches `margin_mm` beyond what is covered on all sides and
    holds a disc (middle (2,), radius mm).
    """
    import shapely

    middle, radius_mm = disc
    need = covered.buffer(margin_mm, quad_segs=ARC)
    if radius_mm > 0.0:
        need = need.union(shapely.Point(middle).buffer(radius_mm, quad_segs=64))
    if shape == "square":
        left, front, right, back = need.bounds
        half = max(right - left, back - front) / 2.0
        x, y = (left + right) / 2.0, (front + back) / 2.0
        return shapely.box(x - half, y - half, x + half, y + half)
    if shape == "round":
        circle = shapely.minimum_bounding_circle(need).centroid
        return disc_outline(np.array([circle.x, circle.y]), float(shapely.minimum_bounding_radius(need)))
    return _closed(need, margin_mm)


def disc_outline(middle: Floats, radius_mm: float) -> Any:
    """A circle as a polygon around it, turned so that a side looks to the front."""
    import shapely

    count = sides(radius_mm)
    turn = (np.arange(count) + 0.5) * 2.0 * math.pi / count
    reach = radius_mm / math.cos(math.pi / count)
    return shapely.Polygon(np.column_stack([np.cos(turn), np.sin(turn)]) * reach + middle)


def inset(polygon: Any, by_mm: float) -> Any:
    """The outline drawn in on all sides."""
    import shapely

    inner = polygon.buffer(-by_mm, join_style="mitre", mitre_limit=10.0)
    return shapely.orient_polygons(shapely.Polygon(inner.exterior))


def ring(polygon: Any) -> Floats:
    """(k,2) corners of an outline, counter-clockwise, the first not repeated."""
    import shapely

    around = shapely.orient_polygons(shapely.Polygon(polygon.exterior))
    return np.array(around.exterior.coords)[:-1, :2]


def steady_outline(
    shape: Shape,
    covered: Any,
    margin_mm: float,
    height_mm: float,
    above: tuple[float, Floats],
    bottom_mm: float,
) -> tuple[Any, float]:
    """An outline on which the part stands steadily, and by how much it had to be widened for that (mm).

    above   volume and centre of mass of what shows above the plinth, which is `height_mm` high and begins
            at `bottom_mm`
    Raises ValueError if no width settles it.
    """
    plain = outline(shape, covered, margin_mm, (np.zeros(2), 0.0))
    made = plain
    radius_mm = 0.0
    for _ in range(ROUNDS):
        centre, need_mm = _balance(made, height_mm, above, bottom_mm)
        if inside_by(_hull(made), centre) >= need_mm:
            break
        radius_mm = max(need_mm * 1.001, radius_mm)
        made = outline(shape, covered, margin_mm, (centre, radius_mm))
    else:
        raise ValueError("no width of the plinth makes it stand steadily")
    widened = float(np.hypot(*_spans(made)) - np.hypot(*_spans(plain))) / math.sqrt(2.0)
    return made, max(widened, 0.0)


def margin_of(polygon: Any, centre: Floats) -> float:
    """How far inside the edge that a plinth stands on a point (2,) lies, mm."""
    return inside_by(_hull(polygon), centre)


def _balance(
    polygon: Any, height_mm: float, above: tuple[float, Floats], bottom_mm: float
) -> tuple[Floats, float]:
    """Where seen from above the common centre of mass lies, and how far inside the edge it should be."""
    own_mm3 = polygon.area * height_mm
    middle = polygon.centroid
    own = np.array([middle.x, middle.y, bottom_mm + height_mm / 2.0])
    volume_mm3, centre = above
    joint = (own_mm3 * own + volume_mm3 * centre) / (own_mm3 + volume_mm3)
    return joint[:2], STEADY * float(joint[2] - bottom_mm)


def _closed(need: Any, margin_mm: float) -> Any:
    """One outline without holes; pieces are joined by closing what lies between them."""
    import shapely

    reach = WIDEST_SLIT * margin_mm / 2.0
    for _ in range(8):
        closed = need.buffer(reach, quad_segs=ARC).buffer(-reach, quad_segs=ARC)
        if closed.geom_type == "Polygon" and closed.buffer(-margin_mm).geom_type == "Polygon":
            break  # one piece, and nowhere so narrow that a chamfer would part it
        reach *= 1.5
    else:
        closed = need.convex_hull
    # Simplified a little outside, so that the margin is nowhere less than asked.
    full: Any = shapely.Polygon(closed.exterior).buffer(SMOOTH_MM, quad_segs=ARC)
    return shapely.orient_polygons(shapely.Polygon(full.simplify(SMOOTH_MM).exterior))


def _hull(polygon: Any) -> Floats:
    return ring(polygon.convex_hull)


def _spans(polygon: Any) -> tuple[float, float]:
    left, front, right, back = polygon.bounds
    return right - left, back - front
