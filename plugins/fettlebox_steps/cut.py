"""Cut the part flat, once or several times; it stands on the cut face below."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from fettlebox.api import HoldError, Measured, Part, StepContext, StepError, StepResult, step

from .cut_params import Flat, Params, UpTo, is_share

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from .cutting import MadeCut
    from .geometry.cut_costs import Cut, Limits
    from .geometry.cut_search import Search

    Floats = NDArray[np.float64]

SIDES_DEG = {"right": 0.0, "back": 90.0, "left": 180.0, "front": 270.0}
"""Directions seen from above, counter-clockwise from +X. The front of a part looks along -Y."""

USUAL_SHARE_OF_HEIGHT = 0.15
USUAL_PROTECT = 0.5
USUAL_FOOTING = 0.1
"""What is taken when a recipe does not say: heights as shares; the footing as a share of the face of a cube
that holds as much as the part. Common practice, no published source."""

HANGS_SHARE, FOOT_SHARE = 0.015, 0.05
"""What hangs down by less than this share of the part's height is texture; what ends within this share of its
lowest point is what it stands on. Our judgement: a chin over a neck hangs by a twentieth and more."""

UNDERSIDE_SHARE = 0.002
"""Of the whole surface: smaller undersides are texture. A chin's is half a percent and more."""

THROUGH_HANGING = (
    "No cut within these bounds leaves whole what hangs down or juts out over it, such as a chin: look at "
    "the picture of the cut."
)


