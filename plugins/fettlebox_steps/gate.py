"""gate: change nothing, demand facts. A part that fails waits for a person, or is rejected."""

from __future__ import annotations

from typing import Any, Literal

from fettlebox.api import HoldError, Part, StepContext, StepError, StepParams, StepResult, step
from pydantic import Field

from .demands import (
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
    overhang: Overhang | None = Field(
        None, description="How much of the surface leans out by more than 45 deg and needs support."
    )
    support: SupportVolume | None = Field(None, description="How much space support would fill.")
    wall: Wall | None = Field(None, description="How thick the thinnest wall is.")
    time: PrintTime | None = Field(None, description="How long the shop's printer would take.")
    cost: Price | None = Field(None, description="What the print would cost, in the shop's money.")
    base: Base | None = Field(None, description="How large the first layer is.")
    verdict: Literal["hold", "reject"] = Field(
        "hold", description="What becomes of a part that fails: it waits for a person, or it is rejected."
    )


@step("gate", version=1, summary="Let only parts pass that meet every demand.")
def gate(part: Part, params: Params, ctx: StepContext) -> StepResult:
    """Judge every demand, so that one failure hides no other."""
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
        raise HoldError(sentence, evidence)
    facts = {finding.fact: finding.found for finding in findings}
    return StepResult(part, facts, evidence=evidence)
