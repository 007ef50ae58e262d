"""inspect: measure how good the scan is; change nothing."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from fettlebox.api import (
    Grade,
    Grader,
    HoldError,
    Origin,
    Part,
    StepContext,
    StepError,
    StepParams,
    StepResult,
    step,
)
from pydantic import Field

if TYPE_CHECKING:
    from .geometry.scan_quality import ScanQuality

RIM_WIDTH = 0.005
"""Rims are drawn this wide, as a share of the part's diagonal, so that they show at the size of a picture."""


class Params(StepParams):
    at_least: Literal["good", "fair", "poor", "hopeless"] = Field(
        "fair",
        alias="at least",
        description="The grade that a scan needs to pass. `hopeless` lets every scan pass.",
    )
    sides: Literal["all", "one"] = Field(
        "all",
        description="From how many sides the subject should have been scanned. `one`: a relief, whose back "
        "is not missing.",
    )
    verdict: Literal["hold", "reject", "tell"] = Field(
        "hold",
        description="What becomes of a worse scan: it waits for a person, is rejected, or goes on with a "
        "warning.",
    )


@step("inspect", version=1, summary="Measure how good the scan is; change nothing.", shorthand="at least")
def inspect(part: Part, params: Params, ctx: StepContext) -> StepResult:
    from .geometry.scan_grade import grade_scan, worse
    from .geometry.scan_quality import measure_scan

    quality = measure_scan(part.vertices, part.faces)
    ctx.progress(0.7)
    graded = grade_scan(quality, one_sided=params.sides == "one")
    facts = {"grade": graded.grade, **quality.facts()}
    evidence = {
        "asked": params.at_least,
        "marks": graded.evidence(),
        "reasons": list(graded.reasons),
        # The grade goes by shares and needs no unit; whoever reads the millimetres should know.
        "unit_declared": ctx.origin.unit_mm is not None,
    }
    pictures = _pictures(part, quality)
    if not worse(graded.grade, params.at_least):
        return StepResult(part, facts, graded.reasons, evidence, pictures=pictures)
    sentence = (
        f"the scan is {graded.grade}, and {params.at_least} is asked for: {'; '.join(graded.reasons)}"
        if graded.grade != "hopeless"
        else f"the scan is hopeless: {'; '.join(graded.reasons)}"
    )
    if params.verdict == "reject":
        raise StepError(sentence)
    if params.verdict == "hold":
        raise HoldError(sentence, {**evidence, "facts": facts}, pictures)
    return StepResult(part, facts, (sentence,), evidence, pictures=pictures)


def grade_take(part: Part, origin: Origin) -> Grade:
    """The same measurement and judgement, for the choice among several takes of one subject."""
    from .geometry.scan_grade import grade_scan
    from .geometry.scan_quality import measure_scan

    quality = measure_scan(part.vertices, part.faces)
    graded = grade_scan(quality)
    facts = {**quality.facts(), "marks": graded.evidence()}
    return Grade(graded.grade, graded.rank, graded.reasons, facts)


grader = Grader("scan quality", grade_take)


def _pictures(part: Part, quality: ScanQuality) -> dict[str, bytes]:
    """The scan with its noise in colours, its holes under flat lids, and a band along every rim and spike."""
    import numpy as np
    from fettlebox.pictures import render_map
    from scipy.spatial import cKDTree

    from .geometry.scan_quality import grain_map

    if not quality.area_mm2 > 0:
        return {}
    vertices, faces = [part.vertices], [part.faces.astype(np.int64)]
    count, lids = len(part.vertices), 0
    for gap in quality.holes:
        ring = np.arange(len(gap.points)) + count
        middle = np.full(len(ring), count + len(ring))
        vertices += [gap.points, gap.points.mean(axis=0, keepdims=True)]
        faces.append(np.stack([np.roll(ring, -1), ring, middle], axis=1))
        count += len(ring) + 1
        lids += len(ring)
    centres = part.vertices[part.faces].mean(axis=1)
    noise = np.concatenate([grain_map(part.vertices, part.faces, centres), np.zeros(lids)])
    marked = np.arange(len(noise)) >= len(part.faces)
    seams = [gap.points for gap in quality.gaps] + ([quality.spike_points] if quality.spikes else [])
    if seams:
        reach = RIM_WIDTH * float(np.linalg.norm(np.ptp(part.bounds, axis=0)))
        away, _ = cKDTree(np.concatenate(seams)).query(centres, distance_upper_bound=reach)
        marked[: len(part.faces)] |= np.isfinite(away)
    shown = Part(np.concatenate(vertices), np.concatenate(faces).astype(np.int32))
    picture = render_map(shown, noise, "noise, mm", at_least=1e-4, marked=marked, mark="holes and rims")
    return {"gaps": picture}
