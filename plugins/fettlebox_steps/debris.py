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
    """Drop pieces under a share of the area, and specks. The largest piece always stays.

    Limits:
        - It goes by area and size alone: a loose ear that is small enough goes too, and what is dropped is
          told.
        - What hangs together with the subject is no loose piece; fins and spikes are cut off by `repair`.
        - Held if more than a fifth of the surface would go: the subject more likely came in parts.
        - Refuses a scan without faces.
    Facts:
        pieces_found, pieces_kept, pieces_dropped: how many pieces
        dropped_area_mm2: area of all that was dropped
        dropped_area_share: the same as a share of the whole
        largest_dropped_share: the largest piece that was dropped
    Evidence:
        shares_kept: area of each piece that stays, as a share of the whole; the largest twenty
    Recipe:
        - units: {expect: head}
        - debris: {under: 2 %}
    """
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
