"""Flange, neck, part and bore made one solid, and a thin plate to drill by."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from fettlebox.api import (
    HoldError,
    StepError,
)

from .circle import BoltCircle, bolt_circle
from .params import Params
from .screws import SCREWS
from .solids import THROUGH_MM, as_mesh, as_solid, drawn_out, drill, drilled_plate, encloses, recessed
from .standing import Standing

GAP_MM = 1.0
"""Room around a head, so that it can be set (common practice, no published source)."""

ADDS_UP = 1e-6
"""Volumes of part and mount must add up to this share: rounding is a thousand times smaller."""


@dataclass(frozen=True)
class Bolts:
    """Where the screws go, how wide their holes and heads are, and the flange round them and the foot."""

    circle: BoltCircle
    hole_mm: float
    recess_mm: float
    head_mm: float
    wide_mm: float


@dataclass(frozen=True)
class Joined:
    """Part and mount as one solid, and the volumes, mm3, that have to add up to it but for `off_ratio`."""

    solid: Any
    flange_mm3: float
    neck_mm3: float
    bore_mm3: float
    united_mm3: float
    off_ratio: float


def bolts_round(standing: Standing, params: Params) -> Bolts:
    """The bolt circle round a part. Raises HoldError if the one that is asked for is too small."""
    screw = SCREWS[params.screw]
    hole_mm = screw.hole_mm[params.play] + params.extra
    recess_mm = screw.recess_mm(params.play) + params.extra
    head_mm = recess_mm if params.heads == "sunk" else screw.head_mm
    rim_mm = screw.size_mm if params.rim is None else params.rim
    try:
        circle = bolt_circle(
            standing.shadow, standing.centre, params.count, head_mm, GAP_MM, head_mm + GAP_MM,
            params.circle, params.turn,
        )  # fmt: skip
    except ValueError as error:
        raise HoldError(f"{str(error)[:1].upper()}{str(error)[1:]}. Ask for a larger `circle`.") from error
    wide_mm = max(circle.diameter_mm + head_mm, standing.wide_mm) + 2 * rim_mm
    return Bolts(circle, hole_mm, recess_mm, head_mm, wide_mm)


def join(standing: Standing, bolts: Bolts, params: Params) -> Joined:
    """Raises HoldError for a bore that would break out, StepError if the volumes do not add up."""
    flange = _flange(standing, bolts, params)
    flange_mm3, neck_mm3 = float(flange.volume()), standing.joint_mm2 * params.neck
    # Drawn out into the flange, so that no face of one lies in a face of the other.
    rooted_mm = params.neck + params.thickness / 2
    rooted = as_solid(*drawn_out(*as_mesh(standing.above), standing.foot_mm, rooted_mm, standing.least_share))
    whole = flange + rooted
    united = whole if params.bore is None else _bored(whole, standing, params)
    bore_mm3 = 0.0 if params.bore is None else float(whole.volume() - united.volume())
    united_mm3, above_mm3 = float(united.volume()), float(standing.above.volume())
    off = abs(united_mm3 - above_mm3 - neck_mm3 - flange_mm3 + bore_mm3) / united_mm3
    if off > ADDS_UP:
        raise StepError(
            f"Part and mount do not add up: the volume is off by {off:.1g} of itself. "
            "Put repair before mount."
        )
    return Joined(united, flange_mm3, neck_mm3, bore_mm3, united_mm3, off)


def drill_plate(standing: Standing, bolts: Bolts, params: Params, thick_mm: float) -> Any:
    """The flange's holes and bore in a plate of another thickness."""
    bore_mm = 0.0 if params.bore is None else params.bore + params.extra
    holes = bolts.circle.holes()
    return drilled_plate(bolts.wide_mm, thick_mm, standing.centre, holes, bolts.hole_mm, bore_mm)


def _flange(standing: Standing, bolts: Bolts, params: Params) -> Any:
    holes = bolts.circle.holes()
    plate = drilled_plate(bolts.wide_mm, standing.top_mm, standing.centre, holes, bolts.hole_mm, 0.0)
    if params.heads != "sunk":
        return plate
    return recessed(plate, standing.top_mm, holes, bolts.recess_mm, SCREWS[params.screw].head_height_mm)


def _bored(whole: Any, standing: Standing, params: Params) -> Any:
    """With a hole up the middle, if enough is left round it."""
    assert params.bore is not None
    bore_mm = params.bore + params.extra
    guard_mm = bore_mm + 2 * params.bore_wall
    guard = drill(guard_mm, 0.0, params.bore_depth + params.bore_wall, standing.centre)
    if not encloses(whole, guard):
        raise HoldError(
            f"A bore of {params.bore:g} mm, {params.bore_depth:g} mm deep, would leave less than "
            f"{params.bore_wall:g} mm of the part round it. Make it thinner or less deep."
        )
    return whole - drill(bore_mm, -THROUGH_MM, params.bore_depth, standing.centre)
