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
    """What the rays of one view met. Rows run downwards; `hit` says where the rest has meaning.

    face     (h,w) index of the triangle, −1 for none
    weights  (h,w,2) of its second and third corner
    normal   (h,w,3) unit, in view axes (right, up, towards the viewer); z is below 0 on a back face
    depth    (h,w) mm towards the viewer, −inf where nothing was met

    Neighbouring rays are `mm_per_ray` apart.
    """

    face: Ints
    weights: Singles
    normal: Singles
    depth: Singles
    mm_per_ray: float

    @property
    def hit(self) -> NDArray[np.bool_]:
        return self.face >= 0


class Stage:
    """A part set up to be looked at, any number of times."""

    def __init__(self, part: Part) -> None:
        from embreex.mesh_construction import TriangleMesh
        from embreex.rtcore_scene import EmbreeScene

        low, high = part.bounds
        self._centre = (low + high) / 2.0
        # Single precision is enough once the part is at the origin: 1e-7 of its size is far below a pixel.
        self._corners = np.ascontiguousarray((part.vertices - self._centre)[part.faces], dtype=np.float32)
        self._used = (part.vertices - self._centre)[np.unique(part.faces)]
        self._radius = float(np.linalg.norm(high - low)) / 2.0 or 1.0
        self._scene: Any = EmbreeScene(robust=True)
        if len(self._corners):
            TriangleMesh(self._scene, self._corners)

    def extent(self, axes: Floats) -> tuple[Floats, Floats]:
        """Smallest and largest (right, up) in mm of the part in these axes, from its box's centre."""
        if not len(self._used):
            return np.zeros(2), np.zeros(2)
        flat = self._used @ axes[:2].T
        return flat.min(axis=0), flat.max(axis=0)

    def look(self, axes: Floats, middle: Floats, mm_per_ray: float, shape: tuple[int, int]) -> Seen:
        """Cast shape = (rows, columns) rays, `mm_per_ray` apart, about `middle` (right, up) in mm."""
        rows, columns = shape
        across = (np.arange(columns) + 0.5 - columns / 2.0) * mm_per_ray + middle[0]
        upward = (rows / 2.0 - np.arange(rows) - 0.5) * mm_per_ray + middle[1]
        start = 2.0 * self._radius
        from_right = (across[:, None] * axes[0] + start * axes[2]).astype(np.float32)
        from_up = (upward[:, None] * axes[1]).astype(np.float32)
        origins = (from_up[:, None, :] + from_right[None, :, :]).reshape(-1, 3)
        face = np.full(len(origins), -1, np.int32)
        weights = np.zeros((len(origins), 2), np.float32)
        normal = np.zeros((len(origins), 3), np.float32)
        depth = np.full(len(origins), -np.inf, np.float32)
        if len(self._corners):
            along = np.broadcast_to((-axes[2]).astype(np.float32), origins.shape)
            met = self._scene.run(origins, np.ascontiguousarray(along), output=True)
            face = met["primID"].astype(np.int32)
            hit = np.flatnonzero(face >= 0)
            out = met["Ng"][hit] @ axes.T.astype(np.float32)
            length = np.sqrt(np.einsum("ij,ij->i", out, out))
            normal[hit] = out / np.maximum(length, np.finfo(np.float32).tiny)[:, None]
            weights[hit] = np.stack([met["u"][hit], met["v"][hit]], axis=1)
            depth[hit] = np.float32(start) - met["tfar"][hit]
        return Seen(
            face.reshape(shape),
            weights.reshape(*shape, 2),
            normal.reshape(*shape, 3),
            depth.reshape(shape),
            mm_per_ray,
        )
