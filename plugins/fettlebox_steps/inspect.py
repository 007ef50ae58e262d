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


@step("inspect", version=2, summary="Measure how good the scan is; change nothing.", shorthand="at least")
def inspect(part: Part, params: Params, ctx: StepContext) -> StepResult:
    """Every measure is a share of the scan's own size or surface, so that the grade needs no unit.

    Limits:
        - What counts as good is our judgement; no standard grades scans for printing.
        - It judges the surface, not the likeness: a smooth scan of the wrong thing is a good one.
        - What is open by nature, such as a bowl scanned from inside alone, is marked as incomplete; only a
          relief can be told it (`sides: one`).
        - Held, refused or told, as `verdict` says, for a scan worse than `at least`.
    Sources:
        - M. Crofton, 1868; L. Santaló, "Integral Geometry and Geometric Probability", 1976: how much of a
          body its surface shows to lines from everywhere. M. Roberts, "The unreasonable effectiveness of
          quasirandom sequences", 2018: how the lines are spread.
        - F. Cazals, M. Pouget, "Estimating differential quantities using polynomial fitting of osculating
          jets", 2005, and F. Hampel, "The influence curve and its role in robust estimation", 1974: the
          noise.
        - K. Takayama et al., "A simple method for correcting facet orientations in polygon meshes based on
          ray casting", 2014: faces that look the wrong way.
    Facts:
        grade: good, fair, poor or hopeless; the worst mark decides
        covered_ratio: share of the subject's surface that is there, judged from all directions
        closed_surface_ratio: the same, judged from the rims: surface over surface and what its gaps lack
        frontal_from_side_ratio.<side>: the same as seen from each side
        missing_area_mm2: area of what is not there
        openings, opening_lid_area_mm2: gaps as wide as a neck or a bottom, and what would close them
        holes, hole_area_mm2, largest_hole_area_mm2, hole_ratio: all other gaps, their area, and its share
        noise_mm, noise_ratio: deviation of the vertices from the smooth surface around, and over the
            subject's size
        median_edge_mm, median_edge_ratio: the median edge, and over the subject's size
        pieces, largest_piece_ratio, loose_ratio: pieces, the area of the largest, and of open ones beside
            it
        doubled_ratio: area scanned twice, one layer over another
        non_manifold_edge_ratio: edges with more than two faces
        turned_face_ratio: faces that look the other way than those around
        spikes: vertices that stick out like needles
        area_mm2, longest_mm: area, and the longest side
    Evidence:
        asked: the grade that was asked for
        marks.judged, marks.value, marks.mark, marks.grade: every measure that is judged: its value, its
            mark from 1, perfect, to 0, and its grade
        reasons: what is not good, in sentences
        unit_declared: whether the millimetres can be believed
        facts.<name>: of a job that is held: all facts
    Recipe:
        - units: {expect: head}
        - inspect: {at least: fair, verdict: tell}
    """
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
    noise = np.concatenate([grain_map(quality, centres), np.zeros(lids)])
    marked = np.arange(len(noise)) >= len(part.faces)
    seams = [gap.points for gap in quality.gaps] + ([quality.spike_points] if quality.spikes else [])
    if seams:
        reach = RIM_WIDTH * float(np.linalg.norm(np.ptp(part.bounds, axis=0)))
        away, _ = cKDTree(np.concatenate(seams)).query(centres, distance_upper_bound=reach)
        marked[: len(part.faces)] |= np.isfinite(away)
    shown = Part(np.concatenate(vertices), np.concatenate(faces).astype(np.int32))
    picture = render_map(shown, noise, "noise, mm", at_least=1e-4, marked=marked, mark="holes and rims")
    return {"gaps": picture}
