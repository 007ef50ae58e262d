"""A part and its plinth made one solid along the plane of the plinth's top.

What is below that plane lies inside the plinth, so the union is what the plane leaves above it, and the
plinth with the part's outline let into its top. No point above the plane moves, and no boolean is needed.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .flat_fill import fill_outlines
from .measures import volume_and_centroid
from .plane_cut import TOUCH_STEPS, PlaneCut, cut_above, float32_step
from .plinth_shapes import inset, ring
from .topology import twins

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]

UP = np.array([0.0, 0.0, 1.0])

HOLDS = 0.5
"""Of the largest section within reach: where the part is at least so large, the plinth holds it well."""

SECTIONS = 40


@dataclass(frozen=True, eq=False)
class Above:
    """What shows above a plane: the cut with its cap, and volume and centre of mass of it as a solid."""

    cut: PlaneCut
    volume_mm3: float
    centre: Floats


@dataclass(frozen=True, eq=False)
class Joined:
    """Part and plinth as one closed surface (n,3), (m,3), and the volume of the plinth alone.

    The first vertices are the part's: `kept` (k,) says which of the cut's they are.
    """

    vertices: Floats
    faces: Ints
    kept: NDArray[np.int64]
    plinth_mm3: float


def sink_for(areas_mm2: Floats, depths_mm: Floats) -> float:
    """The least of rising depths at which the section is HOLDS of the largest of them."""
    enough = areas_mm2 >= HOLDS * areas_mm2.max()
    return float(depths_mm[int(np.argmax(enough))])


def quiet_height(vertices: Floats, wanted_mm: float, within_mm: float) -> float:
    """A height near the wanted one that no vertex (n,3) is so close to that the cut would move it.

    The widest gap between heights of vertices within reach, if the wanted height is not clear itself.
    """
    hair = TOUCH_STEPS * float32_step(vertices)
    z = vertices[:, 2]
    near = np.sort(z[np.abs(z - wanted_mm) < within_mm])
    if not len(near) or np.abs(near - wanted_mm).min() > 2.0 * hair:
        return wanted_mm
    stops = np.r_[wanted_mm - within_mm, near, wanted_mm + within_mm]
    gaps = np.diff(stops)
    widest = int(np.argmax(gaps))
    return float((stops[widest] + stops[widest + 1]) / 2.0)


def cut_at(vertices: Floats, faces: Ints, height_mm: float) -> tuple[Above, PlaneCut]:
    """What lies above a level plane, and what lies below it. Raises ValueError if either is empty or the
    surface is not closed.
    """
    point = np.array([0.0, 0.0, height_mm])
    upper = cut_above(vertices, faces, point, UP)
    # Faces wholly above have no part in what is below; a plinth hides little of a large scan.
    reach = height_mm + 2.0 * TOUCH_STEPS * float32_step(vertices)
    lower = cut_above(vertices, faces[(vertices[:, 2] < reach)[faces].any(axis=1)], point, -UP)
    if not upper.cap.any() or not lower.cap.any():
        raise ValueError("the plane misses the part")
    volume_mm3, centre = volume_and_centroid(upper.vertices, upper.faces)
    return Above(upper, volume_mm3, centre), lower


def joined(above: Above, polygon: Any, top_mm: float, height_mm: float, chamfer_mm: float) -> Joined:
    """The plinth under what shows above its top. Its outline must hold what lies below the plane.

    `top_mm` is the height of the cut; `chamfer_mm` is taken off the upper edge, 0 for none.
    """
    used, renamed = np.unique(above.cut.faces[~above.cut.cap], return_inverse=True)
    part = above.cut.vertices[used]
    wall = renamed.reshape(-1, 3)
    outer = ring(polygon)
    rings = [np.c_[outer, np.full(len(outer), top_mm - height_mm)]]
    if chamfer_mm > 0.0:
        rings.append(np.c_[outer, np.full(len(outer), top_mm - chamfer_mm)])
        inner = ring(inset(polygon, chamfer_mm))
        rings.append(np.c_[inner, np.full(len(inner), top_mm)])
    else:
        rings.append(np.c_[outer, np.full(len(outer), top_mm)])
    starts = len(part) + np.cumsum([0, *(len(one) for one in rings)])
    points = np.concatenate([part, *rings])
    loops = [np.arange(starts[k], starts[k + 1]) for k in range(len(rings))]
    bottom, shoulder, top = loops[0], loops[1], loops[-1]
    after = np.roll(bottom, -1)
    side = [np.c_[bottom, after, after + len(bottom)], np.c_[bottom, after + len(bottom), shoulder]]
    below = points[:, 1::-1]  # seen from the material, which lies below the top
    plinth = [*side, fill_outlines(points[:, :2], _around(bottom))]
    if chamfer_mm > 0.0:
        slope = np.concatenate([_around(shoulder)[:, ::-1], _around(top)])
        plinth.append(fill_outlines(below, slope))
    lid = fill_outlines(below, np.ascontiguousarray(_around(top)[:, ::-1]))
    start, end = wall.ravel(), np.roll(wall, -1, axis=1).ravel()
    rim = np.column_stack([start, end])[twins(wall, len(part)) < 0]
    face = fill_outlines(below, np.concatenate([_around(top)[:, ::-1], rim]))
    alone = np.concatenate([*plinth, lid]).astype(np.int32)
    plinth_mm3, _ = volume_and_centroid(points[len(part) :], alone - len(part))
    faces = np.concatenate([wall, *plinth, face]).astype(np.int32)
    return Joined(points, faces, used.astype(np.int64), plinth_mm3)


def _around(loop: Any) -> Ints:
    return np.column_stack([loop, np.roll(loop, -1)]).astype(np.int32)
