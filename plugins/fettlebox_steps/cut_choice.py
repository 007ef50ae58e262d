"""The cut that is looked for: within what bounds, which of the best is taken, and how that is shown."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from fettlebox.api import HoldError, Part, StepContext, StepError, StepResult

from .cut_params import Params, UpTo

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from .cut_scan import KnownScan
    from .cutting import MadeCut
    from .geometry.cut_costs import Cut, Limits
    from .geometry.cut_search import Search

    Floats = NDArray[np.float64]

USUAL_PROTECT = 0.5
USUAL_FOOTING = 0.1
"""What is taken when a recipe does not say: a share of the height; the footing as a share of the face of a
cube that holds as much as the part. Common practice, no published source."""

CLEAR_SHARE = 0.02
"""Of the part's height: what hangs down ends so far over the cut. On the cut itself, a chin's end would melt
into the bed; a fiftieth is five layers of a head printed 50 mm high. Our judgement."""

PRICE_MM = 50.0
"""Support, in mm3, that a mm2 of likeness weighs as much as where the part has no stump: where its base is
not below, as of a face seen from in front, its lowest end is likeness too. A scanned face gave up its chin
for support 9 mm high, which nobody would (our judgement)."""

LEAST_SAVED_MM3 = 100.0
"""Support for which no part leans, however large a share it is of what little there is: a tenth of a gram of
plastic, and under half a minute of printing. Our judgement."""

LEAST_SPARED = 0.01
"""Of what is seen of the scan: likeness for which no part leans, where likeness is what a tilt may spare. A
hundredth of a face's height of chin or hair is hardly missed. Our judgement."""

TOUCHES = (
    "What hangs down or juts out, such as a chin, ends close over the cut face and may melt into the bed: "
    "look at the picture of the cut."
)
THROUGH_HANGING = (
    "No cut within these bounds leaves whole what hangs down or juts out over it, such as a chin: look at "
    "the picture of the cut."
)
OR_LET_IT = "Allow more tilt, keep less, or protect less; or let the cut run through it (hanging: cut)."


def cut_where_best(
    part: Part, trimmed: Part, params: Params, tilt: UpTo, further: list[MadeCut], ctx: StepContext
) -> StepResult:
    """The part cut where it then needs least support. `trimmed` is the part after the `further` cuts.

    Raises StepError if no cut keeps to the bounds, HoldError if none is steady enough, or none leaves whole
    what hangs down and `hanging` says to hold it then.
    """
    from .cut_scan import known_scan
    from .cut_taken import has_no_stump
    from .cutting import make_cut, told
    from .geometry import cut_search
    from .geometry.measures import volume_and_centroid

    whole_mm3, _ = volume_and_centroid(part.vertices, part.faces)
    scan = known_scan(part, ctx.reference)
    likeness = has_no_stump(part)
    unsteady, refusal = False, ""
    for caution, free in _ever_nearer(part, trimmed, params):
        limits = _limits(part, trimmed, params, tilt, whole_mm3, further, scan, free)
        found = cut_search.search(trimmed.vertices, trimmed.faces, limits)
        ctx.progress(0.7)
        evidence = _evidence(part, found, whole_mm3)
        for chosen in _level_first(found, tilt.worth, priced=limits.price_mm3 > 0):
            point = _on_middle_line(part, chosen)
            try:
                made = make_cut(trimmed, point, chosen.up, bed=True, likeness=likeness)
                result = told(part, made, params.keep, further, scan)
            except StepError as error:
                refusal = str(error)
                continue
            if result.facts["tips_beyond_deg"] < params.steady:
                unsteady = True
                continue
            level = {} if found.level is None else {"support_level_cm3": found.level.support_mm3 / 1000}
            facts = {**result.facts, "support_cm3": chosen.support_mm3 / 1000, **level}
            warnings = (*result.warnings, caution) if caution else result.warnings
            pictures = {"cut": _picture(part, chosen, found, further)}
            if caution == THROUGH_HANGING and params.hanging == "hold":
                less = " Or accept less (steady)." if unsteady else ""
                raise HoldError(f"{caution} {OR_LET_IT}{less}", evidence, pictures)
            return StepResult(result.part, facts, warnings, evidence, pictures=pictures)
    if refusal and not unsteady:
        raise StepError(refusal)
    raise _no_cut(params, limits, tilt.up_to, found, evidence)


