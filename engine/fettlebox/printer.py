"""What the shop prints with. Words as in ISO/ASTM 52900: build volume, layer, material."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True)
class Printer:
    """A printer profile of `shop.yaml`. Lengths in mm."""

    name: str
    build_volume_mm: tuple[float, float, float]
    kind: Literal["filament", "resin"] = "filament"
    nozzle_mm: float = 0.4
    pixel_mm: float = 0.05
    layer_mm: float = 0.2

    @property
    def finest_mm(self) -> float:
        """Width of the narrowest line or dot that this printer can lay down."""
        return self.nozzle_mm if self.kind == "filament" else self.pixel_mm


EVERYDAY = Printer("everyday", (220.0, 220.0, 250.0))
