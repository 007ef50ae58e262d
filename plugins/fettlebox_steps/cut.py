"""Cut the part flat below, so that it stands on the cut face."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Annotated, Any, Literal

from fettlebox.api import (
    Angle,
    Area,
    Length,
    Part,
    Plane,
    Ratio,
    StepContext,
    StepError,
    StepParams,
    StepResult,
    quantity,
    step,
)
from pydantic import AfterValidator, Field, field_serializer, model_validator

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from .geometry.cut_search import Cut, Search

    Floats = NDArray[np.float64]

SIDES_DEG = {"right": 0.0, "back": 90.0, "left": 180.0, "front": 270.0}
"""Directions seen from above, counter-clockwise from +X. The front of a part looks along -Y."""

ON_PLANE = 1e-6
"""A vertex within this share of the part's size lies on a flat face; steps put it there exactly."""


USUAL_SHARE_OF_HEIGHT = 0.15
USUAL_PROTECT = 0.5
USUAL_FOOTING = 0.1
"""What is taken when a recipe does not say: heights as shares; the footing as a share of the face of a cube
that holds as much as the part. Common practice, no published source."""


class Share(float):
    """A height given as a share of the part's, to tell it from one in millimetres."""


class UpTo(StepParams):
    """A bound on a tilt that the step chooses."""

    up_to: Angle = quantity(alias="up to", at_least="0 deg", at_most="80 deg", about="Largest tilt.")


class Params(StepParams):
    at: Annotated[Ratio, AfterValidator(Share)] | Length | Literal["auto"] = quantity(
        "auto",
        about="Where to cut: a share of the part's height, or a distance from its lowest point, along the "
        "upright line through the middle of its box. auto is 15 %, or chosen together with the tilt.",
    )
    tilt: Angle | UpTo = quantity(
        "0 deg",
        at_least="0 deg",
        at_most="80 deg",
        about="Tilt of the cut, or a bound such as {up to: 50 deg}: then place and tilt are chosen together, "
        "so that the part, standing on the cut face, needs least support.",
    )
    toward: Literal["back", "front", "left", "right"] | Angle | None = Field(
        None,
        description="The side where a tilted cut climbs (back, if not given); set down on it, the part leans "
        "that way. left and right as seen from in front; an angle counts from the right, counter-clockwise "
        "seen from above.",
    )
    keep: Ratio = quantity(
        "75 %", at_least="1 %", at_most="100 %", about="Least share of the volume that must remain."
    )
    protect: Ratio | None = quantity(
        None,
        at_least="0 %",
        at_most="99 %",
        about="Upper share of the part's height that the cut must stay out of. 50 % when the tilt is chosen.",
    )
    footing: Area | None = quantity(
        None,
        at_least="0 mm2",
        about="Least area of the cut face when the tilt is chosen; if not given, a tenth of the area "
        "of a cube's face that holds as much as the part.",
    )

    @field_serializer("at")
    def _write_at(self, at: float | str) -> str:
        if isinstance(at, str):
            return at
        return f"{at * 100:.12g} %" if isinstance(at, Share) else f"{at:.12g} mm"

    @field_serializer("toward")
    def _write_toward(self, toward: str | float | None) -> str | None:
        return toward if toward is None or isinstance(toward, str) else f"{toward:.12g} deg"

    @model_validator(mode="after")
    def _inside(self) -> Params:
        if not isinstance(self.at, str) and (self.at <= 0 or (isinstance(self.at, Share) and self.at >= 1)):
            raise ValueError("at: expected a height within the part, such as '15 %' or '30 mm'")
        if isinstance(self.tilt, UpTo) and self.toward is not None:
            raise ValueError("toward: leave it out when the tilt is chosen; the side is chosen with it")
        return self


@step("cut", version=1, summary="Cut the part flat below; it stands on the cut face.", shorthand="at")
def cut(part: Part, params: Params, ctx: StepContext) -> StepResult:
    from .geometry.measures import is_closed

    if not is_closed(part.faces):
        raise StepError("The surface is not closed, so it cannot be cut into a solid; put repair before cut.")
    if isinstance(params.tilt, UpTo):
        return _cut_where_best(part, params, params.tilt.up_to, ctx)
    point, up = _asked_plane(part, params, params.tilt)
    if params.protect is not None:
        low, high = part.bounds[:, 2]
        protected = part.vertices[part.vertices[:, 2] >= high - params.protect * (high - low)]
        if len(protected) and float(((protected - point) @ up).min()) < 0:
            raise StepError(
                f"The cut runs through the upper {params.protect:.0%} of the part, which protect keeps "
                "whole. Cut lower, tilt less, or protect less."
            )
    return _cut_part(part, point, up, params.keep, {})


