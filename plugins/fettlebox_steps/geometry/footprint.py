"""The opening closed for the winding number: walls and a base that need not meet the rim vertex for vertex.

Where several openings stand on one base, or a rim is too ragged to follow, their outlines are united
into one footprint, slits between them are stopped with prisms, and the union of all is left to the
winding number.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from scipy.spatial import cKDTree

from .base import Frame, band, counter_clockwise, simple_outline, wall_top
from .topology import Flags, Floats, Ints, diagonal, enclosed_volume, twins

Soup = tuple[Floats, Ints]

STOP_LIFT = 0.1
"""Share of the base's extra height that a slit's stop ends short of it: half a millimetre of five."""

SLIT_AREA_SHARE = 0.005
"""Slits under this share of the footprint are fringe, not worth a union."""

FEWEST_POSTS = 12
"""A wall's outline has this many corners at least, or as many as its rim."""

SLIT_SHARE = 0.04
"""Gaps in the footprint narrower than twice this share of the diagonal are stopped."""


def soup_base(vertices: Floats, openings: list[Ints], frame: Frame, cell_mm: float) -> list[Soup]:
    """Meshes that together close the openings; they may overlap one another.

    vertices (n,3) mm; openings, rims in the direction of their faces; cell_mm, the grid that the winding
    number will be sampled on. Returns (points, faces) pairs.
    """
    import shapely

    size = diagonal(vertices)
    step = max(8 * cell_mm, size / 120)
    soup: list[Soup] = []
    outlines, rims = [], []
    for loop in openings:
        rim = frame.flat(vertices[loop])
        top = wall_top(rim, min(200, max(8, len(loop) // 6)), frame)
        k = len(loop)
        soup.append((frame.space(np.r_[rim, top]), band(np.arange(k), np.arange(k, 2 * k))))
        posts = top[_spread(top, step)] if len(top) > FEWEST_POSTS else top
        feet = posts.copy()
        feet[:, 2] = frame.offset_mm
        k = len(posts)
        wall = (frame.space(np.r_[posts, feet]), band(np.arange(k), np.arange(k, 2 * k)))
        soup.append(_finer(*wall, 2.5 * step))
        outlines += _polygons(shapely.make_valid(shapely.Polygon(feet[:, :2])))
        rims.append(rim)
    footprint = shapely.unary_union(outlines)
    rim = np.concatenate(rims)
    soup += [_finer(*prism, 2.5 * step) for prism in _slits(footprint, rim, frame, cell_mm, step, size)]
    for polygon in _polygons(footprint):
        outline, triangles = _triangulated(polygon)
        flat = np.c_[outline, np.full(len(outline), frame.offset_mm)]
        soup.append(_finer(frame.space(flat), triangles, 2.5 * step))
    return soup


def slit_stops(
    vertices: Floats, openings: list[Ints], frame: Frame, overlap_mm: float, *, hang_together: bool
) -> list[Soup]:
    """Closed prisms that stop narrow gaps in what the openings stand on, down from just past the rims.

    They reach `overlap_mm` into the walls that `attach_base` makes, so that a union joins them. They keep
    clear of the base and of the walls' outer sides: faces that all but coincide leave slivers. With
    `hang_together`, wider gaps are stopped too, as far as it takes to make one footprint.
    """
    import shapely

    rims = [frame.flat(vertices[loop]) for loop in openings]
    tops = [simple_outline(rim, frame) for rim in rims]
    footprint = shapely.unary_union([shapely.Polygon(top[:, :2]) for top in tops if top is not None])
    closed = _closed_outline(footprint, diagonal(vertices), widest=4 if hang_together else 1)
    within = closed.buffer(-overlap_mm / 4)
    shapes = []
    for gap in _polygons(closed.difference(footprint)):
        if gap.area > max(overlap_mm**2, SLIT_AREA_SHARE * footprint.area):
            shapes += _polygons(gap.buffer(overlap_mm).intersection(within).simplify(overlap_mm / 8))
    lifted = replace(frame, offset_mm=frame.offset_mm - STOP_LIFT * (frame.offset_mm - _furthest(rims)))
    scan = frame.flat(vertices)
    prisms = [_clear_of(scan, shape, np.concatenate(rims), lifted, overlap_mm) for shape in shapes]
    return [(points, faces) for points, faces in prisms if (twins(faces, len(points)) >= 0).all()]


def _furthest(rims: list[Floats]) -> float:
    return max(float(rim[:, 2].max()) for rim in rims)


def _spread(curve: Floats, step_mm: float) -> Ints:
    """Indices of a closed curve's points about `step_mm` apart, FEWEST_POSTS if they can be told apart."""
    along = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(curve, axis=0), axis=1))]
    count = max(FEWEST_POSTS, int(along[-1] / step_mm))
    chosen = np.unique(np.searchsorted(along, np.linspace(0, along[-1], count, endpoint=False)))
    return chosen if len(chosen) > 2 else np.arange(len(curve))


def _closed_outline(footprint: Any, size_mm: float, widest: int = 4) -> Any:
    """The footprint with narrow gaps closed; wider ones too, as far as it takes to make it hang together."""
    reach = SLIT_SHARE * size_mm
    closed = footprint
    for _ in range(widest):
        closed = footprint.buffer(reach).buffer(-reach)
        if len(_polygons(closed)) == 1:
            break
        reach *= 1.5
    return closed


