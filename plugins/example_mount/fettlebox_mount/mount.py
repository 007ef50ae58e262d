"""mount: a round flange under a part, with a circle of holes to screw it down by."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Any, Literal

from fettlebox.api import (
    Angle,
    HoldError,
    Length,
    Part,
    Plane,
    Printer,
    StepContext,
    StepError,
    StepParams,
    StepResult,
    quantity,
    step,
)
from pydantic import Field, model_validator

from .screws import SCREWS, Play, Size

FLOOR_MM = 1.6
"""Least material below a sunk head: eight everyday layers (common practice, no published source)."""

GAP_MM = 1.0
"""Room around a head, so that it can be set (common practice, no published source)."""

SMALL_JOINT = 0.05
"""Of the part's area seen from above, as far as `reach` goes (common practice, no published source)."""

NEAR_MM = 2.0
"""Below this, support can hardly be taken out from under the part (common practice, no published source)."""

FOOT_SHARE = 0.25
"""A patch smaller than this share of the largest is no foot, but something that hangs low (our judgement)."""

GAPS = 0.005
"""Share of the foot that may not touch the flange without a word: a scratch in it."""

ADDS_UP = 1e-6
"""Volumes of part and mount must add up to this share: rounding is a thousand times smaller."""

TEMPLATE = "drill template"
TEMPLATE_MM = 2.0
"""Thick enough to lead a drill, thin enough to be printed in minutes."""

LEVEL = 1e-6


class Params(StepParams):
    screw: Size = Field("M4", description="The screws that hold it down, with heads as in ISO 4762.")
    count: int = Field(4, ge=2, le=24, description="How many of them, evenly round the circle.")
    circle: Length | None = quantity(
        None,
        at_least="4 mm",
        at_most="1 m",
        about="Diameter of the bolt circle; if not given, the least on which every screw can be reached.",
    )
    turn: Angle | None = quantity(
        None,
        at_least="0 deg",
        at_most="360 deg",
        about="Direction of the first hole, from +X towards +Y; "
        "if not given, the one that makes the circle smallest.",
    )
    play: Play = Field("medium", description="Clearance holes' series in ISO 273.")
    extra: Length = quantity(
        "0 mm",
        at_least="0 mm",
        at_most="1 mm",
        about="Added to the diameter of every hole, for a printer that makes holes too small.",
    )
    thickness: Length = quantity("6 mm", at_least="1.6 mm", at_most="60 mm", about="Height of the flange.")
    heads: Literal["on top", "sunk"] = Field(
        "on top", description="Whether heads stand on the flange or are `sunk` into it."
    )
    rim: Length | None = quantity(
        None,
        at_least="0.8 mm",
        at_most="100 mm",
        about="Material between heads, or the foot, and the edge; if not given, the size of the screw.",
    )
    reach: Length = quantity(
        "25 mm",
        at_least="1 mm",
        at_most="1 m",
        about="Height above the flange that has to be clear over each head, for the key.",
    )
    sink: Length = quantity(
        "0.4 mm", at_least="0.1 mm", at_most="20 mm", about="How deep the part is let into the flange."
    )
    neck: Length = quantity(
        "0 mm",
        at_least="0 mm",
        at_most="500 mm",
        about="How far the part is held above the flange, by a column that goes on from its foot.",
    )
    bore: Length | None = quantity(
        None, at_least="1 mm", at_most="200 mm", about="A hole up the middle, for a rod; none if not given."
    )
    bore_depth: Length = quantity(
        "15 mm",
        at_least="1 mm",
        at_most="1 m",
        alias="bore depth",
        about="How deep it is, from below.",
    )
    bore_wall: Length = quantity(
        "2 mm",
        at_least="0.4 mm",
        at_most="50 mm",
        alias="bore wall",
        about="Least material round the bore and above it.",
    )
    template: bool = Field(False, description="Also make a thin plate to drill the wood through.")

    @model_validator(mode="after")
    def _agree(self) -> Params:
        screw = SCREWS[self.screw]
        least_mm = screw.head_height_mm + FLOOR_MM
        if self.heads == "sunk" and self.thickness < least_mm:
            raise ValueError(
                f"thickness: {self.thickness:g} mm is too thin to sink the head of {self.screw}; "
                f"expected at least {least_mm:g} mm"
            )
        if self.sink > self.thickness - 0.5:
            raise ValueError(
                f"sink: {self.sink:g} mm goes through a flange of {self.thickness:g} mm; "
                f"expected at most {self.thickness - 0.5:g} mm"
            )
        return self


