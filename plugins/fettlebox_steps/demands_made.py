"""What a gate can demand of what earlier steps made: that no cut took likeness, and that the part stands."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from .demands import AngleBand, Finding, Measured, RatioBand

LAY_DOWN = "or lay it on its back as a relief"


class Likeness(RatioBand):
    """Share of what is seen of the scan that cuts left; all of it where they shortened a neck or stump."""

    def judge(self, name: str, measured: Measured) -> Iterable[Finding]:
        from .cut_taken import likeness_taken, taken_picture

        part, scan = measured.part, measured.ctx.reference
        taken = likeness_taken(part, scan)
        for finding in self.within(name, "likeness_share", 1.0 - taken, "the cut leaves {} of the likeness"):
            if finding.met or self.above is None:
                yield finding
                continue
            advice = (
                "there is no neck or stump below, so it goes through what was scanned; look at the picture "
                f"of what goes, then cut lower, let the cut tilt more, {LAY_DOWN}"
            )
            picture = taken_picture(part, scan, f"Pink goes: {taken:.1%} of what is seen of the scan")
            yield replace(finding, sentence=f"{finding.sentence}: {advice}", picture=picture)


class Steady(AngleBand):
    """Lean that brings the centre of mass over the edge of what the part stands on; negative: it topples."""

    def judge(self, name: str, measured: Measured) -> Iterable[Finding]:
        from .geometry.measures import is_closed
        from .geometry.print_stability import stance as stance_of

        part = measured.part
        stance = stance_of(part.vertices, part.faces) if is_closed(part.faces) else None
        said = "the lean at which the part tips over is {}"
        if stance is not None and stance.margin_mm <= 0:
            said = (
                f"the part topples by itself, its centre of mass {-stance.margin_mm:.3g} mm outside the edge "
                f"of its foot: {said}"
            )
        tips_deg = None if stance is None else stance.tips_beyond_deg
        for finding in self.within(name, "tips_beyond_deg", tips_deg, said):
            if finding.met or self.above is None or tips_deg is None:
                yield finding
                continue
            advice = f"let the cut be chosen and tilt further, put it on a wider plinth, {LAY_DOWN}"
            yield replace(finding, sentence=f"{finding.sentence}: {advice}")