def _asked_plane(part: Part, params: Params, tilt_deg: float) -> tuple[Floats, Floats]:
    """A point of the plane and its unit normal, up into what is kept."""
    import numpy as np

    toward = params.toward or "back"
    side = math.radians(SIDES_DEG[toward] if isinstance(toward, str) else toward)
    tilt = math.radians(tilt_deg)
    up = np.array([-math.sin(tilt) * math.cos(side), -math.sin(tilt) * math.sin(side), math.cos(tilt)])
    return _asked_point(part, Share(USUAL_SHARE_OF_HEIGHT) if isinstance(params.at, str) else params.at), up


def _asked_point(part: Part, at: float) -> Floats:
    """The point where the cut meets the upright line through the middle of the part's box."""
    import numpy as np

    low, high = part.bounds
    point = (low + high) / 2.0
    point[2] = low[2] + (at * (high[2] - low[2]) if isinstance(at, Share) else at)
    return np.asarray(point, dtype=np.float64)


def _cut_where_best(part: Part, params: Params, most_tilt_deg: float, ctx: StepContext) -> StepResult:
    import numpy as np

    from .geometry import cut_search
    from .geometry.measures import volume_and_centroid

    volume_mm3, _ = volume_and_centroid(part.vertices, part.faces)
    low, high = part.bounds[:, 2]
    share = USUAL_PROTECT if params.protect is None else params.protect
    footing_mm2 = USUAL_FOOTING * volume_mm3 ** (2 / 3) if params.footing is None else params.footing
    used = part.vertices[np.unique(part.faces)]
    limits = cut_search.Limits(
        most_tilt_deg=most_tilt_deg,
        least_mm3=min(1.0, params.keep + cut_search.KEEP_SLACK) * volume_mm3,
        least_base_mm2=footing_mm2,
        protected=used[used[:, 2] >= high - share * (high - low)],
        unwanted=_base_points(part),
        through=None if isinstance(params.at, str) else _asked_point(part, params.at),
    )
    found = cut_search.search(part.vertices, part.faces, limits)
    ctx.progress(0.7)
    evidence = _evidence(part, found, volume_mm3)
    for chosen in found.best:
        point = _on_middle_line(part, chosen)
        try:
            result = _cut_part(part, point, chosen.up, params.keep, evidence)
        except StepError:
            continue
        footing = _stands(result.part, chosen.up)
        if footing["inside_mm"] < 0:
            continue
        level = {} if found.level is None else {"support_level_cm3": found.level.support_mm3 / 1000}
        facts = {**result.facts, **footing, "support_cm3": chosen.support_mm3 / 1000, **level}
        warnings = result.warnings
        if not found.clears_base and len(limits.unwanted):
            warnings = (*warnings, "No cut within these bounds takes the whole flat base away.")
        return replace(result, facts=facts, warnings=warnings)
    raise StepError(
        f"No cut tilted up to {most_tilt_deg:g} deg keeps {params.keep:.0%} of the volume, stays out of the "
        f"upper {share:.0%}, and leaves a face of {footing_mm2:.0f} mm2 that the part stands on safely. "
        "Ask to keep less, protect less, or allow more tilt."
    )


def _on_middle_line(part: Part, chosen: Cut) -> Floats:
    import numpy as np

    middle = np.asarray(part.bounds.mean(axis=0), dtype=np.float64)
    middle[2] += (chosen.height_mm - float(middle @ chosen.up)) / float(chosen.up[2])
    return middle


def _base_points(part: Part) -> Floats:
    """(q,3) corners of the triangles in the flat base that a step made to close the scan."""
    import numpy as np

    base = part.bed_plane
    if base is None:
        return np.zeros((0, 3))
    on = np.abs(base.height_of(part.vertices)) < ON_PLANE * float(np.ptp(part.bounds, axis=0).max())
    return np.asarray(part.vertices[np.unique(part.faces[on[part.faces].all(axis=1)])])


def _evidence(part: Part, found: Search, volume_mm3: float) -> dict[str, Any]:
    low = float(part.bounds[0, 2])

    def row(cut: Cut) -> dict[str, float]:
        return {
            "at_mm": float(_on_middle_line(part, cut)[2]) - low,
            "tilt_deg": cut.tilt_deg,
            "toward_deg": _toward_deg(cut.up),
            "support_cm3": cut.support_mm3 / 1000,
            "removed_percent": 100.0 * (1.0 - cut.volume_mm3 / volume_mm3),
            "base_mm2": cut.base_mm2,
        }

    return {
        "cuts_considered": found.considered,
        "cuts_possible": found.possible,
        "best": [row(cut) for cut in found.best],
        "best_level": None if found.level is None else row(found.level),
    }


