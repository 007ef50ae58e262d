"""units: settle what one unit of the scan's numbers is in millimetres, from what it says or how big it is."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Literal

from fettlebox.api import (
    HoldError,
    Length,
    Part,
    Ratio,
    StepContext,
    StepError,
    StepParams,
    StepResult,
    quantity,
    step,
)
from pydantic import Field

if TYPE_CHECKING:
    from .geometry.usual_size import SizeBand

ODD = 0.3
"""A declared size this far down the tail of the band (1.5 standard deviations) is worth a warning."""

ABSURD = 0.01
"""A declared size this far down (3 standard deviations) is a wrong unit, not a rare subject."""


class Size(StepParams):
    """A subject whose height is known."""

    height: Length = quantity(
        at_least="1 mm", at_most="100 m", about="Height of the subject, roughly measured."
    )


class Params(StepParams):
    expect: Literal["head", "figurine"] | Size | None = Field(
        None,
        description="What the scan shows: a `head` in life size (a face to a bust with shoulders), a "
        "`figurine`, or a subject of known `height`. Without it, a scan that declares no unit is held.",
    )
    sure: Ratio = quantity(
        "90 %",
        at_least="50 %",
        at_most="99.9 %",
        about="How likely the best unit must be; below it the job is held.",
    )


@step(
    "units",
    version=1,
    summary="Settle the unit of the scan: declared, or judged by the size of what it shows.",
    shorthand="expect",
)
def units(part: Part, params: Params, ctx: StepContext) -> StepResult:
    """A declared unit stands, unless a file's makes the subject absurdly large or small.

    Without one, each of mm, cm, m and in is weighed by how usual the size is that it would give. Hold when
    none is likely enough.

    Limits:
        - It goes by size alone: what the scan shows is taken from `expect`, never from its shape.
        - Only mm, cm, m and inches are weighed; a scan without any scale, as from photographs alone, is
          held.
        - Held: no unit declared and no `expect`; no unit as likely as `sure`; a file's unit that makes the
          subject so large or small that it lies three standard deviations beyond what is usual. A ticket's
          unit is only warned of: a person wrote it.
        - Refuses a scan that is nothing but scraps.
    Sources:
        - S. Pheasant, C. Haslegrave, "Bodyspace", British adults 19 to 65: what is usual for a head in
          life size.
        - What is usual for a figurine, and how often files are in which unit, is common practice without a
          published source; the two are weighed by Bayes' rule.
    Facts:
        unit: the unit that the numbers are read in
        unit_mm: millimetres in one such unit
        unit_from: whether it was declared, by what, or judged by size
        likely_ratio: how likely that unit is, if it was judged
        size_mm: width, depth and height of the part
    Evidence:
        expected: what the scan was said to show
        usual_from_mm, usual_to_mm: the sizes that are all equally usual for it
        sure_ratio: how likely the best unit had to be
        none_of_these_ratio: how likely it is that none of the units is right
        readings.unit, readings.size_mm, readings.likely_ratio: each unit, the size it gives, how likely it
            is
        usual_ratio: how usual the size is that the declared unit gives; 1 within the band
        largest_extent_mm: the longest side in the declared unit
        largest_extent_in_file: the longest side in the file's own numbers, where nothing says their unit
    Recipe:
        - units: {expect: head}
    Picture: none
    """
    from .geometry.measures import NOTHING_BUT_SCRAPS, main_pieces

    vertices, faces = main_pieces(part.vertices, part.faces)
    if not len(faces):
        raise StepError(NOTHING_BUT_SCRAPS)
    box = vertices.max(axis=0) - vertices.min(axis=0)
    extents = (float(box[0]), float(box[1]), float(box[2]))
    if ctx.origin.unit_mm is not None:
        return _declared(part, params, ctx, extents, ctx.origin.unit_mm)
    return _judged(part, params, extents)


def _judged(part: Part, params: Params, extents: tuple[float, float, float]) -> StepResult:
    from .geometry.usual_size import UNIT_MM, unit_posterior

    if params.expect is None:
        raise HoldError(
            f"the file declares no unit and the recipe no subject; its longest side is {max(extents):.4g}: "
            "say what it is (`units: {expect: head}`), or give the unit in the ticket",
            {"largest_extent_in_file": max(extents), "readings": _readings(extents, {})},
        )
    band, name, sizes = _subject(params, extents)
    likely = unit_posterior(sizes, band)
    evidence: dict[str, Any] = {
        "expected": name,
        "usual_from_mm": band.low_mm,
        "usual_to_mm": band.high_mm,
        "sure_ratio": params.sure,
        "none_of_these_ratio": likely["none"],
        "readings": _readings(extents, likely),
    }
    ranked = sorted(UNIT_MM, key=lambda unit: -likely[unit])
    best, second = ranked[0], ranked[1]
    if likely[best] < params.sure:
        if likely["none"] > likely[best]:
            found = f"in no unit is this the size of {name}"
        else:
            found = f"the unit of the file is not clear for {name}"
        raise HoldError(
            f"{found}: read as {_name(UNIT_MM[best])} it is {_plain(max(extents) * UNIT_MM[best])} long, "
            f"as {_name(UNIT_MM[second])} {_plain(max(extents) * UNIT_MM[second])}; "
            f"give the unit in the ticket (`unit: {best}`)",
            evidence,
        )
    unit_mm = UNIT_MM[best]
    facts = {
        "unit": best,
        "unit_mm": unit_mm,
        "unit_from": "judged by size",
        "likely_ratio": likely[best],
        "size_mm": [size * unit_mm for size in extents],
    }
    warning = (
        f"the file declares no unit; read as {best}, which makes it {_plain(max(extents) * unit_mm)} long, "
        f"as is usual for {name} ({likely[best]:.1%} likely)"
    )
    return StepResult(part.in_unit(unit_mm), facts, (warning,), evidence)


def _declared(
    part: Part, params: Params, ctx: StepContext, extents: tuple[float, float, float], unit_mm: float
) -> StepResult:
    by = ctx.origin.unit_from
    facts = {
        "unit": _name(unit_mm),
        "unit_mm": unit_mm,
        "unit_from": f"declared by the {by}",
        "size_mm": list(extents),
    }
    if params.expect is None:
        return StepResult(part, facts)
    band, name, sizes = _subject(params, extents)
    usual = max(band.usual(size) for size in sizes)
    evidence = {
        "expected": name,
        "usual_from_mm": band.low_mm,
        "usual_to_mm": band.high_mm,
        "usual_ratio": usual,
        "largest_extent_mm": max(extents),
    }
    found = (
        f"the {by} says that its numbers are in {_name(unit_mm)}, which makes it "
        f"{_plain(max(extents))} long; usual for {name} is {_plain(band.low_mm)} to {_plain(band.high_mm)}"
    )
    # A file's unit is often a default of the program that wrote it; a ticket's was written by a person.
    if usual < ABSURD and by == "file":
        raise HoldError(f"{found}: confirm or correct the unit in the ticket", evidence)
    return StepResult(part, facts, (found,) if usual < ODD else (), evidence)


def _subject(params: Params, extents: tuple[float, float, float]) -> tuple[SizeBand, str, tuple[float, ...]]:
    """The band of the expected subject, its name in a sentence, and the extents that may match it."""
    from .geometry.usual_size import FIGURINE, LIFE_SIZE_HEAD, height_band

    if isinstance(params.expect, Size):
        height = params.expect.height
        return height_band(height), f"a subject {_plain(height)} tall", extents
    if params.expect == "head":
        return LIFE_SIZE_HEAD, "a head in life size", (max(extents),)
    return FIGURINE, "a figurine", (max(extents),)


def _readings(extents: tuple[float, float, float], likely: dict[str, float]) -> list[dict[str, Any]]:
    from .geometry.usual_size import UNIT_MM

    return [
        {"unit": unit, "size_mm": [size * mm for size in extents], "likely_ratio": likely.get(unit)}
        for unit, mm in UNIT_MM.items()
    ]


def _name(unit_mm: float) -> str:
    from .geometry.usual_size import UNIT_MM

    return next((unit for unit, mm in UNIT_MM.items() if mm == unit_mm), f"units of {unit_mm:g} mm")


def _plain(mm: float) -> str:
    """A length as a person says it: 0.19 mm, 190 mm, 1.3 m."""
    return f"{mm / 1000:.3g} m" if mm >= 1000 else f"{mm:.3g} mm"