def unsuited(params: Params, printer: Printer, later: Sequence[tuple[str, StepParams]]) -> Iterator[str]:
    """A mount that alone is too large for a printer: told when recipes are checked."""
    x, y, z = printer.build_volume_mm
    if params.circle is not None and params.circle + SCREWS[params.screw].head_mm > min(x, y):
        yield f"a bolt circle of {params.circle:g} mm has no room on a bed of {x:g} × {y:g} mm"
    if params.thickness + params.neck >= z:
        yield f"flange and neck are {params.thickness + params.neck:g} mm high; the printer builds {z:g} mm"


@step(
    "mount",
    version=1,
    summary="Put a flange with a circle of screw holes under the part.",
    shorthand="screw",
    unsuited=unsuited,
)
def mount(part: Part, params: Params, ctx: StepContext) -> StepResult:
    """The part is let into the flange and moved up, so that the flange stands where the part stood."""
    import numpy as np
    import shapely

    from .circle import bolt_circle
    from .plan import drilling_plan
    from .solids import (
        THROUGH_MM,
        as_mesh,
        as_solid,
        drawn_out,
        drill,
        drilled_plate,
        encloses,
        large_patches,
        outline_of,
        recessed,
        shadow_between,
    )

    low_mm, high_mm = (float(v) for v in part.bounds[:, 2])
    if not len(part.faces) or high_mm - low_mm <= params.sink:
        raise StepError(
            f"The part is {high_mm - low_mm:.3g} mm high, and {params.sink:g} mm of it would be let into the "
            "flange; make it larger, or let it in less with `sink`."
        )
    # The flange is built on z = 0 and the part let into its top: numbers stay small wherever the part was.
    top_mm = params.thickness
    foot_mm = top_mm + params.neck
    up = np.eye(4)
    up[2, 3] = foot_mm - params.sink - low_mm
    lifted = part.moved(up)
    try:
        solid = as_solid(lifted.vertices, lifted.faces)
    except ValueError as error:
        raise StepError(f"The part cannot have a mount: {error}; put repair before mount.") from error
    ctx.progress(0.2)
    above = solid.trim_by_plane((0.0, 0.0, 1.0), foot_mm)
    section = solid.slice(foot_mm)
    if section.is_empty() or above.is_empty():
        raise StepError("The part does not reach above the flange; let it in less with `sink`.")
    # A chin that only just comes down to the foot gets no column of its own, unless it is too low to be free.
    least_share = FOOT_SHARE if params.neck >= NEAR_MM else 0.0
    section = large_patches(section, least_share)
    foot = outline_of(section)
    centre = np.array(shapely.minimum_bounding_circle(foot).centroid.coords[0])
    highest_mm = max(top_mm + params.reach, foot_mm + NEAR_MM)
    shadow = shapely.union(foot, shadow_between(solid, foot_mm, highest_mm))
    ctx.progress(0.4)
    screw = SCREWS[params.screw]
    hole_mm = screw.hole_mm[params.play] + params.extra
    recess_mm = screw.recess_mm(params.play) + params.extra
    head_mm = recess_mm if params.heads == "sunk" else screw.head_mm
    rim_mm = screw.size_mm if params.rim is None else params.rim
    try:
        circle = bolt_circle(
            shadow, centre, params.count, head_mm, GAP_MM, head_mm + GAP_MM, params.circle, params.turn
        )
    except ValueError as error:
        raise HoldError(f"{str(error)[:1].upper()}{str(error)[1:]}. Ask for a larger `circle`.") from error
    ctx.progress(0.5)
    holes = circle.holes()
    foot_wide_mm = 2.0 * float(shapely.minimum_bounding_radius(foot))
    wide_mm = max(circle.diameter_mm + head_mm, foot_wide_mm) + 2 * rim_mm
    flange = drilled_plate(wide_mm, top_mm, centre, holes, hole_mm, 0.0)
    if params.heads == "sunk":
        flange = recessed(flange, top_mm, holes, recess_mm, screw.head_height_mm)
    flange_mm3, neck_mm3 = float(flange.volume()), float(section.area()) * params.neck
    # Drawn out into the flange, so that no face of one lies in a face of the other.
    rooted = as_solid(*drawn_out(*as_mesh(above), foot_mm, params.neck + params.thickness / 2, least_share))
    united = flange + rooted
    bore_mm3 = 0.0
    if params.bore is not None:
        bore_mm = params.bore + params.extra
        tool = drill(bore_mm, -THROUGH_MM, params.bore_depth, centre)
        guard = drill(bore_mm + 2 * params.bore_wall, 0.0, params.bore_depth + params.bore_wall, centre)
        if not encloses(united, guard):
            raise HoldError(
                f"A bore of {params.bore:g} mm, {params.bore_depth:g} mm deep, would leave less than "
                f"{params.bore_wall:g} mm of the part round it. Make it thinner or less deep."
            )
        before = united
        united = united - tool
        bore_mm3 = float(before.volume() - united.volume())
    ctx.progress(0.8)
    united_mm3, above_mm3 = float(united.volume()), float(above.volume())
    off = abs(united_mm3 - above_mm3 - neck_mm3 - flange_mm3 + bore_mm3) / united_mm3
    if off > ADDS_UP:
        raise StepError(
            f"Part and mount do not add up: the volume is off by {off:.1g} of itself. "
            "Put repair before mount."
        )
    vertices, faces = as_mesh(united)
    down = np.eye(4)
    down[2, 3] = low_mm  # the mount stands where the part stood
    made = _on_record(_with_colours(lifted, vertices, faces), centre, foot_mm).moved(down)
    template = {}
    if params.template:
        bore_mm = 0.0 if params.bore is None else params.bore + params.extra
        plate = drilled_plate(wide_mm, TEMPLATE_MM, centre, holes, hole_mm, bore_mm)
        template[TEMPLATE] = replace(
            part.with_mesh(*as_mesh(plate)), planes=(), placement=np.eye(4), life_scale=part.life_scale
        )
    joint_mm2 = float(section.area())
    near_mm2 = 0.0
    if params.neck < NEAR_MM:
        near = shadow_between(solid, foot_mm, top_mm + NEAR_MM)
        near_mm2 = float(shapely.difference(near, shapely.buffer(foot, NEAR_MM)).area)
    warnings = tuple(_loose(joint_mm2, float(foot.area), float(shadow.area), near_mm2))
    facts: dict[str, Any] = {
        "screw": params.screw,
        "holes": params.count,
        "bolt_circle_mm": circle.diameter_mm,
        "first_hole_deg": circle.first_deg,
        "hole_mm": hole_mm,
        "flange_size_mm": [wide_mm, wide_mm, params.thickness],
        "clear_of_heads_mm": circle.clear_mm,
        "flange_mm3": flange_mm3,
        "neck_mm3": neck_mm3,
        "bore_mm3": bore_mm3,
        "joint_area_mm2": joint_mm2,
        "united_mm3": united_mm3,
    }
    evidence = {
        "centre_mm": [float(v) for v in centre],
        "holes_mm": [[float(x), float(y)] for x, y in holes],
        "head_mm": head_mm,
        "volumes_off_ratio": off,
    }
    picture = drilling_plan(shadow, circle, wide_mm, hole_mm, head_mm, params)
    return StepResult(made, facts, warnings, evidence, pictures={"drilling-plan": picture}, extras=template)


