"""scale: make the part the size that was ordered."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Any, Literal

from fettlebox.api import (
    Length,
    Part,
    Printer,
    Ratio,
    StepContext,
    StepError,
    StepParams,
    StepResult,
    quantity,
    step,
)
from pydantic import ConfigDict, Field, model_validator

SITS_WITHIN_MM = 1e-6
"""A part counts as on the bed, or centred, within this. Far above rounding, far below what prints."""

DETAIL_SHARE = 0.05
"""The detail that counts is the bend that 5 % of the surface is tighter than: less is scanner noise and
single sharp edges, more would not warn before lips and eyelids are gone (our judgement)."""

TURNING = frozenset({"seat", "orient"})
KEEP_SIZE = TURNING | {"gate", "estimate", "inspect", "hollow", "drain", "label", "plinth", "knockdown"}
"""Steps after which a part is no smaller than before, but for a knob or a grain."""

_ONE_OF = ("by", "height", "longest", "fit")


class Params(StepParams):
    model_config = ConfigDict(
        json_schema_extra={
            "oneOf": [{"required": [key]} for key in _ONE_OF],
            "dependentRequired": {"margin": ["fit"], "at most": ["fit"]},
        }
    )

    by: Ratio | None = quantity(
        None, at_least="0.1 %", at_most="100000 %", about="New size over the size now."
    )
    height: Length | None = quantity(None, at_least="0.1 mm", at_most="100 m", about="New height.")
    longest: Length | None = quantity(
        None, at_least="0.1 mm", at_most="100 m", about="New length of the longest side of the part's box."
    )
    fit: Literal["printer"] | None = Field(
        None,
        description="As large as the shop's printer can build, turned on the bed if that gains.",
    )
    margin: Length = quantity(
        "5 mm", at_least="0 mm", about="Room to leave free on every side and on top; with `fit`."
    )
    at_most: Ratio | None = quantity(
        None, alias="at most", at_least="0.1 %", about="Never more than this times the size now; with `fit`."
    )

    @model_validator(mode="after")
    def _exactly_one(self) -> Params:
        given = [key for key in _ONE_OF if getattr(self, key) is not None]
        if len(given) != 1:
            found = " and ".join(given) if given else "none"
            raise ValueError(f"found {found}; expected exactly one of {', '.join(_ONE_OF)}")
        loose = {"margin": "margin", "at_most": "at most"}
        for field, key in loose.items():
            if self.fit is None and field in self.model_fields_set and getattr(self, field) is not None:
                raise ValueError(f"{key!r} goes with `fit: printer` only")
        return self


def unsuited(params: Params, printer: Printer, later: Sequence[tuple[str, StepParams]]) -> Iterator[str]:
    """A size that no turn fits into the printer, unless something later makes the part or pieces smaller."""
    x, y, z = printer.build_volume_mm
    room = f"the printer builds {x:g} × {y:g} × {z:g} mm"
    if params.fit is not None and min(x - 2 * params.margin, y - 2 * params.margin, z - params.margin) <= 0:
        yield f"a margin of {params.margin:g} mm leaves no room: {room}"
    names = {name for name, _ in later}
    if not names <= KEEP_SIZE:
        return
    long_mm = params.height or params.longest
    if params.height is not None and params.height > z and not names & TURNING:
        yield f"{params.height:g} mm is too high: {room}"
    elif long_mm is not None and long_mm > math.hypot(x, y, z):
        yield f"{long_mm:g} mm is longer than from corner to corner: {room}"


@step(
    "scale",
    version=1,
    summary="Make the part the size that was ordered, or as large as fits.",
    shorthand="by",
    unsuited=unsuited,
)
def scale(part: Part, params: Params, ctx: StepContext) -> StepResult:
    """Scale about the origin, so that a part that sits on the bed stays on it.

    Limits:
        - It scales alike in all directions, and everything with it: walls and pegs made before come out
          smaller or larger too. Put `hollow`, `plinth`, `label` and `split` after it.
        - `fit` turns the part about Z only. That it fits is not that it prints.
        - What becomes finer than the printer draws is warned of, not thickened.
        - Refuses a part without extent, and a margin that leaves no room.
    Sources:
        - M. Shamos, "Computational geometry", 1978: rotating calipers, for the best turn on the bed.
        - M. Meyer et al., "Discrete differential-geometry operators for triangulated 2-manifolds", 2002:
          how finely the surface bends.
    Facts:
        ratio: new size over the size before
        life_scale: size now over life size
        size_before_mm, size_after_mm: width, depth and height
        turned_deg: with `fit`, how far it was turned on the bed
    Evidence:
        finest_printed_mm: the finest line or dot of the printer
        detail_mm: width that 5 % of the surface bends more tightly than, at the new size
        room_mm: with `fit`, the room less the margin
        fits_ratio, fits_unturned_ratio: the largest ratio that fits, as turned and without a turn
        turned_deg: how far it was turned
        capped: whether `at most` made it smaller than would fit
    Recipe:
        - units: {expect: head}
        - debris
        - repair
        - scale: {by: 50 %}
    """
    from .geometry.measures import bending_widths

    low, high = part.bounds
    size = high - low
    if not len(part.faces) or size.max() <= 0.0:
        raise StepError("the part has no extent; there is nothing to scale")
    turned = part
    facts: dict[str, Any] = {}
    evidence: dict[str, Any] = {}
    if params.fit is not None:
        turned, ratio, evidence = _fitted(part, params, ctx)
        facts["turned_deg"] = evidence["turned_deg"]
    elif params.by is not None:
        ratio = params.by
    else:
        wanted, now, what = params.longest or 0.0, float(size.max()), "length"
        if params.height is not None:
            wanted, now, what = params.height, float(size[2]), "height"
        if now <= 0.0:
            raise StepError(f"the part has no {what}; it cannot be made {wanted:g} mm")
        ratio = wanted / now
    result = turned.scaled(ratio)
    after = result.bounds[1] - result.bounds[0]
    facts |= {
        "ratio": ratio,
        "life_scale": result.life_scale,
        "size_before_mm": [float(v) for v in size],
        "size_after_mm": [float(v) for v in after],
    }
    detail_mm = bending_widths(part.vertices, part.faces, (DETAIL_SHARE,))[0] * ratio
    finest_mm = ctx.printer.finest_mm
    warnings: tuple[str, ...] = ()
    evidence |= {"finest_printed_mm": finest_mm, "detail_mm": detail_mm if detail_mm < 1e9 else None}
    if ratio < 1.0 and detail_mm < finest_mm:
        warnings = (
            f"at this size {DETAIL_SHARE:.0%} of the surface is finer than {detail_mm:.2g} mm, and the "
            f"printer {ctx.printer.name!r} draws nothing under {finest_mm:g} mm: it will come out soft",
        )
    return StepResult(result, facts, warnings, evidence)


def _fitted(part: Part, params: Params, ctx: StepContext) -> tuple[Part, float, dict[str, Any]]:
    """The part turned about Z for the best fit, the ratio that fills the printer, and the evidence."""
    from .geometry.fit import about_z, best_turn

    x, y, z = ctx.printer.build_volume_mm
    room = (x - 2 * params.margin, y - 2 * params.margin, z - params.margin)
    if min(room) <= 0.0:
        raise StepError(
            f"a margin of {params.margin:g} mm leaves no room in the printer {ctx.printer.name!r} "
            f"({x:g} × {y:g} × {z:g} mm); ask for less"
        )
    turn_deg, fits, unturned = best_turn(part.vertices[part.faces].reshape(-1, 3), room)
    ratio = fits
    capped = params.at_most is not None and params.at_most < fits
    if params.at_most is not None and capped:
        ratio = params.at_most
        if unturned >= ratio:
            turn_deg = 0.0
    evidence = {
        "room_mm": list(room),
        "fits_ratio": fits,
        "fits_unturned_ratio": unturned,
        "turned_deg": turn_deg,
        "capped": capped,
    }
    if turn_deg == 0.0:
        return part, ratio, evidence
    middle = part.bounds.mean(axis=0)
    turned = part.moved(about_z(turn_deg))
    if abs(middle[0]) <= SITS_WITHIN_MM and abs(middle[1]) <= SITS_WITHIN_MM:
        shift = about_z(0.0)
        shift[:2, 3] = -turned.bounds.mean(axis=0)[:2]
        turned = turned.moved(shift)
    # A turn about Z leaves every height alone; so do the bits.
    vertices = turned.vertices.copy()
    vertices[:, 2] = part.vertices[:, 2]
    return replace(turned, vertices=vertices), ratio, evidence