def _ever_nearer(part: Part, trimmed: Part, params: Params) -> Iterator[tuple[str, Floats]]:
    """What must stay above the cut beside what is protected, (k,3), and what to say if only then there is a
    cut: what hangs down, with room below it; it alone; nothing.
    """
    import numpy as np

    from .cut_scan import hanging_points

    free = hanging_points(trimmed) if params.hanging != "cut" else np.zeros((0, 3))
    if len(free):
        low, high = part.bounds[:, 2]
        yield "", free - [0.0, 0.0, CLEAR_SHARE * (high - low)]
        yield TOUCHES, free
    yield THROUGH_HANGING if len(free) else "", np.zeros((0, 3))


def _level_first(found: Search, worth: float, *, priced: bool) -> list[Cut]:
    """The best cuts, best first; but the level one before all if a tilt saves too little of what that needs:
    of its support; or, where likeness has a price, of what it takes of the scan.
    """
    level = found.level
    if level is None or not found.best or found.best[0].tilt_deg == 0.0:
        return found.best
    best = found.best[0]
    if level.support_mm3 - best.support_mm3 >= max(worth * level.support_mm3, LEAST_SAVED_MM3):
        return found.best
    spares = priced and not found.clears_base
    if spares and level.taken - best.taken >= max(worth * level.taken, LEAST_SPARED):
        return found.best
    return [level, *found.best]


def _limits(
    part: Part,
    trimmed: Part,
    params: Params,
    tilt: UpTo,
    whole_mm3: float,
    further: list[MadeCut],
    scan: KnownScan,
    free: Floats,
) -> Limits:
    """What the search must respect. Heights and shares are those of the part before any cut."""
    import numpy as np

    from .cut_taken import has_no_stump
    from .cutting import base_points, plane_of
    from .geometry import cut_costs, cut_search

    share = USUAL_PROTECT if params.protect is None else params.protect
    protected = scan.upper(share)
    for cut in further:
        protected = protected[(protected - cut.point) @ cut.up >= 0]
    # A cut above a stump takes all that was built on to close it; of what was built behind, a share of it.
    kept_of_mm3 = whole_mm3 if has_no_stump(part) else scan.volume_mm3(part)
    placed = not isinstance(params.at, str) or params.through is not None
    at = None if isinstance(params.at, str) else params.at
    return cut_costs.Limits(
        most_tilt_deg=tilt.up_to,
        least_mm3=min(1.0, params.keep + cut_search.KEEP_SLACK) * kept_of_mm3,
        least_base_mm2=(USUAL_FOOTING * whole_mm3 ** (2 / 3) if params.footing is None else params.footing),
        protected=np.concatenate([protected, free]),
        unwanted=base_points(trimmed),
        through=plane_of(part, params, at, 0.0)[0] if placed else None,
        steady_deg=params.steady,
        scan=scan.cut_by([(cut.point, cut.up) for cut in further]),
        price_mm3=PRICE_MM * scan.area_mm2 if part.bed_plane is not None else 0.0,
        most_taken=max(0.0, 1.0 - params.keep - cut_search.KEEP_SLACK),
    )


def _no_cut(
    params: Params, limits: Limits, most_tilt_deg: float, found: Search, evidence: dict[str, Any]
) -> HoldError | StepError:
    """What to say when no cut will do: what is in the way, and what to change."""
    from .cutting import named

    share = USUAL_PROTECT if params.protect is None else params.protect
    within = (
        f"tilted up to {most_tilt_deg:g} deg that keeps {params.keep:.0%} of the volume and of what is seen "
        f"of the scan, stays out of its upper {share:.0%}, leaves a face of {limits.least_base_mm2:.0f} mm2"
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


def _picture(part: Part, chosen: Cut, found: Search, further: list[MadeCut]) -> bytes:
    from .cut_picture import CHOSEN, LEVEL, Frame, cut_picture
    from .cutting import LEVEL_DEG, named

    taken = Frame(_on_middle_line(part, chosen), chosen.up, CHOSEN)
    others = [Frame(cut.point, cut.up, CHOSEN) for cut in further]
    title = f"Cut {named(chosen.up)} (blue): {chosen.support_mm3 / 1000:.3g} cm3 of support"
    frames = [taken, *others]
    level, best = found.level, found.best[0]
    if level is None:
        title += "; no level cut will do"
    elif chosen.tilt_deg >= LEVEL_DEG:
        title += f"; best level cut (orange): {level.support_mm3 / 1000:.3g} cm3"
        frames.append(Frame(_on_middle_line(part, level), level.up, LEVEL))
    elif best.tilt_deg >= LEVEL_DEG:
        saves = "hardly" if best.support_mm3 < level.support_mm3 else "no"
        title += f"; {named(best.up)} {saves} less: {best.support_mm3 / 1000:.3g} cm3"
    return cut_picture(part, frames, [taken, *others], title)


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
            "seen_removed_percent": 100.0 * cut.taken,
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
