"""Cuts of a part by planes: made one after the other, put on record, and judged by what is left."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from fettlebox.api import Part, Plane, StepError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

ON_PLANE = 1e-6
"""A vertex within this share of the part's size lies on a flat face; steps put it there exactly."""


@dataclass(frozen=True, eq=False)
class MadeCut:
    """The part above a plane, and what went.

    part            with the plane on record
    point, up       (3,) of the plane, the unit normal into what is kept
    removed_mm3     in all, with the bodies that came loose
    cap_mm2, cap_triangles   of the cut face
    dropped_mm3     volumes of the bodies that came loose, largest first
    gone            flat faces of earlier steps that the cut took away
    """

    part: Part
    point: Floats
    up: Floats
    removed_mm3: float
    cap_mm2: float
    cap_triangles: int
    dropped_mm3: list[float]
    gone: tuple[Plane, ...]


def make_cut(part: Part, point: Floats, up: Floats, *, bed: bool) -> MadeCut:
    """Keep the largest body above the plane through `point` (3,) with unit normal `up` (3,).

    Raises StepError if the plane misses the part, or if the cut cannot be closed.
    """
    from .geometry.measures import face_areas, volume_and_centroid
    from .geometry.plane_cut import cut_above, largest_body

    before_mm3, _ = volume_and_centroid(part.vertices, part.faces)
    try:
        made = cut_above(part.vertices, part.faces, point, up)
    except ValueError as error:
        raise StepError(f"The cut cannot be closed: {error}. Put repair before cut.") from error
    if not made.cap.any():
        taken = "leaves nothing of it" if not len(made.faces) else "takes nothing away"
        raise StepError(
            f"The cut {named(up)} misses the part and {taken}. Check at, tilt, toward, through and away."
        )
    made, dropped_mm3 = largest_body(made)
    after_mm3, _ = volume_and_centroid(made.vertices, made.faces)
    colours = None if part.colours is None else made.blended(part.colours)
    result = part.with_mesh(made.vertices, made.faces, colours)
    gone = tuple(plane for plane in part.planes if not _has_face(result, plane))
    result = replace(result, planes=tuple(plane for plane in part.planes if plane not in gone))
    x, y, z = (float(value) for value in point)
    nx, ny, nz = (float(-value) for value in up)
    flat = made.faces[made.cap]
    return MadeCut(
        result.with_plane(Plane("cut", (x, y, z), (nx, ny, nz), bed=bed)),
        point,
        up,
        before_mm3 - after_mm3,
        float(face_areas(made.vertices, flat).sum()),
        len(flat),
        dropped_mm3,
        gone,
    )


def base_points(part: Part) -> Floats:
    """(q,3) corners of the triangles in the flat face that belongs on the bed."""
    import numpy as np

    base = part.bed_plane
    if base is None:
        return np.zeros((0, 3))
    on = np.abs(base.height_of(part.vertices)) < ON_PLANE * float(np.ptp(part.bounds, axis=0).max())
    return np.asarray(part.vertices[np.unique(part.faces[on[part.faces].all(axis=1)])])


def how_it_stands(part: Part, up: Floats) -> dict[str, float]:
    """How safely the part stands on its cut face: exact, from the face's convex hull.

    The centre of mass is `inside_mm` within the hull, negative outside; leaning by more than
    `tips_beyond_deg` brings it over the edge.
    """
    import numpy as np
    from scipy.spatial import ConvexHull

    from .geometry.measures import volume_and_centroid
    from .geometry.plane_cut import plane_axes

    points = base_points(part)
    x_axis, y_axis = plane_axes(up)
    _, centre = volume_and_centroid(part.vertices, part.faces)
    hull = ConvexHull(np.column_stack([points @ x_axis, points @ y_axis]))
    outside = hull.equations[:, :2] @ np.array([centre @ x_axis, centre @ y_axis]) + hull.equations[:, 2]
    inside_mm = -float(outside.max())
    height_mm = float((centre - points[0]) @ up)
    return {"inside_mm": inside_mm, "tips_beyond_deg": math.degrees(math.atan2(inside_mm, height_mm))}


def tilt_deg(up: Floats) -> float:
    """Between the plane and the level, 0 to 90."""
    return math.degrees(math.acos(min(1.0, abs(float(up[2])))))


def toward_deg(up: Floats) -> float:
    """The side where the plane climbs, degrees counter-clockwise from +X; 0 for a level plane."""
    if math.hypot(up[0], up[1]) < 1e-12:
        return 0.0
    sign = -1.0 if up[2] >= 0 else 1.0
    return math.degrees(math.atan2(sign * up[1], sign * up[0])) % 360.0


def side_named(degrees: float) -> str:
    """The side, in words, nearest to a direction seen from above, counter-clockwise from +X."""
    names = ("right", "back right", "back", "back left", "left", "front left", "front", "front right")
    return names[round(degrees / 45.0) % 8]


def named(up: Floats) -> str:
    """A plane in words, for captions and messages."""
    tilt = tilt_deg(up)
    return "level" if tilt < 0.25 else f"at {tilt:.0f} deg toward the {side_named(toward_deg(up))}"


def cut_row(made: MadeCut) -> dict[str, Any]:
    """One cut of several, as a JSON value."""
    return {
        "tilt_deg": tilt_deg(made.up),
        "toward_deg": toward_deg(made.up),
        "takes": "below" if made.up[2] > 1e-9 else "above" if made.up[2] < -1e-9 else "a side",
        "removed_mm3": made.removed_mm3,
        "cap_area_mm2": made.cap_mm2,
    }


def _has_face(part: Part, plane: Plane) -> bool:
    """Whether a triangle of the part lies in the plane."""
    import numpy as np

    near_mm = ON_PLANE * float(np.ptp(part.bounds, axis=0).max())
    on = np.abs(plane.height_of(part.vertices)) < near_mm
    return bool(on[part.faces].all(axis=1).any())
