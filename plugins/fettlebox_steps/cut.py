"""Cut the part flat below, so that it stands on the cut face."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Annotated, Any, Literal

from fettlebox.api import (
    Angle,
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

    Floats = NDArray[np.float64]

SIDES_DEG = {"right": 0.0, "back": 90.0, "left": 180.0, "front": 270.0}
"""Directions seen from above, counter-clockwise from +X. The front of a part looks along -Y."""

ON_PLANE = 1e-6
"""A vertex within this share of the part's size lies on a flat face; steps put it there exactly."""


class Share(float):
    """A height given as a share of the part's, to tell it from one in millimetres."""


class Params(StepParams):
    at: Annotated[Ratio, AfterValidator(Share)] | Length = quantity(
        "15 %",
        about="Where to cut: a share of the part's height, or a distance from its lowest point, along the "
        "upright line through the middle of the part.",
    )
    tilt: Angle = quantity("0 deg", at_least="0 deg", at_most="80 deg", about="Tilt of the cut.")
    toward: Literal["back", "front", "left", "right"] | Angle = Field(
        "back",
        description="The side where a tilted cut climbs; set down on it, the part leans that way. left and "
        "right as seen from in front; an angle counts from the right, counter-clockwise seen from above.",
    )
    keep: Ratio = quantity(
        "50 %", at_least="1 %", at_most="100 %", about="Least share of the volume that must remain."
    )

    @field_serializer("at")
    def _write_at(self, at: float) -> str:
        return f"{at * 100:.12g} %" if isinstance(at, Share) else f"{at:.12g} mm"

    @field_serializer("toward")
    def _write_toward(self, toward: str | float) -> str:
        return toward if isinstance(toward, str) else f"{toward:.12g} deg"

    @model_validator(mode="after")
    def _inside(self) -> Params:
        if self.at <= 0 or (isinstance(self.at, Share) and self.at >= 1):
            raise ValueError("at: expected a height within the part, such as '15 %' or '30 mm'")
        return self


@step("cut", version=1, summary="Cut the part flat below; it stands on the cut face.", shorthand="at")
def cut(part: Part, params: Params, ctx: StepContext) -> StepResult:
    from .geometry.measures import is_closed

    if not is_closed(part.faces):
        raise StepError("The surface is not closed, so it cannot be cut into a solid; put repair before cut.")
    point, up = _asked_plane(part, params)
    return _cut_part(part, point, up, params.keep, {})


def _asked_plane(part: Part, params: Params) -> tuple[Floats, Floats]:
    """A point of the plane and its unit normal, up into what is kept."""
    import numpy as np

    low, high = part.bounds
    middle = (low + high) / 2.0
    height_mm = params.at * (high[2] - low[2]) if isinstance(params.at, Share) else params.at
    side = math.radians(SIDES_DEG[params.toward] if isinstance(params.toward, str) else params.toward)
    tilt = math.radians(params.tilt)
    up = np.array([-math.sin(tilt) * math.cos(side), -math.sin(tilt) * math.sin(side), math.cos(tilt)])
    return np.array([middle[0], middle[1], low[2] + height_mm]), up


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
