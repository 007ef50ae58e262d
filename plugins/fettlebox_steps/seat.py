"""seat: put the part down on its base, flat on the bed and in the middle of it."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any, Literal

from fettlebox.api import (
    HoldError,
    Part,
    Plane,
    StepContext,
    StepError,
    StepParams,
    StepResult,
    step,
)
from pydantic import Field

if TYPE_CHECKING:
    from .geometry.resting import Rest

FLAT_WITHIN_MM = 0.02
"""A tenth of an everyday layer of 0.2 mm (common practice): what is flat to within this is made exactly flat,
because slicing shows it as the same layer either way. Bases that steps make are flat to rounding."""

SETTLES_WITHIN_MM = 0.1
"""Half an everyday layer: a scanned face sinks in by at most this to rest on its grain, and
is then flat to the bed within this. The first layer, pressed into the bed, hides it (common practice)."""

STEADY = 0.1
"""The centre of mass must be over the foot by this share of its height: the part then stands a lean of six
degrees, so that neither a bed out of level nor a nudge of the nozzle tips it (our judgement)."""

ROUNDING_MM = 1e-9
"""What a turn and a shift of coordinates of some metres may add to a height."""

AS_LARGE = 0.9
"""Resting faces with at least this share of the best contact area count as equally large; height decides."""


class Params(StepParams):
    on: Literal["base", "flattest", "as is"] = Field(
        "base",
        description="`base`: the flat face that an earlier step made; without one, as `flattest`. "
        "`flattest`: the steady resting face with the largest contact, then the lowest. `as is`: no turn.",
    )


@step("seat", version=1, summary="Stand the part on its base, flat on the bed and centred.", shorthand="on")
def seat(part: Part, params: Params, ctx: StepContext) -> StepResult:
    """Turn as little as possible, shift to z = 0 and the middle, and make the foot exactly flat."""
    import numpy as np

    from .geometry.resting import centre_of_mass, flatten, rest_on, turn_down

    if not len(part.faces):
        raise StepError("the part has no surface; nothing can be put on the bed")
    vertices, faces = part.vertices, part.faces
    try:
        centre, solid = centre_of_mass(vertices, faces)
    except ValueError:
        raise StepError("the part is a flat sheet without thickness; it cannot stand on the bed") from None
    evidence: dict[str, Any] = {}
    warnings: list[str] = []
    flat_within_mm = FLAT_WITHIN_MM
    plane = part.bed_plane if params.on == "base" else None
    if params.on == "as is":
        normal = np.array([0.0, 0.0, -1.0])
        offset = float(-part.bounds[0, 2])
        on = "as it was"
    elif plane is not None:
        normal = np.array(plane.normal)
        offset = float(np.array(plane.point) @ normal)
        on = plane.kind
    else:
        rest = _best_rest(part, centre, evidence)
        normal, offset = rest.normal, rest.offset
        on = "resting face"
        flat_within_mm = SETTLES_WITHIN_MM
    turn = turn_down(normal)
    moved = part.moved(turn)
    below = float(-offset - moved.bounds[0, 2])
    if below > flat_within_mm + ROUNDING_MM:
        raise HoldError(
            f"{below:.2g} mm of the part reach below its {on}, which should be the lowest face; "
            "seat it with `on: flattest`, or look at the step that made the base",
            {"below_base_mm": below, "allowed_mm": flat_within_mm, "face": on},
        )
    shift = np.eye(4)
    shift[:2, 3] = -moved.bounds.mean(axis=0)[:2]
    shift[2, 3] = offset
    moved = moved.moved(shift)
    flat, on_bed, flattened = flatten(moved.vertices, faces, flat_within_mm + ROUNDING_MM)
    moved = replace(
        moved, vertices=flat, planes=tuple(_on_bed(p, p is q) for p, q in _paired(moved, plane, part))
    )
    centre, solid = centre_of_mass(moved.vertices, faces)
    down = rest_on(moved.vertices, faces, np.array([0.0, 0.0, -1.0]), 0.0, centre, 0.0)
    if not on_bed.any():
        warnings.append("the part touches the bed in single points only; it will not hold without support")
    elif down.margin < STEADY * down.centre_height:
        warnings.append(
            f"the part is not steady: its centre of mass, {down.centre_height:.3g} mm up, "
            f"is {abs(down.margin):.2g} mm {'inside' if down.margin >= 0 else 'outside'} the edge of its foot"
        )
    if not solid:
        warnings.append("the part is open, so its centre of mass was taken from its convex hull")
    facts = {
        "seated_on": on,
        "tilt_deg": float(np.degrees(np.arccos(np.clip(turn[2, 2], -1.0, 1.0)))),
        "contact_area_mm2": down.contact_area,
        "foot_area_mm2": down.foot_area,
        "height_mm": float(moved.bounds[1, 2]),
        "stability_margin_mm": down.margin if np.isfinite(down.margin) else None,
        "centre_of_mass_mm": [float(v) for v in centre],
    }
    evidence |= {"flattened_by_mm": flattened, "steady_from_mm": STEADY * down.centre_height}
    return StepResult(moved, facts, tuple(warnings), evidence)


def _best_rest(part: Part, centre: Any, evidence: dict[str, Any]) -> Rest:
    """The steady resting face with the largest contact; of nearly equal ones, the lowest."""
    from .geometry.resting import resting_faces, settled

    try:
        found = resting_faces(part.vertices, part.faces, centre, SETTLES_WITHIN_MM)
    except ValueError:
        raise StepError("the part is a flat sheet without thickness; it cannot stand on the bed") from None
    steady = [rest for rest in found if rest.margin >= STEADY * rest.centre_height]
    evidence["faces_tried"] = len(found)
    evidence["faces_steady"] = len(steady)
    if not steady:
        raise HoldError(
            "no face of the part is one that it stands on steadily; make a base first (`cut`), "
            "or seat it `as is` with supports",
            {"best_margin_mm": max((rest.margin for rest in found), default=None), **evidence},
        )
    most = max(rest.contact_area for rest in steady)
    large = [rest for rest in steady if rest.contact_area >= AS_LARGE * most]
    ranked = sorted(
        range(len(large)),
        key=lambda k: (round(large[k].centre_height, 3), -round(large[k].contact_area, 3), k),
    )
    best = large[ranked[0]]
    evidence["considered"] = [
        {
            "normal": [float(v) for v in rest.normal],
            "contact_area_mm2": rest.contact_area,
            "margin_mm": rest.margin,
            "centre_height_mm": rest.centre_height,
        }
        for rest in sorted(steady, key=lambda rest: (-rest.contact_area, rest.centre_height))[:5]
    ]
    return settled(part.vertices, part.faces, best, centre, SETTLES_WITHIN_MM)


def _paired(moved: Part, plane: Plane | None, before: Part) -> list[tuple[Plane, Plane | None]]:
    """Every plane of the moved part, beside itself if it is the one that was put on the bed."""
    return [
        (after, after if plane is not None and was is plane else None)
        for after, was in zip(moved.planes, before.planes, strict=True)
    ]


def _on_bed(plane: Plane, seated: bool) -> Plane:
    """The seated plane without rounding: exactly z = 0, looking exactly down."""
    if not seated:
        return plane
    return replace(plane, point=(plane.point[0], plane.point[1], 0.0), normal=(0.0, 0.0, -1.0))
