"""mount: a round flange under a part, with a circle of holes to screw it down by."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Any

from fettlebox.api import (
    Part,
    Plane,
    Printer,
    StepContext,
    StepParams,
    StepResult,
    step,
)

from .params import Params
from .screws import SCREWS

TEMPLATE = "drill template"
TEMPLATE_MM = 2.0
"""Thick enough to lead a drill, thin enough to be printed in minutes."""

LEVEL = 1e-6


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

    from .joining import bolts_round, drill_plate, join
    from .plan import drilling_plan
    from .solids import as_mesh
    from .standing import loose, stand

    ctx.progress(0.0)
    standing = stand(part, params)
    ctx.progress(0.4)
    bolts = bolts_round(standing, params)
    ctx.progress(0.5)
    joined = join(standing, bolts, params)
    ctx.progress(0.8)
    down = np.eye(4)
    down[2, 3] = float(part.bounds[0, 2])  # the mount stands where the part stood
    made = _with_colours(standing.part, *as_mesh(joined.solid))
    made = _on_record(made, standing.centre, standing.foot_mm).moved(down)
    extras = {}
    if params.template:
        plate = part.with_mesh(*as_mesh(drill_plate(standing, bolts, params, TEMPLATE_MM)))
        extras[TEMPLATE] = replace(plate, planes=(), placement=np.eye(4))
    circle = bolts.circle
    facts: dict[str, Any] = {
        "screw": params.screw,
        "holes": params.count,
        "bolt_circle_mm": circle.diameter_mm,
        "first_hole_deg": circle.first_deg,
        "hole_mm": bolts.hole_mm,
        "flange_size_mm": [bolts.wide_mm, bolts.wide_mm, params.thickness],
        "clear_of_heads_mm": circle.clear_mm,
        "flange_mm3": joined.flange_mm3,
        "neck_mm3": joined.neck_mm3,
        "bore_mm3": joined.bore_mm3,
        "joint_area_mm2": standing.joint_mm2,
        "united_mm3": joined.united_mm3,
    }
    evidence = {
        "centre_mm": [float(v) for v in standing.centre],
        "holes_mm": [[float(x), float(y)] for x, y in circle.holes()],
        "head_mm": bolts.head_mm,
        "volumes_off_ratio": joined.off_ratio,
    }
    picture = drilling_plan(standing.shadow, circle, bolts.wide_mm, bolts.hole_mm, bolts.head_mm, params)
    warnings = tuple(loose(standing, params))
    return StepResult(made, facts, warnings, evidence, pictures={"drilling-plan": picture}, extras=extras)


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
