"""A raw, open scan made into a closed, sound solid: a ladder from the gentlest way to the surest.

    untouched     it was sound to begin with
    direct        holes filled, base attached rim by rim; the scan's vertices stay where they are
    local         the same, with the few places that cross themselves cut out and filled anew
    united        pieces closed one by one as above, then made one by an exact union
    volumetric    walked around on a fine grid where the winding number is one half, pulled on to the scan
    unsnapped     the same, not pulled: embedded by construction
    open          the openings left as they are, because that was asked for; holes filled as in `direct`

Each rung's work passes one and the same test (`acceptance.judge`) or the next one is tried.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from .acceptance import judge
from .base import Frame
from .carrying import left_out
from .clean import NUDGE_ULPS, float32_step
from .fates import fates, roll, told
from .pieces import REPORTED_SHARE, Pieces, survey
from .preparing import CannotCloseError, Close, Gather, Plan, Work, plan_closing, prepare
from .rungs import attempts, healed_solid, left_open
from .struts import TooFarApartError, join
from .topology import Flags, Floats, Ints, components, diagonal, used_vertices
from .uniting import Solid

__all__ = ["CannotCloseError", "Closing", "close_scan"]

BEYOND_SHARE = 1e-4
"""A part stands on its base if nothing is further out than this share of its diagonal: 0.03 mm on a head."""

LEFT_OUT_EDGES = 0.5
"""A vertex of the scan this many median edges from the part is left out of it."""


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
    close: Close = "flat",
    base_extra_mm: float = 5.0,
    base_towards: Floats | None = None,
    gather: Gather = "auto",
) -> Closing:
    """Close a scan (n,3) mm, (m,3). Raises CannotCloseError with a sentence saying why.

    close         the widest opening: by a wall and a "flat" base `base_extra_mm` beyond its furthest point;
                  by a skin that bends as little as it can to "follow" the surface around it; by "none",
                  whereby the result is an open surface
    base_towards  (3,) way out of the material that the base faces; None: the way the opening faces
    gather        which pieces: "auto" drops crumbs, unites what overlaps, and of a scan in several bodies
                  keeps those apart that do not touch; "largest", that one alone; "unite", as auto, all made
                  one body, by struts across narrow gaps if need be; "keep", all, apart if they do not touch
    """
    faces = np.asarray(faces, np.int64)
    found = survey(vertices, faces)
    everything = np.ones(len(faces), bool)
    if found.closed.all() and len(faces):
        verdict = judge(vertices, faces)
        if verdict.sound and (found.count == 1 or gather in ("auto", "keep")):
            kept = fates(found, np.zeros(found.count, bool), vertices, faces, vertices, faces)
            facts = told(found, kept) | _no_work(found.count)
            return Closing(vertices, faces, "untouched", None, everything, facts)
    work = prepare(vertices, faces, found, gather)
    work, plan = plan_closing(work, close, base_extra_mm, base_towards)
    return _accounted(vertices, faces, found, work, _climb(work, plan))


def _no_work(bodies: int) -> dict[str, Any]:
    return {
        "rung": "untouched",
        "bodies": bodies,
        "holes_filled": 0,
        "holes_cut_open": 0,
        "opening_area_mm2": 0.0,
        "largest_hole_mm2": 0.0,
        "openings": 0,
        "base_extra_mm": 0.0,
        "vertices_left_out": 0,
        "vertices_left_out_share": 0.0,
        "furthest_left_out_mm": 0.0,
    }


def _climb(work: Work, plan: Plan) -> Closing:
    tried: dict[str, Any] = {}
    if plan.stays:
        opened = left_open(plan)
        if isinstance(opened, str):
            raise CannotCloseError(f"the opening cannot be left as it is: {opened}; let it be closed instead")
        return _done(work, plan, "open", opened, tried)
    rung = ""
    for rung, candidate in attempts(work, plan, tried):
        if candidate is plan.proven:
            return _done(work, plan, rung, candidate, tried)
        verdict = judge(*candidate)
        if verdict.sound:
            return _done(work, plan, rung, candidate, tried)
        tried[rung] = verdict.faults()
        if rung in ("direct", "united", "volumetric"):
            scan = (work.vertices, work.faces) if rung != "volumetric" else None
            healed, why_not = healed_solid(candidate, verdict, scan)
            if healed is not None:
                return _done(work, plan, "local" if rung == "direct" else rung, healed, tried)
            tried[f"{rung}, healed"] = why_not
    last = ", ".join(f"{value:g} {name.replace('_', ' ')}" for name, value in tried.get(rung, {}).items())
    raise CannotCloseError(f"the scan could not be closed into a sound solid; the last attempt had {last}")


def _done(work: Work, plan: Plan, rung: str, solid: Solid, tried: dict[str, Any]) -> Closing:
    warnings = work.warnings + plan.warnings
    evidence = work.evidence | {"rungs_that_failed": tried}
    bodies, _ = components(solid[1], len(solid[0]))
    if bodies > 1 and work.must_join and rung != "open":
        solid, gaps = _joined(solid)
        evidence["gaps_bridged_mm"] = gaps
        warnings += (
            f"{bodies} bodies that do not touch were joined by struts across {min(gaps):.1f} to "
            f"{max(gaps):.1f} mm",
        )
        bodies, _ = components(solid[1], len(solid[0]))
    facts = {"rung": rung, "bodies": bodies} | plan.facts
    if bodies > 1 and not work.apart:
        warnings += (
            f"the part came out as {bodies} bodies that do not touch: the scan lacks what joins them; "
            "`pieces: unite` joins them across narrow gaps, `pieces: largest` keeps the largest",
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


def _joined(solid: Solid) -> tuple[Solid, list[float]]:
    try:
        joined, gaps = join(solid, NUDGE_ULPS * float32_step(solid[0]))
    except TooFarApartError as error:
        raise CannotCloseError(
            f"the scan's pieces cannot be made one body: some lie {error.gap_mm:.1f} mm apart, too far for "
            "a strut; choose pieces: largest, or pieces: keep for several bodies"
        ) from error
    verdict = judge(*joined)
    if verdict.sound:
        return joined, gaps
    healed, why_not = healed_solid(joined, verdict)
    if healed is None:
        raise CannotCloseError(f"the struts that join the scan's pieces do not make a sound solid: {why_not}")
    return healed, gaps


def _accounted(vertices: Floats, faces: Ints, found: Pieces, work: Work, closing: Closing) -> Closing:
    """With facts on the fate of every piece, and a warning for each large one that is not in the result."""
    known = fates(found, work.dropped, vertices, faces, closing.vertices, closing.faces)
    lost = [i for i in known.lost() if found.share[i] > REPORTED_SHARE]
    warnings = closing.warnings + tuple(
        f"a piece with {found.share[i]:.1%} of the surface ({found.diagonal_mm[i]:.1f} mm across) is not in "
        "the part: it encloses nothing"
        for i in lost
    )
    kept = faces[work.input_kept]
    side = vertices[kept[:, 0]] - vertices[kept[:, 1]]
    used = used_vertices(kept, len(vertices))
    further_mm = LEFT_OUT_EDGES * float(np.median(np.linalg.norm(side, axis=1)))
    count, furthest_mm = left_out(vertices[used], closing.vertices, closing.faces, further_mm)
    likeness = {
        "vertices_left_out": count,
        "vertices_left_out_share": count / len(used),
        "furthest_left_out_mm": furthest_mm,
    }
    return replace(
        closing,
        facts=closing.facts | told(found, known) | likeness,
        evidence=closing.evidence | {"pieces": roll(found, known)},
        warnings=warnings,
    )
