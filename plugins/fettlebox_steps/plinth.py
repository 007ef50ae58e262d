"""Put a plinth under a bust or a figure, so that it stands by itself."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Literal

from fettlebox.api import (
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

if TYPE_CHECKING:
    from .geometry.plinth_joining import Above, Joined

LEVEL = 1e-6
"""How far a base may look from straight down, as a sine, to count as level: rounding is far below."""

LEAST_SINK_MM = 0.4
"""A part with a flat base is let in by two everyday layers (common practice, no published source)."""

DEEPEST = 0.1
"""Of the part's height: a part without a flat base is let in by at most this, and its feet disappear."""

LEDGE_MM = 0.5
"""The least flat rim between the part and a chamfer: a line of an everyday nozzle."""

FLOOR_MM = 0.5
"""The least that is left of the plinth under the part."""

ADDS_UP = 1e-6
"""Volumes of part and plinth must add up to this share: rounding is a thousand times smaller."""

SMALL_JOINT = 0.05
"""Of the plinth's area: a part held by less breaks off easily (common practice, no published source)."""


class Params(StepParams):
    shape: Literal["round", "square", "outline"] = Field(
        "round", description="`outline` follows the foot of the part; its slits are closed."
    )
    height: Length = quantity(
        "8 mm", at_least="1 mm", at_most="200 mm", about="Height of the plinth, from the bed to its top."
    )
    margin: Length = quantity(
        "4 mm", at_least="1 mm", at_most="200 mm", about="How far it reaches beyond the foot on all sides."
    )
    chamfer: Length = quantity(
        "1 mm", at_least="0 mm", at_most="50 mm", about="Taken off its upper edge; 0 mm leaves it plain."
    )
    sink: Length | None = quantity(
        None,
        at_least="0.1 mm",
        at_most="100 mm",
        about="How deep the part is let into it. If not given, 0.4 mm for a flat base; deeper, up to a tenth "
        "of the part's height, until an uneven one is held well.",
    )
    steady: Literal["widen", "hold"] = Field(
        "widen",
        description="If the part would stand unsteadily: `widen` the plinth, or `hold` the job for a person.",
    )

    @model_validator(mode="after")
    def _agree(self) -> Params:
        if self.chamfer > self.margin - LEDGE_MM:
            raise ValueError(
                f"chamfer: {self.chamfer:g} mm does not fit on a margin of {self.margin:g} mm; "
                f"expected at most {self.margin - LEDGE_MM:g} mm, so that {LEDGE_MM:g} mm stay flat"
            )
        if self.chamfer > self.height - FLOOR_MM:
            raise ValueError(
                f"chamfer: {self.chamfer:g} mm is too much for a plinth {self.height:g} mm high; "
                f"expected at most {self.height - FLOOR_MM:g} mm"
            )
        if self.sink is not None and self.sink > self.height - FLOOR_MM:
            raise ValueError(
                f"sink: {self.sink:g} mm goes through a plinth {self.height:g} mm high; "
                f"expected at most {self.height - FLOOR_MM:g} mm"
            )
        return self


def unsuited(params: Params, printer: Printer, later: Sequence[tuple[str, StepParams]]) -> Iterator[str]:
    """A plinth that leaves no room for the part."""
    x, y, z = printer.build_volume_mm
    if all(name != "split" for name, _ in later) and (params.height >= z or 2 * params.margin >= min(x, y)):
        yield (
            f"a plinth {params.height:g} mm high with {params.margin:g} mm on all sides leaves no room for "
            f"the part: the printer builds {x:g} × {y:g} × {z:g} mm"
        )


