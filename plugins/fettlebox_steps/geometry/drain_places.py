"""Where a straight round hole leads from a hollow through its wall to the outside."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .plane_cut import plane_axes

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]

SAMPLES = 4000
"""Places of a hollow that are looked at besides its corners, spread evenly by area."""

RING_RAYS = 24
INNER_RAYS = 12
"""Rays along the rim of a hole and half-way to it; what is narrower than their gaps, the drill cuts away."""

BEYOND_SHARE = 0.1
BEYOND_MM = 0.05
"""A drill sticks out of the wall on both sides by this share of its radius, and this."""

LONGEST_WALLS = 4.0
"""A hole longer than this many walls and a diameter runs along the wall, not through it."""


@dataclass(frozen=True, eq=False)
class Hole:
    """A drill from `start` (3,) in the hollow, `length_mm` along `axis` (3,); mouth (3,): its middle outside.

    lowest_mm   height of the lowest place of its rim in the hollow, along `up`
    """

    start: Floats
    axis: Floats
    length_mm: float
    mouth: Floats
    lowest_mm: float


def spread_over(vertices: Floats, faces: Ints, count: int = SAMPLES) -> Floats:
    """All corners, and (count,3) points evenly by area, the same ones every time.

    Within the triangles they follow the multiples of the powers of 1 over the plastic number.
    """
    corners = vertices[faces]
    area = np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1)
    total = np.cumsum(area)
    k = np.arange(count)
    chosen = np.searchsorted(total, (k + 0.5) / count * total[-1])
    u, v = (k * 0.7548776662466927) % 1.0, (k * 0.5698402909980532) % 1.0
    fold = u + v > 1
    u, v = np.where(fold, 1 - u, u), np.where(fold, 1 - v, v)
    a, b, c = (corners[chosen, i] for i in range(3))
    inner = a + u[:, None] * (b - a) + v[:, None] * (c - a)
    return np.concatenate([vertices[np.unique(faces)], inner])


def thinned(points: Floats, order: Ints, apart_mm: float, most: int) -> Ints:
    """The first `most` of `order` of which no two share a cube of `apart_mm`."""
    cubes = np.floor(points[order] / apart_mm).astype(np.int64)
    _, first = np.unique(cubes, axis=0, return_index=True)
    return np.asarray(order[np.sort(first)[:most]])


@dataclass(frozen=True, eq=False)
class Walls:
    """A hollow part as the drill sees it.

    vertices (n,3), faces (m,3); hollow (m,) faces of the hollow to be drained; outside (m,) faces on the
    outside; planes: (point, normal) of flat faces that holes keep clear of; only: the one they must end on.
    """

    vertices: Floats
    faces: Ints
    hollow: Mask
    outside: Mask
    planes: tuple[tuple[Floats, Floats], ...]
    only: tuple[Floats, Floats] | None
    on_plane_mm: float

    def __post_init__(self) -> None:
        corners = self.vertices[self.faces]
        object.__setattr__(self, "_low", corners.min(axis=1))
        object.__setattr__(self, "_high", corners.max(axis=1))

    def hole(self, at: Floats, axis: Floats, wall_mm: float, radius_mm: float, up: Floats) -> Hole | None:
        """The hole through `at` (3,) on the hollow along `axis`, if all of it goes through one wall only."""
        reach_mm = LONGEST_WALLS * wall_mm + 4 * radius_mm
        ends = np.stack([at - reach_mm * axis, at + reach_mm * axis])
        low, high = ends.min(axis=0) - radius_mm, ends.max(axis=0) + radius_mm
        near = np.flatnonzero(
            ((self._low <= high) & (self._high >= low)).all(axis=1)  # type: ignore[attr-defined]
        )
        x_axis, y_axis = plane_axes(axis)
        corners = self.vertices[self.faces[near]] - at
        flat = np.stack([corners @ x_axis, corners @ y_axis], axis=2)
        rays = _rays(radius_mm)
        starts, exits = np.empty(len(rays)), np.empty(len(rays))
        found = []
        for r, ray in enumerate(rays):
            depth, hit, way = _hits(flat - ray, corners @ axis)
            inward = np.flatnonzero((way < 0) & self.hollow[near[hit]])
            if not len(inward):
                return None
            enter = depth[inward[np.argmin(np.abs(depth[inward]))]]
            later = np.flatnonzero(depth > enter)
            if not len(later):
                return None
            leave = later[np.argmin(depth[later])]
            if way[leave] < 0 or not self.outside[near[hit[leave]]]:
                return None
            starts[r], exits[r] = enter, depth[leave]
            found.append(depth)
        beyond = BEYOND_MM + BEYOND_SHARE * radius_mm
        first, last = starts.min() - beyond, exits.max() + beyond
        if last - first > LONGEST_WALLS * wall_mm + 2 * radius_mm + 2 * beyond:
            return None
        if any(((depth > first) & (depth < last)).sum() != 2 for depth in found):
            return None
        across = rays @ np.stack([x_axis, y_axis])
        mouths = at + across + exits[:, None] * axis
        if not self._allowed(mouths):
            return None
        rim = at + across + starts[:, None] * axis
        return Hole(at + first * axis, axis, float(last - first), mouths[0], float((rim @ up).min()))

    def _allowed(self, mouths: Floats) -> bool:
        if self.only is not None:
            point, normal = self.only
            return bool((np.abs((mouths - point) @ normal) <= self.on_plane_mm).all())
        return not any(
            (np.abs((mouths - point) @ normal) <= self.on_plane_mm).any() for point, normal in self.planes
        )


def _rays(radius_mm: float) -> Floats:
    """(r,2) where rays stand in a hole: first its middle, then half-way out, then just outside its rim."""
    rows = [radius_mm * np.array([[0.0031, 0.0017]])]  # the very middle is often over a corner
    for count, radius in ((INNER_RAYS, 0.5 * radius_mm), (RING_RAYS, 1.02 * radius_mm)):
        turn = 2 * np.pi * np.arange(count) / count + 0.1
        rows.append(radius * np.column_stack([np.cos(turn), np.sin(turn)]))
    return np.concatenate(rows)


def _hits(flat: Floats, depth: Floats) -> tuple[Floats, Ints, Ints]:
    """Depth (h,), face (h,) and way (h,), -1 into the material, of the faces (f,3,2) over the origin."""
    a, b, c = flat[:, 0], flat[:, 1], flat[:, 2]

    def side(p: Floats, q: Floats) -> Floats:
        return np.asarray(p[:, 0] * q[:, 1] - p[:, 1] * q[:, 0])

    u, v, w = side(b, c), side(c, a), side(a, b)
    over = ((u > 0) & (v > 0) & (w > 0)) | ((u < 0) & (v < 0) & (w < 0))
    hit = np.flatnonzero(over)
    whole = (u + v + w)[hit]
    at = (u[hit] * depth[hit, 0] + v[hit] * depth[hit, 1] + w[hit] * depth[hit, 2]) / whole
    return at, hit, np.sign(whole).astype(np.int64)


def far_first(points: Floats, taken: list[Floats]) -> Iterator[int]:
    """Numbers of points (n,3), the furthest from all those taken first."""
    gap = np.min([np.linalg.norm(points - one, axis=1) for one in taken], axis=0)
    yield from (int(i) for i in np.argsort(-gap, kind="stable"))
