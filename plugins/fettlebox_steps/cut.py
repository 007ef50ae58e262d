"""Cut the part flat, once or several times; it stands on the cut face below."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from fettlebox.api import HoldError, Measured, Part, StepContext, StepError, StepResult, step

from .cut_params import Params, UpTo

if TYPE_CHECKING:
    from .cutting import MadeCut

USUAL_SHARE_OF_HEIGHT = 0.15
"""Where to cut when a recipe does not say. Common practice, no published source."""


@step("cut", version=7, summary="Cut the part flat below; it stands on the cut face.", shorthand="at")
def cut(part: Part, params: Params, ctx: StepContext) -> StepResult:
    """A cut that is given is made; one whose tilt is bounded is looked for, among some 700 directions and 64
    heights.

    Limits:
        - Cuts are flat. What comes loose is dropped, but for the largest body, with a warning.
        - The search counts support as filled columns under what leans out by more than 45 degrees. It does
          not know how the part looks: protect what must stay whole with `protect` and `hanging`. Only where
          the base that closed the scan is not below, so that there is no neck to be shortened, it takes as
          little of the scan as it can.
        - It may miss a cut that is a few per cent better: the first look is at a coarse copy, and of the
          best only some are refined. A level cut is preferred to a tilted one that saves less than `worth`
          or 0.1 cm3 of support.
        - Held: of the cuts that keep to the other bounds none lets the part stand as steadily as `steady`
          asks; with `hanging: hold`, a cut through what hangs down, or none that leaves it whole.
        - Refuses an open surface; a cut that misses the part; a given one that leaves less than `keep` or
          runs through what `protect` keeps whole; bounds that no cut keeps to.
    Sources:
        - H. Edelsbrunner, D. Letscher, A. Zomorodian, "Topological persistence and simplification", 2002:
          what hangs down free.
        - C. Lawson, "Software for C1 surface interpolation", 1977: the triangles of the cut face.
        - A. van Oosterom, J. Strackee, "The solid angle of a plane triangle", 1983: which hollow belongs
          to which body.
        - That 45 degrees print without support, and what is taken where a recipe says nothing, is common
          practice without a published source.
    Facts:
        removed_mm3, removed_percent: volume taken away by all cuts
        scan_removed_percent: share of the scan's surface taken away; what closing made does not count
        seen_removed_percent: the same of what is seen of the part once it stands, so without undersides
            flatter than 45 degrees
        cap_area_mm2, cap_triangles: area and triangles of the cut face that the part stands on
        tilt_deg: between that face and the level
        toward_deg: the side where it climbs, counter-clockwise from the right, seen from above
        height_mm: where it meets the upright line through the part's middle, or `through`, over the lowest
            point
        base_removed: whether the flat base that closed the scan is gone
        bodies_dropped, dropped_mm3: how many bodies came loose, and what they hold
        inside_mm: how far inside the edge of the cut face the centre of mass is; negative outside
        tips_beyond_deg: lean that brings it over that edge
        support_cm3: support that the part needs standing on the face, if it was looked for
        support_level_cm3: the same for the best level cut
        also.tilt_deg, also.toward_deg, also.takes, also.removed_mm3, also.cap_area_mm2: every further cut
    Evidence:
        cuts_considered, cuts_possible: planes that were looked at, and those within the bounds
        best.<what>, best_level.<what>, steadiest.<what>: the best cuts, the best level one, and, if none
            is steady enough, the one it stands firmest on
    Recipe:
        - units: {expect: head}
        - debris
        - repair
        - cut: {tilt: {up to: 45 deg}, keep: 85 %, protect: 85 %}
    Picture: side
    """
    from .cut_choice import cut_where_best
    from .cut_picture import CHOSEN, Frame, cut_picture
    from .cut_scan import hanging_points, known_scan
    from .cut_taken import has_no_stump
    from .cutting import make_cut, named, plane_of, told
    from .geometry.measures import is_closed

    if not is_closed(part.faces):
        raise StepError("The surface is not closed, so it cannot be cut into a solid; put repair before cut.")
    likeness = has_no_stump(part)
    trimmed = part
    further: list[MadeCut] = []
    for other in params.also:
        point, up = plane_of(part, other, other.at, other.tilt)
        if other.away is None and other.take == "above":
            up = -up
        further.append(make_cut(trimmed, point, up, bed=False, likeness=likeness))
        trimmed = further[-1].part
    if isinstance(params.tilt, UpTo):
        return cut_where_best(part, trimmed, params, params.tilt, further, ctx)
    at = Measured(USUAL_SHARE_OF_HEIGHT, "ratio") if isinstance(params.at, str) else params.at
    point, up = plane_of(part, params, at, params.tilt)
    scan = known_scan(part, ctx.reference)
    if params.protect is not None:
        protected = scan.upper(params.protect)
        if len(protected) and float(((protected - point) @ up).min()) < 0:
            raise StepError(
                f"The cut runs through the upper {params.protect:.0%} of the scan, which protect keeps "
                "whole. Cut lower, tilt less, or protect less."
            )
    last = make_cut(trimmed, point, up, bed=True, likeness=likeness)
    result = told(part, last, params.keep, further, scan)
    free = hanging_points(trimmed)
    if params.hanging != "cut" and len(free) and ((free - point) @ up).min() < 0:
        said = (
            "The cut runs through something that hangs down free beside it, such as a chin. Cut lower, or "
            "let the step choose (tilt: {up to: 0 deg})."
        )
        if params.hanging == "hold":
            planes = [Frame(made.point, made.up, CHOSEN) for made in (*further, last)]
            picture = cut_picture(part, planes, planes, f"Cut {named(up)}: pink goes")
            raise HoldError(f"{said} Or let it (hanging: cut).", pictures={"cut": picture})
        return replace(result, warnings=(*result.warnings, said))
    return result