def _slits(
    footprint: Any, rim: Floats, frame: Frame, cell_mm: float, step_mm: float, size_mm: float
) -> list[Soup]:
    """Prisms, from just past the rim to the base, that stop what a closing of the footprint fills."""
    closed = _closed_outline(footprint, size_mm)
    prisms = []
    for slit in _polygons(closed.difference(footprint.buffer(-2 * cell_mm))):
        if slit.area < 4 * cell_mm**2:
            continue
        shape = slit.simplify(0.3 * cell_mm).segmentize(step_mm)
        if shape.is_valid and not shape.is_empty:
            prisms.append(_prism(shape, rim, frame, 2 * cell_mm))
    return prisms


def _clear_of(scan: Floats, shape: Any, rim: Floats, frame: Frame, below_mm: float) -> Soup:
    """A prism whose top is taken down wherever it would bury points (n,3) of the scan, flat ones."""
    from .winding import WindingTree

    shape = _turned(shape.segmentize(below_mm))
    points, faces = _prism(shape, rim, frame, below_mm)
    low, high = np.array(shape.bounds).reshape(2, 2)
    near = scan[((scan[:, :2] >= low) & (scan[:, :2] <= high)).all(axis=1)]
    if not len(near):
        return points, faces
    buried = near[WindingTree.of(points, faces).at(frame.space(near)) > 0.5]
    outline, triangles = _triangulated(shape)
    top_mm = frame.flat(points)[: len(outline), 2].copy()
    for corners in triangles:
        above = buried[_within(outline[corners], buried[:, :2]), 2]
        top_mm[corners] = np.maximum(top_mm[corners], above.max(initial=-np.inf) + below_mm / 4)
    return _prism(shape, rim, frame, below_mm, top_mm)


def _within(corners: Floats, points: Floats) -> Flags:
    """(n,) points (n,2) in a counter-clockwise triangle (3,2) or on its border."""
    side = np.roll(corners, -1, axis=0) - corners
    away = points[:, None] - corners
    return np.asarray((side[:, 0] * away[..., 1] - side[:, 1] * away[..., 0] >= 0).all(axis=1))


def _prism(shape: Any, rim: Floats, frame: Frame, below_mm: float, top_mm: Floats | None = None) -> Soup:
    """A prism from the base up to heights (k,) of its corners, or `below_mm` short of the rim points nearest
    to them.
    """
    shape = _turned(shape)
    outline, triangles = _triangulated(shape)
    k = len(outline)
    if top_mm is None:
        _, near = cKDTree(rim[:, :2]).query(outline, k=min(8, len(rim)))
        top_mm = rim[near.reshape(k, -1), 2].max(axis=1) + below_mm
    top = np.minimum(top_mm, frame.offset_mm - below_mm / 2)
    points = frame.space(np.r_[np.c_[outline, top], np.c_[outline, np.full(k, frame.offset_mm)]])
    faces = [triangles[:, ::-1], triangles + k]
    start = 0
    for ring in (shape.exterior, *shape.interiors):
        row = np.arange(start, start + len(ring.coords) - 1)
        start += len(row)
        after = np.roll(row, -1)
        faces += [np.stack([row, after, after + k], axis=1), np.stack([row, after + k, row + k], axis=1)]
    joined = np.concatenate(faces)
    return points, joined if enclosed_volume(points, joined) > 0 else joined[:, ::-1]


def _turned(shape: Any) -> Any:
    from shapely.geometry.polygon import orient

    return orient(shape, 1.0)


def _polygons(shape: Any) -> list[Any]:
    parts = getattr(shape, "geoms", [shape])
    return [p for p in parts if p.geom_type == "Polygon" and p.area > 1e-12]


def _triangulated(polygon: Any) -> tuple[Floats, Ints]:
    import mapbox_earcut

    rings = [np.asarray(ring.coords)[:-1, :2] for ring in (polygon.exterior, *polygon.interiors)]
    outline = np.ascontiguousarray(np.concatenate(rings))
    ends = np.cumsum([len(ring) for ring in rings]).astype(np.uint32)
    triangles = np.asarray(mapbox_earcut.triangulate_float64(outline, ends), np.int64).reshape(-1, 3)
    return outline, counter_clockwise(outline, triangles)


def _finer(points: Floats, faces: Ints, longest_mm: float) -> Soup:
    """Every triangle in four, again and again until no edge is longer: needles make winding numbers slow."""
    for _ in range(12):
        corners = points[faces]
        longest = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).max(axis=1, initial=0)
        long = longest > longest_mm
        if not long.any():
            break
        a, b, c = (points[faces[long, k]] for k in range(3))
        n, k = len(points), int(long.sum())
        ab, bc, ca = (np.arange(n + i * k, n + (i + 1) * k) for i in range(3))
        f = faces[long]
        parts = [(f[:, 0], ab, ca), (ab, f[:, 1], bc), (ca, bc, f[:, 2]), (ab, bc, ca)]
        points = np.concatenate([points, (a + b) / 2, (b + c) / 2, (c + a) / 2])
        faces = np.concatenate([faces[~long], *(np.stack(part, axis=1) for part in parts)])
    return points, faces
