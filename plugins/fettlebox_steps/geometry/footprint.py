"""The opening closed for the winding number: walls and a base that need not meet the rim vertex for vertex.

Where several openings stand on one base, or a rim is too ragged to follow, their outlines are united
into one footprint, slits between them are stopped with prisms, and the union of all is left to the
winding number.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from scipy.spatial import cKDTree

from .base import Frame, band, counter_clockwise, wall_top
from .topology import Floats, Ints, diagonal, enclosed_volume

Soup = tuple[Floats, Ints]

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
        posts = top[_spread(top, step)]
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


def _spread(curve: Floats, step_mm: float) -> Ints:
    """Indices of a closed curve's points about `step_mm` apart, twelve at the least."""
    along = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(curve, axis=0), axis=1))]
    count = max(12, int(along[-1] / step_mm))
    return np.unique(np.searchsorted(along, np.linspace(0, along[-1], count, endpoint=False)))


def _slits(
    footprint: Any, rim: Floats, frame: Frame, cell_mm: float, step_mm: float, size_mm: float
) -> list[Soup]:
    """Prisms, from just past the rim to the base, that stop what a closing of the footprint fills."""
    from shapely.geometry.polygon import orient

    reach = SLIT_SHARE * size_mm
    closed = footprint
    for _ in range(4):
        closed = footprint.buffer(reach).buffer(-reach)
        if len(_polygons(closed)) == 1:
            break
        reach *= 1.5
    nearest = cKDTree(rim[:, :2])
    prisms = []
    for slit in _polygons(closed.difference(footprint.buffer(-2 * cell_mm))):
        if slit.area < 4 * cell_mm**2:
            continue
        shape = orient(slit.simplify(0.3 * cell_mm).segmentize(step_mm), 1.0)
        if not shape.is_valid or shape.is_empty:
            continue
        outline, triangles = _triangulated(shape)
        _, near = nearest.query(outline, k=min(8, len(rim)))
        height = rim[near.reshape(len(outline), -1), 2].max(axis=1) + 2 * cell_mm
        prisms.append(_prism(shape, outline, triangles, np.minimum(height, frame.offset_mm - cell_mm), frame))
    return prisms


def _prism(shape: Any, outline: Floats, triangles: Ints, top: Floats, frame: Frame) -> Soup:
    k = len(outline)
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