@step(
    "plinth",
    unsuited=unsuited,
    version=1,
    summary="Put a plinth under the part, on which it stands steadily.",
    shorthand="shape",
)
def plinth(part: Part, params: Params, ctx: StepContext) -> StepResult:
    """The part stays where it is, every point above the plinth's top as it was; the plinth is built below.

    Limits:
        - It has to stand upright: a part whose flat base does not look straight down is refused; `seat`
          first.
        - Steady means a lean of six degrees on a level table. Nothing says that it withstands a knock.
        - What hangs lower than the plinth's top disappears in it.
        - Held: a part that leans out so far that no width would do, or, with `steady: hold`, further than
          the margin asked for.
        - Refuses an open surface, one inside out, and a `sink` deeper than the part is high.
    Sources:
        - Where the part is held well, and what counts as steady and as a small joint, is our judgement or
          common practice without a published source. That volumes add up is checked.
    Facts:
        plinth_size_mm: width, depth and height of the plinth
        widened_mm: by how much it had to be wider than asked, for the part to stand steadily
        sink_mm: how deep the part is let in
        joint_area_mm2: area by which the part holds on
        stability_margin_mm: how far inside the plinth's edge the centre of mass is
        part_mm3, plinth_mm3, overlap_mm3, united_mm3: volumes of the part as it came, of the plinth, of
            what both had, and of the result
    Evidence:
        centre_of_mass_mm: of the result, from where it stands upwards
        volumes_off_ratio: by what share of the whole the volumes do not add up; rounding
        top_mm: height of the plinth's top
        widened_mm, margin_mm: of a job that is held: how much wider it would have to be than was asked
    Recipe:
        - units: {expect: head}
        - debris
        - repair
        - cut: 12 %
        - seat
        - plinth: {height: 16 mm, margin: 12 mm, chamfer: 4 mm}
    """
    import numpy as np

    from .geometry.measures import is_closed, volume_and_centroid
    from .geometry.plinth_joining import cut_at, joined, quiet_height
    from .geometry.plinth_shapes import footprint, margin_of, steady_outline

    if not len(part.faces) or not is_closed(part.faces):
        raise StepError("The surface is not closed, so it cannot have a plinth; put repair before plinth.")
    base = part.bed_plane
    if base is not None and base.normal[2] > -1.0 + LEVEL:
        raise StepError("The part's flat base does not look straight down; put seat before plinth.")
    volume_mm3, _ = volume_and_centroid(part.vertices, part.faces)
    if volume_mm3 <= 0:
        raise StepError("The surface is inside out; put repair before plinth.")
    low_mm, high_mm = (float(z) for z in part.bounds[:, 2])
    if base is not None:
        low_mm = max(low_mm, base.point[2])
    sink_mm = _sink(part, params, low_mm, high_mm)
    top_mm = quiet_height(part.vertices, low_mm + sink_mm, min(0.1, sink_mm / 4.0))
    try:
        above, lower = cut_at(part.vertices, part.faces, top_mm)
    except ValueError as error:
        raise StepError(
            f"The part cannot be let into a plinth: {error}. Put repair before plinth."
        ) from error
    ctx.progress(0.4)
    covered = footprint(lower)
    bottom_mm = top_mm - params.height
    try:
        polygon, widened_mm = steady_outline(
            params.shape, covered, params.margin, params.height, (above.volume_mm3, above.centre), bottom_mm
        )
    except ValueError as error:
        raise HoldError(f"{error}; lean the part less, or give it a larger foot with cut") from error
    warnings = list(_unsteady(params, widened_mm))
    made = joined(above, polygon, top_mm, params.height, params.chamfer)
    ctx.progress(0.8)
    united_mm3, centre = volume_and_centroid(made.vertices, made.faces)
    off = abs(united_mm3 - above.volume_mm3 - made.plinth_mm3) / united_mm3
    if off > ADDS_UP:
        raise StepError(
            f"Part and plinth do not add up: the volume is off by {off:.1g} of itself. "
            "Put repair before plinth."
        )
    joint_mm2 = _cap_area(above)
    if joint_mm2 < SMALL_JOINT * polygon.area:
        warnings.append(
            f"Only {joint_mm2:.3g} mm2 of the part join the plinth of {polygon.area:.4g} mm2: it may break "
            "off. Let it in deeper with `sink`."
        )
    left, front, right, back = polygon.bounds
    facts: dict[str, Any] = {
        "plinth_size_mm": [float(right - left), float(back - front), params.height],
        "widened_mm": widened_mm,
        "sink_mm": top_mm - low_mm,
        "joint_area_mm2": joint_mm2,
        "stability_margin_mm": margin_of(polygon, centre[:2]),
        "part_mm3": volume_mm3,
        "plinth_mm3": made.plinth_mm3,
        "overlap_mm3": volume_mm3 - above.volume_mm3,
        "united_mm3": united_mm3,
    }
    evidence = {
        "centre_of_mass_mm": [float(v) for v in centre - np.array([0.0, 0.0, bottom_mm])],
        "volumes_off_ratio": off,
        "top_mm": top_mm,
    }
    result = _on_record(_coloured(part, above, made), part, polygon, top_mm, bottom_mm)
    return StepResult(result, facts, tuple(warnings), evidence)


