"""A part seen along parallel rays: which triangle, how deep and facing where, for every pixel.

Parallel projection, so that a millimetre is the same number of pixels everywhere in the picture and a
scale bar tells the truth. It needs no graphics driver.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from ..mesh.part import Floats, Ints, Part

Singles = NDArray[np.float32]

FRONT = (0.0, -1.0, 0.0)
"""Where a part's front looks, when nothing better is known: towards the viewer of a front elevation."""


CLEAR = 0.01
"""A point is looked for from this share of the part's size off its surface, so that it does not hide
itself."""


@dataclass(frozen=True)
class View:
    """Where the viewer stands: turned from the front about Z towards the part's left, then raised."""

    name: str
    turn_deg: float
    raise_deg: float = 0.0

    def axes(self, front: tuple[float, float, float] = FRONT) -> Floats:
        """(3,3) rows: to the right, up, and towards the viewer; orthonormal, in part coordinates."""
        turn = np.arctan2(front[1], front[0]) + np.radians(self.turn_deg)
        lift = np.radians(self.raise_deg)
        toward = np.array([np.cos(turn) * np.cos(lift), np.sin(turn) * np.cos(lift), np.sin(lift)])
        right = np.array([-np.sin(turn), np.cos(turn), 0.0])
        return np.stack([right, np.cross(toward, right), toward])


FRONT_VIEW = View("front", 0.0)
THREE_QUARTER = View("three-quarter", 40.0, 18.0)
SIDE_VIEW = View("side", 90.0)
THREE_VIEWS = (FRONT_VIEW, THREE_QUARTER, SIDE_VIEW)

FROM_ABOVE = View("from above", 0.0, 90.0)
LYING_VIEWS = (FROM_ABOVE, View("three-quarter", 40.0, 50.0), SIDE_VIEW)
"""Of what lies on its back, such as a relief: its face looks up."""

LIES_BELOW = 0.8
"""Height, as a share of the smaller of the two sides across, below which a part lies. Heads and figures that
stand are higher than they are deep; half a head on a flat back is about two thirds as high as it is wide.
Away from 1, so that rounding does not decide it for a ball or a cube.
"""


@dataclass(frozen=True, eq=False)
class Seen:
    """What the rays of one view met. Rows run downwards; `face` is −1 where a ray met nothing.

    face     (h,w) int32, index of the triangle
    depth    (h,w) float32, mm from where the rays start; endless where a ray met nothing
    points   (n,3) corners of triangles: column and row of a ray, and depth
    corners  (n,3) the same in part axes, from the box's centre
    faces    (m,3) int32, their triangles
    axes     (3,3) of the view

    Neighbouring rays are `mm_per_ray` apart. `light` and `creases` keep what was found for a picture of
    this look for the next one.
    """

    face: Ints
    depth: Singles
    points: Floats
    corners: Floats
    faces: Ints
    axes: Floats
    mm_per_ray: float
    creases: dict[int, Singles] = field(default_factory=dict)

    @cached_property
    def light(self) -> Floats:
        """(m,) of each triangle that was met, once it is known; 0 before."""
        return np.zeros(len(self.faces))

    @cached_property
    def weights(self) -> tuple[Singles, Singles]:
        """(h,w) twice, float32: of the triangle's second and third corner at the point that was met."""
        from .raster import shares

        second, third = shares(self.points, self.faces, self.face)
        return second, third


class Stage:
    """A part set up to be looked at, any number of times. The same look again costs nothing.

    Of a `solid`, as the witness knows it, no back is ever seen; that spares half the work.
    """

    def __init__(self, part: Part, *, solid: bool = False) -> None:
        low, high = part.bounds
        self._size = high - low
        self._centre = (low + high) / 2.0
        self._radius = float(np.linalg.norm(self._size)) / 2.0 or 1.0
        self._points = part.vertices - self._centre
        self._faces = part.faces
        self._used = np.zeros(len(part.vertices), bool)
        self._used[part.faces] = True
        self._solid = solid
        self._extents: dict[bytes, tuple[Floats, Floats]] = {}
        self._looks: dict[bytes, Seen] = {}

    @property
    def lies(self) -> bool:
        """Whether the part lies flat, so that it is known best from above."""
        if not len(self._faces):
            return False
        width, depth, height = self._size
        return bool(height < LIES_BELOW * min(width, depth))

    @property
    def views(self) -> tuple[View, ...]:
        """The three sides from which the part is shown where nobody chose others."""
        return LYING_VIEWS if self.lies else THREE_VIEWS

    def extent(self, axes: Floats) -> tuple[Floats, Floats]:
        """Smallest and largest (right, up) in mm of the part in these axes, from its box's centre."""
        from .raster import reach

        if not len(self._faces):
            return np.zeros(2), np.zeros(2)
        across = np.ascontiguousarray(axes[:2])
        key = across.tobytes()
        if key not in self._extents:
            self._extents[key] = reach(self._points, self._used, across)
        return self._extents[key]

    def place(self, point: Floats, axes: Floats) -> Floats:
        """(right, up) in mm of a point of the part, from its box's centre."""
        return np.asarray(axes[:2] @ (point - self._centre))

    def sees(self, point: Floats, axes: Floats) -> bool:
        """Whether nothing of the part is between a point of its surface and the viewer."""
        from .raster import rasterise, turned

        at = axes @ (point - self._centre)
        seen = turned(self._points, axes)
        before = np.column_stack([seen[:, 0] - at[0], seen[:, 1] - at[1], -seen[:, 2]])
        _, depth = rasterise(before, self._faces, 1, 1, False)
        return bool(depth[0, 0] > -at[2] - CLEAR * self._radius)

    def look(self, axes: Floats, middle: Floats, mm_per_ray: float, shape: tuple[int, int]) -> Seen:
        """Cast shape = (rows, columns) rays, `mm_per_ray` apart, about `middle` (right, up) in mm."""
        key = np.concatenate([axes.reshape(-1), middle, [mm_per_ray], shape]).tobytes()
        if key not in self._looks:
            self._looks[key] = self._cast(axes, middle, mm_per_ray, shape)
        return self._looks[key]

    def _cast(self, axes: Floats, middle: Floats, mm_per_ray: float, shape: tuple[int, int]) -> Seen:
        from .raster import rasterise, turned

        rows, columns = shape
        seen = turned(self._points, axes)
        on_grid = np.empty_like(seen)
        on_grid[:, 0] = (seen[:, 0] - middle[0]) / mm_per_ray + columns / 2.0 - 0.5
        on_grid[:, 1] = (middle[1] - seen[:, 1]) / mm_per_ray + rows / 2.0 - 0.5
        on_grid[:, 2] = 2.0 * self._radius - seen[:, 2]
        face, depth = rasterise(on_grid, self._faces, rows, columns, self._solid)
        return Seen(face, depth, on_grid, self._points, self._faces, axes, mm_per_ray)