def _stands(part: Part, up: Floats) -> dict[str, float]:
    """How safely the part stands on its cut face: exact, from the face's convex hull."""
    import numpy as np
    from scipy.spatial import ConvexHull

    from .geometry.measures import volume_and_centroid
    from .geometry.plane_cut import plane_axes

    points = _base_points(part)
    x_axis, y_axis = plane_axes(up)
    _, centre = volume_and_centroid(part.vertices, part.faces)
    hull = ConvexHull(np.column_stack([points @ x_axis, points @ y_axis]))
    outside = hull.equations[:, :2] @ np.array([centre @ x_axis, centre @ y_axis]) + hull.equations[:, 2]
    inside_mm = -float(outside.max())
    height_mm = float((centre - points[0]) @ up)
    return {"inside_mm": inside_mm, "tips_beyond_deg": math.degrees(math.atan2(inside_mm, height_mm))}


def _cut_part(part: Part, point: Floats, up: Floats, keep: float, evidence: Mapping[str, Any]) -> StepResult:
    import numpy as np

    from .geometry.measures import face_areas, volume_and_centroid
    from .geometry.plane_cut import cut_above, largest_body

    before_mm3, _ = volume_and_centroid(part.vertices, part.faces)
    try:
        made = cut_above(part.vertices, part.faces, point, up)
    except ValueError as error:
        raise StepError(f"The cut cannot be closed: {error}. Put repair before cut.") from error
    if not made.cap.any():
        where = "above" if not len(made.faces) else "below"
        raise StepError(f"The cut misses the part: it lies {where} it. Check at, tilt and toward.")
    made, dropped_mm3 = largest_body(made)
    after_mm3, _ = volume_and_centroid(made.vertices, made.faces)
    kept = after_mm3 / before_mm3
    if kept < keep:
        raise StepError(
            f"The cut would leave {kept:.1%} of the part's volume, and keep asks for {keep:.0%}. "
            "Cut lower, or ask to keep less."
        )
    warnings = []
    if dropped_mm3:
        warnings.append(
            f"The cut left {len(dropped_mm3) + 1} bodies; the largest was kept, "
            f"the others hold {sum(dropped_mm3) / 1000:.2f} cm3."
        )
    base = part.bed_plane
    colours = None if part.colours is None else made.blended(part.colours)
    result = part.with_mesh(made.vertices, made.faces, colours)
    gone = [plane for plane in part.planes if not _has_face(result, plane)]
    result = replace(result, planes=tuple(plane for plane in part.planes if plane not in gone))
    if base is not None and base not in gone:
        warnings.append("Part of the flat base that closed the scan is above the cut and stays.")
    x, y, z = (float(value) for value in point)
    nx, ny, nz = (float(-value) for value in up)
    result = result.with_plane(Plane("cut", (x, y, z), (nx, ny, nz), bed=True))
    flat = made.faces[made.cap]
    facts = {
        "removed_mm3": before_mm3 - after_mm3,
        "removed_percent": 100.0 * (1.0 - kept),
        "cap_area_mm2": float(face_areas(made.vertices, flat).sum()),
        "cap_triangles": len(flat),
        "tilt_deg": math.degrees(math.acos(min(1.0, float(up[2])))),
        "toward_deg": _toward_deg(up),
        "height_mm": float(np.dot(point - part.bounds[0], [0, 0, 1])),
        "base_removed": base is None or base in gone,
        "bodies_dropped": len(dropped_mm3),
        "dropped_mm3": float(sum(dropped_mm3)),
    }
    return StepResult(result, facts, tuple(warnings), evidence)


def _toward_deg(up: Floats) -> float:
    """The side where the plane climbs, degrees counter-clockwise from +X; 0 for a level plane."""
    if math.hypot(up[0], up[1]) < 1e-12:
        return 0.0
    return math.degrees(math.atan2(-up[1], -up[0])) % 360.0


def _has_face(part: Part, plane: Plane) -> bool:
    """Whether a triangle of the part lies in the plane."""
    import numpy as np

    near_mm = ON_PLANE * float(np.ptp(part.bounds, axis=0).max())
    on = np.abs(plane.height_of(part.vertices)) < near_mm
    return bool(on[part.faces].all(axis=1).any())