def _sink(part: Part, params: Params, low_mm: float, high_mm: float) -> float:
    """How deep the part is let in, mm. Raises StepError if it is not high enough for what was asked."""
    import numpy as np

    from .geometry.plinth_joining import SECTIONS, sink_for
    from .geometry.slicing import slice_layers

    height_mm = high_mm - low_mm
    if params.sink is not None:
        if params.sink >= height_mm:
            raise StepError(
                f"sink: {params.sink:g} mm would let the whole part in; it is {height_mm:.3g} mm high."
            )
        return params.sink
    deepest_mm = min(DEEPEST * height_mm, params.height - FLOOR_MM)
    least_mm = min(LEAST_SINK_MM, deepest_mm)
    depths = np.linspace(least_mm, deepest_mm, SECTIONS) if deepest_mm > least_mm else np.array([least_mm])
    areas = slice_layers(part.vertices, part.faces, low_mm + depths).layer_area_mm2
    return sink_for(areas, depths)


def _unsteady(params: Params, widened_mm: float) -> tuple[str, ...]:
    if widened_mm <= 0.0:
        return ()
    said = (
        f"The part leans out over a plinth of {params.margin:g} mm margin, "
        f"which has to be {widened_mm:.2g} mm wider"
    )
    if params.steady == "hold":
        raise HoldError(
            f"{said} to stand steadily. Ask for a larger margin, or let the step `widen` it.",
            {"widened_mm": widened_mm, "margin_mm": params.margin},
        )
    return (f"{said} to stand steadily; it was made so.",)


def _cap_area(above: Above) -> float:
    from .geometry.measures import face_areas

    return float(face_areas(above.cut.vertices, above.cut.faces[above.cut.cap]).sum())


def _coloured(part: Part, above: Above, made: Joined) -> Part:
    """The part with its plinth, which has the mean colour of the part's outline at its top."""
    import numpy as np

    if part.colours is None:
        return part.with_mesh(made.vertices, made.faces)
    blended = above.cut.blended(part.colours)
    rim = np.unique(above.cut.faces[above.cut.cap])
    plain = np.rint(blended[rim].mean(axis=0)).astype(np.uint8)
    own = np.tile(plain, (len(made.vertices) - len(made.kept), 1))
    return part.with_mesh(made.vertices, made.faces, np.concatenate([blended[made.kept], own]))


def _on_record(made: Part, part: Part, polygon: Any, top_mm: float, bottom_mm: float) -> Part:
    """With the plane below which nothing is the subject's, and the face it stands on."""
    middle = polygon.centroid
    hidden = tuple(p for p in part.planes if p.normal[2] < -1.0 + LEVEL and p.point[2] <= top_mm)
    made = replace(made, planes=tuple(p for p in part.planes if p not in hidden))
    down = (0.0, 0.0, -1.0)
    made = made.with_plane(Plane("cut", (float(middle.x), float(middle.y), top_mm), down))
    return made.with_plane(Plane("cut", (float(middle.x), float(middle.y), bottom_mm), down, bed=True))
