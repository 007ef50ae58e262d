"""Where a layer spans a gap: lines laid through the air that are held at both ends.

What lies within a line's width of the layer below clings to it. What is further out hangs, and is a bridge if
it can be laid in straight lines of one direction that begin and end on what is held; else it would fall, and
needs support. Any number of directions may do; the nozzle takes the one that spans least.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import reduce
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .layer_facts import area_by_gap
from .measures import area_vectors
from .slicing import Layers

Floats = NDArray[np.float64]

TURNS_DEG = np.arange(0.0, 180.0, 15.0)
"""Directions that are tried beside those of the narrowest box: a span is overrated by 1/cos 7.5 deg, 1 %."""

HELD_SHARE = 0.9
"""So much of a hanging place has to lie in lines that are held at both ends. Our judgement: its corners
seldom do."""

ROUND = 3
"""Sides of a quarter turn where an outline is moved out: off a circle by 1.5 % of the line's width."""

DRAWN_WITHIN = 0.1
"""Outlines are taken to a tenth of a line's width; what is finer, the line smooths over."""


@dataclass(frozen=True, eq=False)
class Bridges:
    """Layer (b,), span in mm (b,) of the longest line, and area in mm2 (b,); from the bed upwards."""

    layer: NDArray[np.int64]
    span_mm: Floats
    area_mm2: Floats


def bridges(vertices: ArrayLike, faces: ArrayLike, layers: Layers, line_mm: float) -> Bridges:
    """Find them in the layers of a closed surface (n,3), (m,3), which tells where undersides are flat."""
    import shapely

    found: list[tuple[int, float, float]] = []
    regions: dict[int, Any] = {}

    def region(k: int) -> Any:
        if k not in regions:
            regions[k] = _region(layers.layer(k), DRAWN_WITHIN * line_mm)
        return regions[k]

    for k in _with_undersides(vertices, faces, layers, line_mm):
        held = region(k - 1).buffer(line_mm, quad_segs=ROUND)
        hanging = region(k).difference(held)
        for place in shapely.get_parts(hanging.buffer(-line_mm / 2.0, quad_segs=ROUND)):
            whole = place.buffer(line_mm / 2.0, quad_segs=ROUND).intersection(hanging)
            span = None if whole.is_empty else _span(whole, held, line_mm)
            if span is not None:
                found.append((k, span, float(whole.area)))
    return Bridges(
        np.array([k for k, _, _ in found], np.int64),
        np.array([span for _, span, _ in found], np.float64),
        np.array([area for _, _, area in found], np.float64),
    )


def _with_undersides(vertices: ArrayLike, faces: ArrayLike, layers: Layers, line_mm: float) -> list[int]:
    """Layers under which so much looks down, and so flatly, that a place can hang further out than a line."""
    points = np.ascontiguousarray(vertices, np.float64)
    corners = np.ascontiguousarray(faces, np.int64)
    if len(layers) < 2:
        return []
    vectors = area_vectors(points, np.asarray(corners, np.int32))
    rise_mm = float(layers.height_mm[1] - layers.height_mm[0])
    flat = -vectors[:, 2] * rise_mm > np.hypot(vectors[:, 0], vectors[:, 1]) * line_mm
    area = np.where(flat, -vectors[:, 2], 0.0)
    passed = area_by_gap(points[:, 2].copy(), corners, area, layers.height_mm)
    return [int(k) for k in np.flatnonzero(passed[1:-1] > line_mm**2) + 1]


def _region(outlines: list[Floats], within_mm: float) -> Any:
    """What outlines (k,2) enclose by the even-odd rule, drawn to `within_mm`."""
    import shapely

    rings = shapely.simplify([shapely.LinearRing(outline) for outline in outlines], within_mm)
    try:
        drawn = shapely.build_area(shapely.GeometryCollection(list(rings)))
    except shapely.GEOSException:  # each was simplified for itself, and two that run close now cross
        shapes = shapely.make_valid([shapely.Polygon(ring) for ring in rings])
        drawn = reduce(shapely.symmetric_difference, shapes)
    return drawn if drawn.is_valid else drawn.buffer(0)


def _span(place: Any, held: Any, line_mm: float) -> float | None:
    """The longest line in the direction where it is shortest; None if no direction has both ends held."""
    import shapely

    middle = place.centroid
    best: float | None = None
    shapely.prepare(held)
    box = shapely.get_coordinates(shapely.minimum_rotated_rectangle(place))
    along_deg = float(np.degrees(np.arctan2(*(box[1] - box[0])[::-1]))) if len(box) > 2 else 0.0
    for turn_deg in (*TURNS_DEG, along_deg, along_deg + 90.0):
        turned = shapely.affinity.rotate(place, -turn_deg, origin=middle)
        left, low, right, high = turned.bounds
        # Half a line off the grid, so that no line runs along an edge of what is drawn on the grid.
        count = max(int((high - low) / line_mm), 1)
        y = low + (np.arange(count) + 0.5) * (high - low) / count
        lines = shapely.linestrings(
            np.stack([np.column_stack([np.full(count, x), y]) for x in (left - 1.0, right + 1.0)], axis=1)
        )
        runs = shapely.get_parts(shapely.intersection(lines, turned))
        runs = runs[shapely.length(runs) > 0]
        length = shapely.length(runs)
        if not len(runs) or (best is not None and length.max() >= best):
            continue
        turned_ends = shapely.MultiPoint(shapely.get_coordinates(shapely.boundary(runs)))
        ends = shapely.get_parts(shapely.affinity.rotate(turned_ends, turn_deg, origin=middle))
        near = shapely.dwithin(held, ends, 0.01 * line_mm).reshape(-1, 2).all(axis=1)
        if length[near].sum() >= HELD_SHARE * length.sum():
            best = float(length[near].max())
    return best
