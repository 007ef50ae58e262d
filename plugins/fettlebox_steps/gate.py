"""gate: change nothing, demand facts. A part that fails waits for a person, or is rejected."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any, Literal

from fettlebox.api import HoldError, Part, Printer, StepContext, StepError, StepParams, StepResult, step
from pydantic import Field

from .demands import (
    Band,
    Base,
    Bodies,
    Closed,
    Covered,
    Demand,
    Distance,
    Finding,
    Fits,
    Height,
    Measured,
    Overhang,
    Price,
    PrintTime,
    SolidVolume,
    Sound,
    SupportVolume,
    Triangles,
    Wall,
)
from .demands_made import Likeness, Steady


class Params(StepParams):
    sound: Sound | None = Field(None, description="The part is a sound solid.")
    closed: Closed | None = Field(None, description="The surface is closed, or is open.")
    fits: Fits | None = Field(None, description="As it stands, the part fits what is named.")
    bodies: Bodies | None = Field(None, description="How many bodies the part is made of.")
    triangles: Triangles | None = Field(None, description="How many triangles the surface has.")
    height: Height | None = Field(None, description="How tall the part stands.")
    volume: SolidVolume | None = Field(None, description="The volume inside the surface.")
    distance: Distance | None = Field(
        None,
        description="How far scan and part are apart, in life-size mm, at the 95th percentile both ways.",
    )
    covered: Covered | None = Field(
        None, description="How much of the scan's surface the part still has, outside what was cut off."
    )
    likeness: Likeness | None = Field(
        None,
        description="How much cuts left of what is seen of the scan, where the flat face that closed it is "
        "not below, as of a face scanned from in front. A neck or another stump may be shortened at will.",
    )
    overhang: Overhang | None = Field(
        None, description="How much of the surface leans out by more than 45 deg and needs support."
    )
    support: SupportVolume | None = Field(None, description="How much space support would fill.")
    wall: Wall | None = Field(None, description="How thick the thinnest wall is.")
    time: PrintTime | None = Field(None, description="How long the shop's printer would take.")
    cost: Price | None = Field(None, description="What the print would cost, in the shop's money.")
    base: Base | None = Field(None, description="How large the first layer is.")
    steady: Steady | None = Field(
        None, description="What lean the part stands before it tips over; below 0 deg it topples by itself."
    )
    verdict: Literal["hold", "reject"] = Field(
        "hold", description="What becomes of a part that fails: it waits for a person, or it is rejected."
    )


def unsuited(params: Params, printer: Printer, later: Sequence[tuple[str, StepParams]]) -> Iterator[str]:
    """Demands that no part of this printer meets, and such that this gate, or the next, contradicts."""
    x, y, z = printer.build_volume_mm
    if params.sound is not None and params.closed is not None and not params.closed.root:
        yield "nothing is a sound solid and open: leave one of the two demands out"
    most = (
        ("height", params.height, z),
        ("volume", params.volume, x * y * z),
        ("base", params.base, x * y),
    )
    for name, band, limit in most:
        if band is not None and band.above is not None and band.above >= limit:
            wanted, there = type(band).write(band.above), type(band).write(limit)
            yield f"{name}: nothing that the printer builds is above {wanted}; it has room for {there}"
    wall = params.wall
    if wall is not None and wall.below is not None and wall.below <= printer.finest_mm:
        yield (
            f"wall: the printer draws nothing finer than {printer.finest_mm:g} mm, and only parts with a "
            f"wall below {wall.below:g} mm would pass"
        )
    for name, following in later:
        if isinstance(following, Params):
            yield from _contradictions(params, following)
        if name not in ("gate", "estimate", "inspect"):
            return  # it may change what the next gate measures


def _contradictions(first: Params, second: Params) -> Iterator[str]:
    for name in Params.model_fields:
        ours, theirs = getattr(first, name), getattr(second, name)
        if isinstance(ours, Band) and isinstance(theirs, Band):
            write = type(ours).write
            for one, other in ((ours, theirs), (theirs, ours)):
                if one.above is not None and other.below is not None and one.above >= other.below:
                    above, below = write(one.above), write(other.below)
                    yield f"{name}: two gates want it above {above} and below {below}; nothing passes both"
        elif isinstance(ours, Closed) and isinstance(theirs, Closed) and ours.root != theirs.root:
            yield "closed: one gate wants the surface closed and another open; nothing passes both"


@step("gate", version=2, summary="Let only parts pass that meet every demand.", unsuited=unsuited)
def gate(part: Part, params: Params, ctx: StepContext) -> StepResult:
    """Judge every demand, so that one failure hides no other.

    Limits:
        - It demands only what it is told to; a gate without demands lets everything pass.
        - `sound` is proven by a witness that shares no code with the steps; what cannot be measured, such
          as the print time of an open part, counts as not met.
        - `distance` and `covered` leave out what was cut off or made flat on purpose.
        - `likeness` goes by the flat face that closed the scan: a scan that came closed counts as having a
          stump, and of a chin beside a neck it knows nothing; `cut` keeps that clear.
        - `steady` is statics, with the part as one solid of one density on a level bed. Pieces count as
          joined.
        - Whether a part prints well is not among what can be demanded.
        - Held, or refused with `verdict: reject`, with every demand that is not met.
    Facts:
        sound, <piece>_sound: whether the part, and every piece and extra, is a sound solid
        closed: whether it has no rim
        size_mm, <piece>_size_mm: width, depth and height
        bodies, triangles: how many
        height_mm: how tall it stands
        volume_mm3: its volume
        scan_to_part_p95_mm, part_to_scan_p95_mm: distance that 95 % of either surface is within, in life
            size
        covered_ratio: share of the scan that the part has a surface near
        likeness_share: share of what is seen of the scan that cuts left, not counting a neck or stump
        overhang_share: share of the surface that leans out by more than 45 degrees
        support_mm3: room for support
        thinnest_wall_mm: the thickness that a thousandth of the surface goes below, edges and tips left out
        print_s: how long it prints
        cost: what it costs, in the shop's money
        first_layer_mm2: area of the first layer
        tips_beyond_deg: lean that brings the centre of mass over the edge of the foot; negative: it topples
    Evidence:
        met.demand, met.fact, met.found, met.wanted: every demand that is met: its name, what it goes by,
            what was found and what was wanted
        met.wanted.<bound>: the same, of demands that are bounds
        failed.<what>: likewise, every demand that is not
    Recipe:
        - units: {expect: head}
        - debris
        - repair
        - cut: 12 %
        - seat
        - scale: 25 %
        - gate: {sound: true, fits: printer, overhang: {below: 10 %}}
    """
    measured = Measured(part, ctx)
    wanted = [(name, getattr(params, name)) for name in Params.model_fields]
    findings: list[Finding] = []
    for name, demand in wanted:
        if isinstance(demand, Demand):
            findings.extend(demand.judge(name, measured))
    failed = [finding for finding in findings if not finding.met]
    evidence: dict[str, Any] = {
        "failed": [finding.as_evidence() for finding in failed],
        "met": [finding.as_evidence() for finding in findings if finding.met],
    }
    if failed:
        sentence = "; ".join(finding.sentence for finding in failed)
        if params.verdict == "reject":
            raise StepError(sentence)
        pictures = {finding.demand: finding.picture for finding in failed if finding.picture is not None}
        raise HoldError(sentence, evidence, pictures)
    facts = {finding.fact: finding.found for finding in findings}
    return StepResult(part, facts, evidence=evidence)