def _loose(joint_mm2: float, foot_mm2: float, stands_mm2: float, near_mm2: float) -> Iterator[str]:
    """What is wrong with how the part stands on the flange, in sentences. Areas: of the part where it is
    joined, of that without gaps inside, of all the part seen from above, and of what hangs just above.
    """
    if joint_mm2 < SMALL_JOINT * stands_mm2:
        yield (
            f"Only {joint_mm2:.3g} mm2 of the part join the flange, below {stands_mm2:.4g} mm2 of it: it may "
            "break off. Give it a flat foot with cut, or let it in deeper with `sink`."
        )
    if foot_mm2 - joint_mm2 > GAPS * foot_mm2:
        yield (
            f"The foot is not flat: {foot_mm2 - joint_mm2:.3g} mm2 inside of it do not touch the flange, "
            "and what is caught there stays. Give it a flat foot with cut, or let it in deeper with `sink`."
        )

    if near_mm2 > 0.01 * foot_mm2:
        yield (
            f"{near_mm2:.3g} mm2 of the part hang less than {NEAR_MM:g} mm above the flange and may grow "
            "together with it. Hold the part higher with `neck`, or cut it higher up."
        )


def _with_colours(part: Part, vertices: Any, faces: Any) -> Part:
    """The new surface; each vertex has the colour of the nearest one of the part, the flange its foot's."""
    if part.colours is None:
        return part.with_mesh(vertices, faces)
    from scipy.spatial import cKDTree

    _, nearest = cKDTree(part.vertices).query(vertices, workers=1)
    return part.with_mesh(vertices, faces, part.colours[nearest])


def _on_record(made: Part, centre: Any, top_mm: float) -> Part:
    """With the plane below which nothing is the subject's, and the face it stands on."""
    kept = tuple(p for p in made.planes if not (p.normal[2] < -1.0 + LEVEL and p.point[2] <= top_mm))
    x, y = (float(v) for v in centre)
    made = replace(made, planes=kept).with_plane(Plane("cut", (x, y, top_mm), (0.0, 0.0, -1.0)))
    return made.with_plane(Plane("cut", (x, y, 0.0), (0.0, 0.0, -1.0), bed=True))
