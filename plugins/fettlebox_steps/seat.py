"""seat: put the part down on its base, flat on the bed and in the middle of it."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Literal

from fettlebox.api import (
    Angle,
    HoldError,
    Part,
    Plane,
    StepContext,
    StepError,
    StepParams,
    StepResult,
    quantity,
    step,
)
from pydantic import Field, model_validator

if TYPE_CHECKING:
    from .geometry.resting import Rest

FLAT_WITHIN_MM = 0.02
"""A tenth of an everyday layer of 0.2 mm (common practice): what is flat to within this is made exactly flat,
because slicing shows it as the same layer either way. Bases that steps make are flat to rounding."""

SETTLES_WITHIN_MM = 0.1
"""Half an everyday layer: a scanned face sinks in by at most this to rest on its grain, and
is then flat to the bed within this. The first layer, pressed into the bed, hides it (common practice)."""

ROUNDING_MM = 1e-9
"""What a turn and a shift of coordinates of some metres may add to a height."""

AS_LARGE = 0.9
"""Resting faces with at least this share of the best contact area count as equally large; height decides."""


A_FLAT_FACE = 0.3
"""A part has a flat face to stand on if it lies on the bed with this share of its foot's area: a scanned sole
does, a part that rests on three points does not (our judgement)."""

WEIGHED = 40
"""Resting faces that are weighed, those with the largest foot first: the others are hardly ever steady."""

FRONT = (0.0, -1.0, 0.0)


class Weights(StepParams):
    """How much each matters, where there is no flat face or `on: weighed` asks for it."""

    support: float = Field(1.0, ge=0, le=100, description="Little support.")
    clean: float = Field(
        0.5, ge=0, le=100, description="No support and no bed on the side that looks to the front."
    )
    firm: float = Field(0.3, ge=0, le=100, description="It stands firmly.")
    low: float = Field(0.2, ge=0, le=100, description="It is low, and so prints quickly.")

    @model_validator(mode="after")
    def _something(self) -> Weights:
        if self.support + self.clean + self.firm + self.low <= 0:
            raise ValueError("weights: at least one of support, clean, firm and low must be above 0")
        return self


class Params(StepParams):
    on: Literal["base", "flattest", "weighed", "as is"] = Field(
        "base",
        description="`base`: the flat face that an earlier step made; without one, as `flattest` if the "
        "part has a flat face, else as `weighed`. `flattest`: the steady resting face with the largest "
        "contact, then the lowest. `weighed`: the steady resting face that costs least by `weights`. "
        "`as is`: no turn.",
    )
    weights: Weights = Field(
        Weights.model_validate({}), description="What matters where resting faces are weighed."
    )
    steady: Angle = quantity(
        "6 deg",
        at_least="0 deg",
        at_most="45 deg",
        about="Lean that the part must stand before it tips over, so that neither a bed out of level nor a "
        "nudge tips it. A resting face must do so; a base that does not is warned of.",
    )


@step("seat", version=3, summary="Stand the part on its base, flat on the bed and centred.", shorthand="on")
def seat(part: Part, params: Params, ctx: StepContext) -> StepResult:
    """Turn as little as possible, shift to z = 0 and the middle, and make the foot exactly flat.

    Limits:
        - A base that an earlier step made is believed: that it stands steadily is measured and warned of,
          not demanded.
        - `flattest` and `weighed` look at the 200 largest flat faces of the convex hull; weights are a
          matter of taste. Support is judged as if all that leans out by more than 45 degrees needed it.
        - Held: no face that it stands on steadily; a base that something reaches below by more than 0.02
          mm.
        - Of an open surface the centre of mass is that of its convex hull, and `weighed` is refused.
        - Vertices that would push a face through another one by coming down stay where they are.
        - Refuses a flat sheet without thickness.
    Sources:
        - O. Rodrigues: the rotation formula. The rest is geometry of the convex hull; how flat is flat,
          and how steady is steady, is common practice without a published source.
    Facts:
        seated_on: what it stands on
        tilt_deg: how far it was turned
        contact_area_mm2: area of its faces that lie on the bed
        foot_area_mm2: area of the convex hull of all that touches the bed
        height_mm: how tall it stands
        stability_margin_mm: how far inside the foot's edge the centre of mass is; negative outside
        tips_beyond_deg: lean that brings it over that edge
        centre_of_mass_mm: where that is, over the bed's middle
    Evidence:
        flattened_by_mm: the furthest that a vertex of the foot moved to be flat
        steady_from_mm: the margin from which it counts as steady
        faces_tried, faces_steady: resting faces that were looked at, and those it stands on steadily
        considered.<what>: the best of them, with what each would cost
        best_margin_mm: the best margin of all, where none was steady
        below_base_mm, allowed_mm, face: of a job that is held: how far something reaches below the base
    Recipe:
        - units: {expect: head}
        - debris
        - repair
        - cut: {at: 14 %, tilt: 35 deg}
        - seat
    Picture: side
    """
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
    steepness = math.tan(math.radians(params.steady))
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
        rest, on = _best_rest(part, params, centre, solid, evidence)
        normal, offset = rest.normal, rest.offset
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
    elif down.margin < steepness * down.centre_height:
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
        "tips_beyond_deg": float(np.degrees(np.arctan2(down.margin, max(down.centre_height, 1e-9)))),
        "centre_of_mass_mm": [float(v) for v in centre],
    }
    evidence |= {"flattened_by_mm": flattened, "steady_from_mm": steepness * down.centre_height}
    return StepResult(moved, facts, tuple(warnings), evidence)


def _best_rest(
    part: Part, params: Params, centre: Any, solid: bool, evidence: dict[str, Any]
) -> tuple[Rest, str]:
    """The steady resting face to stand on, and what it is."""
    from .geometry.resting import resting_faces, settled

    try:
        found = resting_faces(part.vertices, part.faces, centre, SETTLES_WITHIN_MM)
    except ValueError:
        raise StepError("the part is a flat sheet without thickness; it cannot stand on the bed") from None
    steepness = math.tan(math.radians(params.steady))
    steady = [rest for rest in found if rest.margin >= steepness * rest.centre_height]
    evidence["faces_tried"] = len(found)
    evidence["faces_steady"] = len(steady)
    if not steady:
        raise HoldError(
            "no face of the part is one that it stands on steadily; make a base first (`cut`), "
            "or seat it `as is` with supports",
            {"best_margin_mm": max((rest.margin for rest in found), default=None), **evidence},
        )
    flat = any(rest.contact_area >= A_FLAT_FACE * rest.foot_area > 0 for rest in steady)
    if params.on == "weighed" and not solid:
        raise StepError(
            "The surface is not closed, so its support cannot be weighed; put repair before seat."
        )
    if params.on == "weighed" or (params.on == "base" and not flat and solid):
        best, on = _weighed(part, params.weights, steady, evidence), "weighed resting face"
    else:
        best, on = _flattest(steady, evidence), "resting face"
    return settled(part.vertices, part.faces, best, centre, SETTLES_WITHIN_MM), on


def _flattest(steady: list[Rest], evidence: dict[str, Any]) -> Rest:
    """The one with the largest contact; of nearly equal ones, the lowest."""
    most = max(rest.contact_area for rest in steady)
    large = [rest for rest in steady if rest.contact_area >= AS_LARGE * most]
    ranked = sorted(
        range(len(large)),
        key=lambda k: (round(large[k].centre_height, 3), -round(large[k].contact_area, 3), k),
    )
    evidence["considered"] = [
        {
            "normal": [float(v) for v in rest.normal],
            "contact_area_mm2": rest.contact_area,
            "margin_mm": rest.margin,
            "centre_height_mm": rest.centre_height,
        }
        for rest in sorted(steady, key=lambda rest: (-rest.contact_area, rest.centre_height))[:5]
    ]
    return large[ranked[0]]


def _weighed(part: Part, weights: Weights, steady: list[Rest], evidence: dict[str, Any]) -> Rest:
    """The one that costs least: each cost from 0 to 1, times its weight."""
    import numpy as np

    from .geometry.stance_choice import stance_costs

    some = sorted(steady, key=lambda rest: -rest.foot_area)[:WEIGHED]
    costs = stance_costs(part.vertices, part.faces, some, np.array(FRONT))
    whole = weights.support + weights.clean + weights.firm + weights.low
    sums = [
        (
            weights.support * cost.support_share
            + weights.clean * cost.scarred_share
            + weights.firm * cost.unsteady_share
            + weights.low * cost.height_share
        )
        / whole
        for cost in costs
    ]
    ranked = sorted(range(len(some)), key=lambda k: (round(sums[k], 6), k))
    evidence["considered"] = [
        {
            "normal": [float(v) for v in some[k].normal],
            "cost": sums[k],
            "support_cm3": costs[k].support_mm3 / 1000,
            "height_mm": costs[k].height_mm,
            "tips_beyond_deg": costs[k].tips_deg,
            "front_scarred_percent": 100.0 * costs[k].scarred_share,
        }
        for k in ranked[:5]
    ]
    return some[ranked[0]]


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
