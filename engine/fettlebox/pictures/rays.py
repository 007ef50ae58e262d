"""A part seen along parallel rays: which triangle, how deep and facing where, for every pixel.

Parallel projection, so that a millimetre is the same number of pixels everywhere in the picture and a
scale bar tells the truth. Rays need no graphics driver, and their cost follows the pixels.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

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


@dataclass(frozen=True)
class Seen:
    """What the rays of one view met. Rows run downwards; `face` is −1 where a ray met nothing.

    face     (h,w) int32, index of the triangle
    weights  (h,w) twice, float32: of its second and third corner at the point that was met
    normal   (h*w,3) float32, in part axes, of any length, out of the triangle's front
    depth    (h,w) float32, mm from where the rays start
    axes     (3,3) of the view

    Neighbouring rays are `mm_per_ray` apart.
    """

    face: Ints
    weights: tuple[Singles, Singles]
    normal: Singles
    depth: Singles
    axes: Floats
    mm_per_ray: float


class Stage:
    """A part set up to be looked at, any number of times. The same look again costs nothing."""

    def __init__(self, part: Part) -> None:
        from embreex.mesh_construction import TriangleMesh
        from embreex.rtcore_scene import EmbreeScene

        used = np.zeros(len(part.vertices), bool)
        used[part.faces] = True
        self._used = part.vertices[used]
        low, high = (self._used.min(axis=0), self._used.max(axis=0)) if used.any() else np.zeros((2, 3))
        centre = (low + high) / 2.0
        self._used = self._used - centre
        self._centre = centre
        self._radius = float(np.linalg.norm(high - low)) / 2.0 or 1.0
        self._scene: Any = EmbreeScene(robust=True)
        # Single precision is enough once the part is at the origin: 1e-7 of its size is far below a pixel.
        if used.any():
            TriangleMesh(self._scene, (part.vertices - centre).astype(np.float32), np.array(part.faces))
        self._looks: dict[bytes, Seen] = {}

    def extent(self, axes: Floats) -> tuple[Floats, Floats]:
        """Smallest and largest (right, up) in mm of the part in these axes, from its box's centre."""
        if not len(self._used):
            return np.zeros(2), np.zeros(2)
        flat = self._used @ axes[:2].T
        return flat.min(axis=0), flat.max(axis=0)

    def place(self, point: Floats, axes: Floats) -> Floats:
        """(right, up) in mm of a point of the part, from its box's centre."""
        return np.asarray(axes[:2] @ (point - self._centre))

    def sees(self, point: Floats, axes: Floats) -> bool:
        """Whether nothing of the part is between a point of its surface and the viewer."""
        start = point - self._centre + axes[2] * CLEAR * self._radius
        met = self._scene.run(start[None].astype(np.float32), axes[2:].astype(np.float32))
        return bool(met[0] < 0)

    def look(self, axes: Floats, middle: Floats, mm_per_ray: float, shape: tuple[int, int]) -> Seen:
        """Cast shape = (rows, columns) rays, `mm_per_ray` apart, about `middle` (right, up) in mm."""
        key = np.concatenate([axes.reshape(-1), middle, [mm_per_ray], shape]).tobytes()
        if key not in self._looks:
            self._looks[key] = self._cast(axes, middle, mm_per_ray, shape)
        return self._looks[key]

    def _cast(self, axes: Floats, middle: Floats, mm_per_ray: float, shape: tuple[int, int]) -> Seen:
        rows, columns = shape
        across = (np.arange(columns) + 0.5 - columns / 2.0) * mm_per_ray + middle[0]
        upward = (rows / 2.0 - np.arange(rows) - 0.5) * mm_per_ray + middle[1]
        from_right = (across[:, None] * axes[0] + 2.0 * self._radius * axes[2]).astype(np.float32)
        from_up = (upward[:, None] * axes[1]).astype(np.float32)
        starts = (from_up[:, None, :] + from_right[None, :, :]).reshape(-1, 3)
        along = np.empty_like(starts)
        along[:] = -axes[2]
        if not len(self._used):
            nothing = np.zeros(shape, np.float32)
            return Seen(np.full(shape, -1, np.int32), (nothing, nothing), starts, nothing, axes, mm_per_ray)
        met = self._scene.run(starts, along, output=True)
        return Seen(
            face=met["primID"].astype(np.int32, copy=False).reshape(shape),
            weights=(met["u"].reshape(shape), met["v"].reshape(shape)),
            normal=met["Ng"],
            depth=met["tfar"].reshape(shape),
            axes=axes,
            mm_per_ray=mm_per_ray,
        )
