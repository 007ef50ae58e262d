"""A raw, open scan made into a closed, sound solid: a ladder from the gentlest way to the surest.

    untouched     it was sound to begin with
    direct        holes filled, base attached rim by rim; the scan's vertices stay where they are
    local         the same, with the few places that cross themselves cut out and filled anew
    united        pieces closed one by one as above, then made one by an exact union
    volumetric    walked around on a fine grid where the winding number is one half, pulled on to the scan
    dense         the same, not thinned out
    unsnapped     the same, not pulled: embedded by construction

Each rung's work passes one and the same test (`acceptance.judge`) or the next one is tried.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from .acceptance import judge
from .base import Frame
from .pieces import account, survey
from .preparing import CannotCloseError, Plan, Work, plan_closing, prepare
from .rungs import attempts, healed_solid
from .topology import Flags, Floats, Ints, components, diagonal
from .uniting import Solid

__all__ = ["CannotCloseError", "Closing", "close_scan"]

BEYOND_SHARE = 1e-4
"""A part stands on its base if nothing is further out than this share of its diagonal: 0.03 mm on a head."""


@dataclass(frozen=True)
class Closing:
    """A sound solid and how it came about.

    frame       the base plane, None where no base was made, or none that the part could stand on
    input_kept  (m,) faces of the input that belong to a piece that was kept
    """

    vertices: Floats
    faces: Ints
    rung: str
    frame: Frame | None
    input_kept: Flags
    facts: dict[str, Any] = field(default_factory=dict)
    evidence: dict[str, Any] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()


def close_scan(
    vertices: Floats,
    faces: Ints,
    *,
    flat_base: bool = True,
    base_extra_mm: float = 5.0,
    base_towards: Floats | None = None,
) -> Closing:
    """Close a scan (n,3) mm, (m,3). Raises CannotCloseError with a sentence saying why.

    flat_base     close the widest opening by a wall and a base `base_extra_mm` beyond its furthest point;
                  otherwise by a taut skin, like any hole
    base_towards  (3,) way out of the material that the base faces; None: the way the opening faces
    """
    faces = np.asarray(faces, np.int64)
    found = survey(vertices, faces)
    everything = np.ones(len(faces), bool)
    if found.closed.all() and len(faces):
        verdict = judge(vertices, faces)
        if verdict.sound:
            facts = account(found, np.zeros(found.count, bool)) | _no_work(found.count)
            return Closing(vertices, faces, "untouched", None, everything, facts)
    work = prepare(vertices, faces, found)
    plan = plan_closing(work, flat_base, base_extra_mm, base_towards)
    return _climb(work, plan)


def _no_work(bodies: int) -> dict[str, Any]:
    return {
        "rung": "untouched",
        "bodies": bodies,
        "holes_filled": 0,
        "opening_area_mm2": 0.0,
        "base_extra_mm": 0.0,
    }


def _climb(work: Work, plan: Plan) -> Closing:
    tried: dict[str, Any] = {}
    for rung, candidate in attempts(work, plan, tried):
        verdict = judge(*candidate)
        if verdict.sound:
            return _done(work, plan, rung, candidate, tried)
        tried[rung] = verdict.faults()
        if rung in ("direct", "united", "volumetric"):
            healed, why_not = healed_solid(candidate, verdict)
            if healed is not None:
                return _done(work, plan, "local" if rung == "direct" else rung, healed, tried)
            tried[f"{rung}, healed"] = why_not
    last = ", ".join(f"{value:g} {name.replace('_', ' ')}" for name, value in tried[rung].items())
    raise CannotCloseError(f"the scan could not be closed into a sound solid; the last attempt had {last}")


def _done(work: Work, plan: Plan, rung: str, solid: Solid, tried: dict[str, Any]) -> Closing:
    bodies, _ = components(solid[1], len(solid[0]))
    facts = {"rung": rung, "bodies": bodies} | work.facts | plan.facts
    evidence = work.evidence | {"rungs_that_failed": tried}
    warnings = work.warnings + plan.warnings
    if bodies > 1 and not work.assembly:
        warnings += (
            f"the part came out as {bodies} bodies that do not touch: the scan lacks what joins them",
        )
    frame = plan.frame
    if frame is not None:
        beyond_mm = float((solid[0] @ frame.out).max()) - frame.offset_mm
        if beyond_mm > BEYOND_SHARE * diagonal(solid[0]):
            facts["reaches_beyond_base_mm"] = beyond_mm
            warnings += (
                f"the part reaches {beyond_mm:.1f} mm beyond its base, which is thus no foot to stand on",
            )
            frame = None
    return Closing(*solid, rung, frame, work.input_kept, facts, evidence, warnings)
