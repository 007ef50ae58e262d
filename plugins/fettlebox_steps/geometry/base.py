"""The opening closed by a wall down from its rim and a flat base, as the potter's foot closes a pot.

Heights are measured along the base's outward normal: the plane lies beyond the furthest rim point. Where all
of the surface is seen from one side, the wall goes straight away from the viewer, where nothing is in its
way; elsewhere it starts from a smoothed curve beyond the rim.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .refine import refine
from .topology import Floats, Ints, diagonal

SMOOTHINGS = (3, 8, 20, 60, 150)
"""Passes of smoothing tried on a rim's outline until it no longer crosses itself. The wall starts from
the smoothed outline; the band between it and the ragged rim takes up the difference."""
ROW_GROWTH = 1.6
"""Rows of the wall widen away from the rim, which would else make the flat wall the densest part."""
CAP_GROWTH = 0.6
"""Likewise for the base: edge length gained for distance from its outline."""
EVEN_SHARE = 0.02
"""A straight wall's foot is evened out over about this share of the scan's diagonal: 5 mm on a face in life
size."""
LEAN = 0.3
"""A wall moves aside by no more than this share of its height, which is 24 degrees where it is steepest."""


@dataclass(frozen=True)
class Frame:
    """Axes of a base plane: across (3,), along (3,), out (3,) of the material; `offset_mm` along out.

    straight  out is the way somebody looks who sees all of the surface, so that walls go straight that way
              from the rim and do not meet it again
    """

    across: Floats
    along: Floats
    out: Floats
    offset_mm: float
    straight: bool = False

    def flat(self, points: Floats) -> Floats:
        """Points (n,3) as (across, along, height)."""
        return points @ np.stack([self.across, self.along, self.out], axis=1)

    def space(self, flat: Floats) -> Floats:
        """The inverse of `flat`."""
        return flat @ np.stack([self.across, self.along, self.out])

    @property
    def point(self) -> Floats:
        return self.out * self.offset_mm


def base_frame(vertices: Floats, openings: list[Ints], outward: Floats, extra_mm: float) -> Frame:
    """The plane square to `outward`, `extra_mm` beyond the furthest point of the rims."""
    out = outward / np.linalg.norm(outward)
    helper = np.eye(3)[np.abs(out).argmin()]
    across = np.cross(helper, out)
    across /= np.linalg.norm(across)
    furthest = max(float((vertices[loop] @ out).max()) for loop in openings)
    return Frame(across, np.cross(out, across), out, furthest + extra_mm)


def _smoothed(closed: Floats, passes: int) -> Floats:
    """A closed outline (k,d) after so many passes of half each point and a quarter of either neighbour.

    A wave with j turns around it keeps cos²(pi j / k) of its height in each pass (P. Davis, "Circulant
    matrices", 1979), so that all passes are one multiplication.
    """
    waves = np.fft.rfft(closed, axis=0)
    kept = np.cos(np.pi * np.arange(len(waves)) / len(closed)) ** (2 * passes)
    return np.fft.irfft(waves * kept[:, None], n=len(closed), axis=0)


def wall_top(rim: Floats, passes: int, frame: Frame) -> Floats:
    """(k,3) flat coordinates of the smooth curve just beyond the rim where the straight wall starts."""
    edge = float(np.median(np.linalg.norm(rim - np.roll(rim, 1, axis=0), axis=1)))
    lead = min(1.5 * edge, 0.5 * (frame.offset_mm - float(rim[:, 2].max())))
    top = _smoothed(rim, passes)
    height = np.maximum(top[:, 2], rim[:, 2]) + lead
    height = np.maximum(_smoothed(height[:, None], passes)[:, 0], rim[:, 2] + 0.5 * lead)
    top[:, 2] = np.minimum(height, frame.offset_mm - 0.2 * lead)
    return top


def band(upper: Ints, lower: Ints) -> Ints:
    """Triangles between two closed rows of equally many vertices, `upper` in the direction of its faces."""
    upper_next, lower_next = np.roll(upper, -1), np.roll(lower, -1)
    return np.concatenate(
        [np.stack([upper_next, upper, lower], axis=1), np.stack([upper_next, lower, lower_next], axis=1)]
    )


def _rows(top: Floats, frame: Frame, edge_mm: float) -> list[Floats]:
    depth = (frame.offset_mm - float(np.median(top[:, 2]))) / max(2 * edge_mm, 1e-12)
    count = int(np.ceil(np.log(1 + (ROW_GROWTH - 1) * depth) / np.log(ROW_GROWTH)))
    count = min(max(count, 1), 24)
    shares = (ROW_GROWTH ** np.arange(1, count + 1) - 1) / (ROW_GROWTH**count - 1)
    rows = [top]
    for share in shares:
        row = top.copy()
        row[:, 2] += (frame.offset_mm - top[:, 2]) * share
        rows.append(row)
    rows[-1][:, 2] = frame.offset_mm
    return rows


def _evened_out(rows: list[Floats], surface: Floats, frame: Frame) -> list[Floats]:
    """Rows of a straight wall that ends in an evened outline: down from the rim past all of the surface near
    it, flat points (n,3), and only then aside.
    """
    import shapely

    rim = rows[0]
    edge_mm = float(np.median(np.linalg.norm(np.roll(rim, -1, axis=0) - rim, axis=1)))
    passes = int(2 * (EVEN_SHARE * diagonal(surface) / edge_mm) ** 2)
    rough = rim[:, :2] - _smoothed(rim[:, :2], passes)
    aside = _smoothed(rough, passes) - rough
    past_mm = _lowest_near(rim, surface, np.linalg.norm(aside, axis=1) + 2 * edge_mm)
    left_mm = frame.offset_mm - past_mm
    aside *= np.minimum(1.0, LEAN * left_mm / np.maximum(np.linalg.norm(aside, axis=1), 1e-12))[:, None]
    if not shapely.Polygon(rim[:, :2] + aside).is_valid:
        return rows
    moved = []
    for row in rows:
        share = np.clip((row[:, 2] - past_mm) / left_mm, 0.0, 1.0)
        eased = share**2 * (3 - 2 * share)
        moved.append(np.c_[row[:, :2] + aside * eased[:, None], row[:, 2]])
    return moved


def _lowest_near(rim: Floats, surface: Floats, reach_mm: Floats) -> Floats:
    """(k,) height of the lowest of the surface within `reach_mm` (k,) of rim points, as seen from there."""
    from scipy.spatial import cKDTree

    near = cKDTree(surface[:, :2]).query_ball_point(rim[:, :2], reach_mm)
    return np.array([surface[which, 2].max(initial=z) for which, z in zip(near, rim[:, 2], strict=True)])


def simple_outline(rim: Floats, frame: Frame) -> Floats | None:
    """The least smoothed wall top whose outline does not cross itself, or None. The rim itself if walls are
    to go straight from it.
    """
    import shapely

    if frame.straight and shapely.Polygon(rim[:, :2]).is_valid:
        return rim
    for passes in SMOOTHINGS:
        top = wall_top(rim, passes, frame)
        if shapely.Polygon(top[:, :2]).is_valid:
            return top
    return None


def attach_base(vertices: Floats, loop: Ints, frame: Frame) -> tuple[Floats, Ints] | None:
    """Wall and cap that join a rim vertex for vertex.

    Returns (new points (p,3), faces (f,3)) where index n + i means new point i and lower ones are
    `vertices`; None if no smoothed outline of the rim is free of self-crossing.
    """
    import mapbox_earcut

    rim = frame.flat(vertices[loop])
    top = simple_outline(rim, frame)
    if top is None:
        return None
    edge = float(np.median(np.linalg.norm(rim - np.roll(rim, 1, axis=0), axis=1)))
    points, faces, upper, next_index = [], [], loop, len(vertices)
    rows = _rows(top, frame, edge)
    if top is rim:
        rows = _evened_out(rows, frame.flat(vertices), frame)[1:]
    for row in rows:
        lower = np.arange(next_index, next_index + len(row))
        faces.append(band(upper, lower))
        points.append(row)
        upper, next_index = lower, next_index + len(row)
    outline = np.ascontiguousarray(points[-1][:, :2])
    corners = mapbox_earcut.triangulate_float64(outline, np.array([len(outline)], np.uint32))
    cap: Ints = np.asarray(corners, np.int64).reshape(-1, 3)
    if len(cap) != len(outline) - 2:
        return None
    cap = counter_clockwise(outline, cap)
    spacing = np.linalg.norm(outline - np.roll(outline, 1, axis=0), axis=1)
    spacing = np.maximum((spacing + np.roll(spacing, -1)) / 2, 0.3 * np.median(spacing))
    flat, cap = refine(points[-1], cap, spacing, grow=CAP_GROWTH)
    flat[len(outline) :, 2] = frame.offset_mm
    points.append(flat[len(outline) :])
    index = np.r_[upper, np.arange(next_index, next_index + len(flat) - len(outline))]
    faces.append(index[cap])
    return frame.space(np.concatenate(points)), np.concatenate(faces)


def counter_clockwise(outline: Floats, triangles: Ints) -> Ints:
    """Plane triangles turned so that each has positive area in (across, along)."""
    a, b, c = (outline[triangles[:, k]] for k in range(3))
    clockwise = (b - a)[:, 0] * (c - a)[:, 1] - (b - a)[:, 1] * (c - a)[:, 0] < 0
    return np.where(clockwise[:, None], triangles[:, [0, 2, 1]], triangles)
