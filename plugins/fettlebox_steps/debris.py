"""Drop loose bits: what a scanner saw beside its subject."""

from __future__ import annotations

from fettlebox.api import (
    HoldError,
    Part,
    Ratio,
    StepContext,
    StepError,
    StepParams,
    StepResult,
    quantity,
    step,
)

MOST_DROPPED_SHARE = 0.2
"""If more of the surface than this would go, it is no debris; more likely the subject came in parts."""


class Params(StepParams):
    """What counts as debris."""

    under: Ratio = quantity(
        "2 %",
        at_least="0 %",
        at_most="50 %",
        about="Loose pieces with less than this share of the whole surface are dropped.",
    )


@step("debris", version=1, summary="Drop loose bits that are not the subject.", shorthand="under")
def debris(part: Part, params: Params, ctx: StepContext) -> StepResult:
    """Drop pieces under a share of the area, and specks. The largest piece always stays."""
    import numpy as np

    from .geometry.pieces import account, debris_among, dropped_warnings, survey
    from .geometry.topology import compact

    if not len(part.faces):
        raise StepError("the scan has no faces, so there is nothing to keep")
    pieces = survey(part.vertices, part.faces)
    dropped = debris_among(part.vertices, part.faces, pieces, params.under)
    facts = account(pieces, dropped)
    if facts["dropped_area_share"] > MOST_DROPPED_SHARE:
        raise HoldError(
            f"{facts['pieces_dropped']} loose pieces hold {facts['dropped_area_share']:.0%} of the surface, "
            "too much for debris; if they are part of the subject, set debris lower for this scan",
            facts,
        )
    if not dropped.any():
        return StepResult(part, facts)
    vertices, faces, kept = compact(part.vertices, part.faces[~dropped[pieces.label]].astype(np.int64))
    result = part.with_mesh(vertices, faces, None if part.colours is None else part.colours[kept])
    evidence = {"shares_kept": [round(float(s), 6) for s in pieces.share[~dropped][:20]]}
    return StepResult(result, facts, dropped_warnings(pieces, dropped), evidence, reference=result)
