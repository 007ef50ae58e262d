"""What a recipe may set, and what of it goes together."""

from __future__ import annotations

from typing import Literal

from fettlebox.api import (
    Angle,
    Length,
    StepParams,
    quantity,
)
from pydantic import Field, model_validator

from .screws import SCREWS, Play, Size

FLOOR_MM = 1.6
"""Least material below a sunk head: eight everyday layers (common practice, no published source)."""


class Params(StepParams):
    """How the flange is made and screwed down, and how the part stands on it."""

    screw: Size = Field("M4", description="The screws that hold it down, with heads as in ISO 4762.")
    count: int = Field(4, ge=2, le=24, description="How many of them, evenly round the circle.")
    circle: Length | None = quantity(
        None,
        at_least="4 mm",
        at_most="1 m",
        about="Diameter of the bolt circle; if not given, the least on which every screw can be reached.",
    )
    turn: Angle | None = quantity(
        None,
        at_least="0 deg",
        at_most="360 deg",
        about="Direction of the first hole, from +X towards +Y; "
        "if not given, the one that makes the circle smallest.",
    )
    play: Play = Field("medium", description="Clearance holes' series in ISO 273.")
    extra: Length = quantity(
        "0 mm",
        at_least="0 mm",
        at_most="1 mm",
        about="Added to the diameter of every hole, for a printer that makes holes too small.",
    )
    thickness: Length = quantity("6 mm", at_least="1.6 mm", at_most="60 mm", about="Height of the flange.")
    heads: Literal["on top", "sunk"] = Field(
        "on top", description="Whether heads stand on the flange or are `sunk` into it."
    )
    rim: Length | None = quantity(
        None,
        at_least="0.8 mm",
        at_most="100 mm",
        about="Material between heads, or the foot, and the edge; if not given, the size of the screw.",
    )
    reach: Length = quantity(
        "25 mm",
        at_least="1 mm",
        at_most="1 m",
        about="Height above the flange that has to be clear over each head, for the key.",
    )
    sink: Length = quantity(
        "0.4 mm", at_least="0.1 mm", at_most="20 mm", about="How deep the part is let into the flange."
    )
    neck: Length = quantity(
        "0 mm",
        at_least="0 mm",
        at_most="500 mm",
        about="How far the part is held above the flange, by a column that goes on from its foot.",
    )
    bore: Length | None = quantity(
        None, at_least="1 mm", at_most="200 mm", about="A hole up the middle, for a rod; none if not given."
    )
    bore_depth: Length = quantity(
        "15 mm",
        at_least="1 mm",
        at_most="1 m",
        alias="bore depth",
        about="How deep it is, from below.",
    )
    bore_wall: Length = quantity(
        "2 mm",
        at_least="0.4 mm",
        at_most="50 mm",
        alias="bore wall",
        about="Least material round the bore and above it.",
    )
    template: bool = Field(False, description="Also make a thin plate to drill the wood through.")

    @model_validator(mode="after")
    def _agree(self) -> Params:
        screw = SCREWS[self.screw]
        least_mm = screw.head_height_mm + FLOOR_MM
        if self.heads == "sunk" and self.thickness < least_mm:
            raise ValueError(
                f"thickness: {self.thickness:g} mm is too thin to sink the head of {self.screw}; "
                f"expected at least {least_mm:g} mm"
            )
        if self.sink > self.thickness - 0.5:
            raise ValueError(
                f"sink: {self.sink:g} mm goes through a flange of {self.thickness:g} mm; "
                f"expected at most {self.thickness - 0.5:g} mm"
            )
        return self
