"""What a recipe may say about a cut."""

from __future__ import annotations

import math
from typing import Literal

from fettlebox.api import Angle, Area, Length, Measured, Ratio, StepParams, quantity
from pydantic import Field, model_validator

Side = Literal["back", "front", "left", "right"]


class UpTo(StepParams):
    """A bound on a tilt that the step chooses."""

    up_to: Angle = quantity(alias="up to", at_least="0 deg", at_most="80 deg", about="Largest tilt.")
    worth: Ratio = quantity(
        "5 %",
        at_least="0 %",
        at_most="99 %",
        about="Least share of the best level cut's support that a tilt must save, and 0.1 cm3 at least. "
        "Where the base that closed the scan is not below, as of a face seen from in front, it may save so "
        "large a share of what that cut takes of the scan instead, and 1 % of what is seen of it at least. "
        "If none saves so much, the part is cut level: nobody wants a head that leans for nothing.",
    )


Height = Ratio | Length
Place = tuple[Length, Length, Length]
Direction = tuple[float, float, float]


class Flat(StepParams):
    """Where a flat cut is, and which side of it goes."""

    toward: Side | Angle | None = Field(
        None,
        description="The side where a tilted cut climbs (back, if not given); set down on it, the part leans "
        "that way. left and right as seen from in front; an angle counts from the right, counter-clockwise "
        "seen from above.",
    )
    through: Place | None = Field(
        None,
        description="A point that the cut runs through, instead of `at`: to the right, to the back and up "
        "from the middle of the part's lowest end, such as [0 mm, 12 mm, 30 mm].",
    )
    away: Direction | None = Field(
        None,
        description="Which way what is taken away lies, instead of tilt and toward: right, back and up, as "
        "plain numbers. [0, 0, -1] takes what is below, [0, 1, 0] what is behind.",
    )

    @model_validator(mode="after")
    def _one_way(self) -> Flat:
        if self.away is not None and math.hypot(*self.away) < 1e-9:
            raise ValueError("away: expected a direction, such as [0, 0, 1] for what is above")
        if self.away is not None and self.toward is not None:
            raise ValueError("away already says how the cut is turned; leave toward out")
        return self


class Further(Flat):
    """A flat cut beside the one that the part stands on."""

    at: Height | None = quantity(
        None,
        about="Where to cut: a share of the part's height, or a distance from its lowest point, along the "
        "upright line through the middle of its box.",
    )
    tilt: Angle = quantity("0 deg", at_least="0 deg", at_most="80 deg", about="Tilt of the cut.")
    take: Literal["above", "below"] = Field("above", description="Which side of a cut with `at` goes.")

    @model_validator(mode="after")
    def _placed(self) -> Further:
        if (self.at is None) == (self.through is None):
            raise ValueError("also: every further cut needs either `at` or `through`")
        if self.at is not None:
            _check_height(self.at)
        return self


class Params(Flat):
    at: Height | Literal["auto"] = quantity(
        "auto",
        about="Where to cut: a share of the part's height, or a distance from its lowest point, along the "
        "upright line through the middle of its box. auto is 15 %, or chosen together with the tilt.",
    )
    tilt: Angle | UpTo = quantity(
        "0 deg",
        at_least="0 deg",
        at_most="80 deg",
        about="Tilt of the cut, or a bound such as {up to: 50 deg}: then place and tilt are chosen together, "
        "so that the part, standing on the cut face, needs least support.",
    )
    keep: Ratio = quantity(
        "75 %",
        at_least="1 %",
        at_most="100 %",
        about="Least share that must remain, of the volume and of what is seen of the scan once the part "
        "stands: all of its surface but undersides flatter than 45 deg. What was built on beyond the end of "
        "the scan, to close it with a flat base, does not count.",
    )
    protect: Ratio | None = quantity(
        None,
        at_least="0 %",
        at_most="99 %",
        about="Upper share of the scan's height that the cut below must leave whole. 50 % when the tilt is "
        "chosen. Walls and a base that closed the scan do not count.",
    )
    hanging: Literal["keep", "hold", "cut"] = Field(
        "keep",
        description="What hangs down free or juts out beside the cut, such as a chin over a "
        "neck: `keep` it whole and clear of the bed by a fiftieth of the height, or let the cut run through "
        "it, when the tilt is chosen. Where no cut leaves it whole, and of a cut that is given and does not, "
        "`keep` warns; `hold` is as `keep`, but then lets the job wait for a person.",
    )
    footing: Area | None = quantity(
        None,
        at_least="0 mm2",
        about="Least area of the cut face when the tilt is chosen; if not given, a tenth of the area "
        "of a cube's face that holds as much as the part.",
    )
    steady: Angle = quantity(
        "6 deg",
        at_least="0 deg",
        at_most="45 deg",
        about="Lean that the part must stand before it tips over, when the tilt is chosen. The higher its "
        "centre of mass, the further inside the cut face it must be. Without such a cut the job is held.",
    )
    also: tuple[Further, ...] = Field(
        (),
        max_length=12,
        description="Further flat cuts, such as `[{at: 95 %, take: above}, {through: [0 mm, 40 mm, 0 mm], "
        "away: [0, 1, 0]}]`. Places are those of the part as it comes; the part does not stand on these.",
    )

    @model_validator(mode="after")
    def _inside(self) -> Params:
        if not isinstance(self.at, str):
            _check_height(self.at)
            if self.through is not None:
                raise ValueError("through: already says where the cut is; leave at out")
        if isinstance(self.tilt, UpTo) and (self.toward is not None or self.away is not None):
            raise ValueError("toward: leave it out when the tilt is chosen; the side is chosen with it")
        return self


def is_share(at: float) -> bool:
    """Whether a height was given as a share of the part's, not in millimetres."""
    return isinstance(at, Measured) and at.kind == "ratio"


def _check_height(at: float) -> None:
    if at <= 0 or (is_share(at) and at >= 1):
        raise ValueError("at: expected a height within the part, such as '15 %' or '30 mm'")