@step("cut", version=3, summary="Cut the part flat below; it stands on the cut face.", shorthand="at")
def cut(part: Part, params: Params, ctx: StepContext) -> StepResult:
    """A cut that is given is made; one whose tilt is bounded is looked for, among some 700 directions and 64
    heights.

    Limits:
        - Cuts are flat. What comes loose is dropped, but for the largest body, with a warning.
        - The search counts support as filled columns under what leans out by more than 45 degrees. It does
          not know how the part looks: protect what must stay whole with `protect` and `hanging`.
        - It may miss a cut that is a few per cent better: the first look is at a coarse copy, and of the
          best only some are refined.
        - Held: of the cuts that keep to the other bounds none lets the part stand as steadily as `steady`
          asks.
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
    from .cutting import make_cut
    from .geometry.measures import is_closed

    if not is_closed(part.faces):
        raise StepError("The surface is not closed, so it cannot be cut into a solid; put repair before cut.")
    trimmed = part
    further: list[MadeCut] = []
    for other in params.also:
        point, up = _plane(part, other, other.at, other.tilt)
        if other.away is None and other.take == "above":
            up = -up
        further.append(make_cut(trimmed, point, up, bed=False))
        trimmed = further[-1].part
    if isinstance(params.tilt, UpTo):
        return _cut_where_best(part, trimmed, params, params.tilt.up_to, further, ctx)
    at = Measured(USUAL_SHARE_OF_HEIGHT, "ratio") if isinstance(params.at, str) else params.at
    point, up = _plane(part, params, at, params.tilt)
    if params.protect is not None:
        low, high = part.bounds[:, 2]
        protected = part.vertices[part.vertices[:, 2] >= high - params.protect * (high - low)]
        if len(protected) and float(((protected - point) @ up).min()) < 0:
            raise StepError(
                f"The cut runs through the upper {params.protect:.0%} of the part, which protect keeps "
                "whole. Cut lower, tilt less, or protect less."
            )
    made = make_cut(trimmed, point, up, bed=True)
    result = _result(part, made, params.keep, further)
    free = _hanging(part)
    if params.hanging == "keep" and len(free) and ((free - point) @ up).min() < 0:
        said = (
            "The cut runs through something that hangs down free beside it, such as a chin. Cut lower, or "
            "let the step choose (tilt: {up to: 0 deg})."
        )
        return replace(result, warnings=(*result.warnings, said))
    return result


def _hanging(part: Part) -> Floats:
    """(k,3) points of what hangs down free or juts out, such as a chin with its underside."""
    from .geometry.hanging import hanging, undersides
    from .geometry.measures import face_areas

    low, high = part.bounds[:, 2]
    tall_mm = float(high - low)
    foot_mm = float(low) + FOOT_SHARE * tall_mm
    large_mm2 = UNDERSIDE_SHARE * float(face_areas(part.vertices, part.faces).sum())
    free = hanging(part.vertices, part.faces, HANGS_SHARE * tall_mm, foot_mm)
    return part.vertices[free | undersides(part.vertices, part.faces, large_mm2, foot_mm)]


def _plane(part: Part, flat: Flat, at: float | None, tilt_deg: float) -> tuple[Floats, Floats]:
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


def _cut_where_best(
    part: Part,
    trimmed: Part,
    params: Params,
    most_tilt_deg: float,
    further: list[MadeCut],
    ctx: StepContext,
) -> StepResult:
    from .cutting import how_it_stands, make_cut
    from .geometry import cut_search
    from .geometry.measures import volume_and_centroid

    whole_mm3, _ = volume_and_centroid(part.vertices, part.faces)
    limits = _limits(part, trimmed, params, most_tilt_deg, whole_mm3)
    found = cut_search.search(trimmed.vertices, trimmed.faces, limits)
    through_hanging = params.hanging == "keep" and not found.best
    if through_hanging:
        asked = params.model_copy(update={"hanging": "cut"})
        limits = _limits(part, trimmed, asked, most_tilt_deg, whole_mm3)
        found = cut_search.search(trimmed.vertices, trimmed.faces, limits)
    ctx.progress(0.7)
    evidence = _evidence(part, found, whole_mm3)
    for chosen in found.best:
        point = _on_middle_line(part, chosen)
        try:
            made = make_cut(trimmed, point, chosen.up, bed=True)
            result = _result(part, made, params.keep, further)
        except StepError:
            continue
        if how_it_stands(made.part, chosen.up)["tips_beyond_deg"] < params.steady:
            continue
        level = {} if found.level is None else {"support_level_cm3": found.level.support_mm3 / 1000}
        facts = {**result.facts, "support_cm3": chosen.support_mm3 / 1000, **level}
        warnings = (*result.warnings, THROUGH_HANGING) if through_hanging else result.warnings
        pictures = {"cut": _picture(part, chosen, found.level, further)}
        return StepResult(result.part, facts, warnings, evidence, pictures=pictures)
    raise _no_cut(params, limits, most_tilt_deg, found, evidence)


def _limits(part: Part, trimmed: Part, params: Params, most_tilt_deg: float, whole_mm3: float) -> Limits:
    """What the search must respect. Heights and shares are those of the part before any cut."""
    import numpy as np

    from .cutting import base_points
    from .geometry import cut_costs, cut_search

    low, high = part.bounds[:, 2]
    share = USUAL_PROTECT if params.protect is None else params.protect
    used = trimmed.vertices[np.unique(trimmed.faces)]
    protected = used[used[:, 2] >= high - share * (high - low)]
    if params.hanging == "keep":
        protected = np.concatenate([protected, _hanging(trimmed)])
    placed = not isinstance(params.at, str) or params.through is not None
    at = None if isinstance(params.at, str) else params.at
    return cut_costs.Limits(
        most_tilt_deg=most_tilt_deg,
        least_mm3=min(1.0, params.keep + cut_search.KEEP_SLACK) * whole_mm3,
        least_base_mm2=(USUAL_FOOTING * whole_mm3 ** (2 / 3) if params.footing is None else params.footing),
        protected=protected,
        unwanted=base_points(trimmed),
        through=_plane(part, params, at, 0.0)[0] if placed else None,
        steady_deg=params.steady,
    )


def _no_cut(
    params: Params, limits: Limits, most_tilt_deg: float, found: Search, evidence: dict[str, Any]
) -> HoldError | StepError:
    """What to say when no cut will do: what is in the way, and what to change."""
    from .cutting import named

    share = USUAL_PROTECT if params.protect is None else params.protect
    within = (
        f"tilted up to {most_tilt_deg:g} deg that keeps {params.keep:.0%} of the volume, stays out of the "
        f"upper {share:.0%}, leaves a face of {limits.least_base_mm2:.0f} mm2"
    )
    change = "Allow more tilt, keep less, or protect less"
    firmest = found.steadiest
    if firmest is not None:
        tips = firmest.tips_beyond_deg
        state = f"tips over at a lean of {tips:.1f} deg" if tips > 0 else "topples by itself"
        return HoldError(
            f"No cut {within} lets the part stand steadily: on the steadiest, {named(firmest.up)}, it "
            f"{state}, and steady asks for {params.steady:g} deg. {change}; or accept "
            "less (steady); or cut level and stand it on a plinth.",
            evidence,
        )
    if found.best:
        return HoldError(
            f"No cut {within} lets the part stand as steadily as {params.steady:g} deg, measured exactly. "
            f"{change}; or accept less (steady).",
            evidence,
        )
    return StepError(f"There is no cut {within}. {change}.")


def _on_middle_line(part: Part, chosen: Cut) -> Floats:
    import numpy as np

    middle = np.asarray(part.bounds.mean(axis=0), dtype=np.float64)
    middle[2] += (chosen.height_mm - float(middle @ chosen.up)) / float(chosen.up[2])
    return middle


def _picture(part: Part, chosen: Cut, level: Cut | None, further: list[MadeCut]) -> bytes:
    from .cut_picture import CHOSEN, LEVEL, Frame, cut_picture
    from .cutting import named

    best = Frame(_on_middle_line(part, chosen), chosen.up, CHOSEN)
    others = [Frame(cut.point, cut.up, CHOSEN) for cut in further]
    title = f"Cut {named(chosen.up)} (blue): {chosen.support_mm3 / 1000:.3g} cm3 of support"
    frames = [best, *others]
    if level is None:
        title += "; no level cut will do"
    elif chosen.tilt_deg >= 0.25:
        title += f"; best level cut (orange): {level.support_mm3 / 1000:.3g} cm3"
        frames.append(Frame(_on_middle_line(part, level), level.up, LEVEL))
    return cut_picture(part, frames, [best, *others], title)


def _evidence(part: Part, found: Search, volume_mm3: float) -> dict[str, Any]:
    from .cutting import toward_deg

    low = float(part.bounds[0, 2])

    def row(cut: Cut) -> dict[str, float]:
        return {
            "at_mm": float(_on_middle_line(part, cut)[2]) - low,
            "tilt_deg": cut.tilt_deg,
            "toward_deg": toward_deg(cut.up),
            "support_cm3": cut.support_mm3 / 1000,
            "removed_percent": 100.0 * (1.0 - cut.volume_mm3 / volume_mm3),
            "base_mm2": cut.base_mm2,
            "tips_beyond_deg": cut.tips_beyond_deg,
        }

    evidence: dict[str, Any] = {
        "cuts_considered": found.considered,
        "cuts_possible": found.possible,
        "best": [row(cut) for cut in found.best],
        "best_level": None if found.level is None else row(found.level),
    }
    if found.steadiest is not None:
        evidence["steadiest"] = row(found.steadiest)
    return evidence


def _result(
    part: Part,
    made: MadeCut,
    keep: float,
    further: list[MadeCut],
) -> StepResult:
    """The cut part with its facts; StepError if less remains than asked."""
    from .cutting import cut_row, how_it_stands, tilt_deg, toward_deg
    from .geometry.measures import volume_and_centroid

    whole_mm3, _ = volume_and_centroid(part.vertices, part.faces)
    everything = [*further, made]
    removed_mm3 = sum(each.removed_mm3 for each in everything)
    kept = 1.0 - removed_mm3 / whole_mm3
    if kept < keep:
        cuts = "The cut would leave" if not further else "The cuts would leave"
        raise StepError(
            f"{cuts} {kept:.1%} of the part's volume, and keep asks for {keep:.0%}. "
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
    facts: dict[str, Any] = {
        "removed_mm3": removed_mm3,
        "removed_percent": 100.0 * (1.0 - kept),
        "cap_area_mm2": made.cap_mm2,
        "cap_triangles": made.cap_triangles,
        "tilt_deg": tilt_deg(made.up),
        "toward_deg": toward_deg(made.up),
        "height_mm": float(made.point[2] - part.bounds[0, 2]),
        "base_removed": base_removed,
        "bodies_dropped": len(dropped),
        "dropped_mm3": float(sum(dropped)),
        **how_it_stands(made.part, made.up),
    }
    if further:
        facts["also"] = [cut_row(other) for other in further]
    return StepResult(made.part, facts, tuple(warnings))
