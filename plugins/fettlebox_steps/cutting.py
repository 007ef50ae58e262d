"""Cuts of a part by planes: made one after the other, put on record, and judged by what is left."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from fettlebox.api import Part, Plane, StepError, StepResult

from .cut_params import Flat, is_share

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from .cut_scan import KnownScan

    Floats = NDArray[np.float64]

SIDES_DEG = {"right": 0.0, "back": 90.0, "left": 180.0, "front": 270.0}
"""Directions seen from above, counter-clockwise from +X. The front of a part looks along -Y."""

LEVEL_DEG = 0.25
"""Below this a cut is called level."""

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


def plane_of(part: Part, flat: Flat, at: float | None, tilt_deg: float) -> tuple[Floats, Floats]:
    """A point of the plane and its unit normal, up into what is kept."""
    import numpy as np

    low, high = part.bounds
    point = (low + high) / 2.0
    point[2] = low[2]
    if flat.through is not None:
        point += flat.through
    elif at is not None:
        point[2] += at * (high[2] - low[2]) if is_share(at) else at
    if flat.away is not None:
        return point, -np.array(flat.away) / np.linalg.norm(flat.away)
    toward = flat.toward or "back"
    side = math.radians(SIDES_DEG[toward] if isinstance(toward, str) else toward)
    tilt = math.radians(tilt_deg)
    up = np.array([-math.sin(tilt) * math.cos(side), -math.sin(tilt) * math.sin(side), math.cos(tilt)])
    return np.asarray(point, dtype=np.float64), up


def make_cut(part: Part, point: Floats, up: Floats, *, bed: bool, likeness: bool) -> MadeCut:
    """Keep the largest body above the plane through `point` (3,) with unit normal `up` (3,).

    bed, likeness  of the plane that is put on record

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
        result.with_plane(Plane("cut", (x, y, z), (nx, ny, nz), bed, likeness)),
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
    return "level" if tilt < LEVEL_DEG else f"at {tilt:.0f} deg toward the {side_named(toward_deg(up))}"


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


def told(part: Part, made: MadeCut, keep: float, further: list[MadeCut], scan: KnownScan) -> StepResult:
    """The cut part with its facts; StepError if less remains than asked."""
    from .geometry.measures import volume_and_centroid

    whole_mm3, _ = volume_and_centroid(part.vertices, part.faces)
    everything = [*further, made]
    removed_mm3 = sum(each.removed_mm3 for each in everything)
    kept = scan.kept(part, made.part)
    scan_taken, seen_taken = scan.taken([(each.point, each.up) for each in everything], made.up)
    cuts = "The cuts" if further else "The cut"
    of_volume = "of the part's volume" if scan.end is None else "of the volume without its base"
    for left, of_what in ((kept, of_volume), (1.0 - seen_taken, "of what is seen of the scan")):
        if left < keep:
            raise StepError(
                f"{cuts} would leave {left:.1%} {of_what}, and keep asks for {keep:.0%}. "
                "Cut lower, or ask to keep less."
            )
    dropped = [volume for each in everything for volume in each.dropped_mm3]
    warnings = []
    if dropped:
        warnings.append(
            f"The cut left {len(dropped) + 1} bodies; the largest was kept, "
            f"the others hold {sum(dropped) / 1000:.2f} cm3."
        )
    base = part.bed_plane
    base_removed = base is None or any(base in each.gone for each in everything)
    if not base_removed:
        warnings.append("Part of the flat base that closed the scan is above the cut and stays.")
    stands = how_it_stands(made.part, made.up)
    if stands["tips_beyond_deg"] <= 0:
        warnings.append(
            "The part topples by itself on this cut face: its centre of mass is "
            f"{-stands['inside_mm']:.3g} mm outside the edge. Cut elsewhere, let the step choose "
            "(tilt: {up to: 30 deg}), or stand it on a plinth."
        )
    facts: dict[str, Any] = {
        "removed_mm3": removed_mm3,
        "removed_percent": 100.0 * removed_mm3 / whole_mm3,
        "scan_removed_percent": 100.0 * scan_taken,
        "seen_removed_percent": 100.0 * seen_taken,
        "cap_area_mm2": made.cap_mm2,
        "cap_triangles": made.cap_triangles,
        "tilt_deg": tilt_deg(made.up),
        "toward_deg": toward_deg(made.up),
        "height_mm": float(made.point[2] - part.bounds[0, 2]),
        "base_removed": base_removed,
        "bodies_dropped": len(dropped),
        "dropped_mm3": float(sum(dropped)),
        **stands,
    }
    if further:
        facts["also"] = [cut_row(other) for other in further]
    return StepResult(made.part, facts, tuple(warnings))
