"""What the shop prints with and what it costs. Words as in ISO/ASTM 52900: build volume, layer, material.

Every usual value below is common practice, no published source, unless it says otherwise: it stands in for
what a shop has not stated, and an estimate says which values it was made with.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

LINE_OVER_NOZZLE = 1.125
"""A line is a little wider than the nozzle, so that neighbours bond: 0.45 mm of 0.4 mm."""


@dataclass(frozen=True)
class Material:
    """What a part is made of. `price_per_kg` is in the shop's money; `diameter_mm` is a filament's."""

    name: str = "usual filament"
    density_g_per_cm3: float = 1.24
    price_per_kg: float = 25.0
    diameter_mm: float = 1.75


USUAL_RESIN = Material("usual resin", density_g_per_cm3=1.10, price_per_kg=40.0)


@dataclass(frozen=True)
class Filament:
    """How a printer lays down a melted thread. Shares of 0 to 1; speeds mm/s; acceleration mm/s2."""

    stated_line_mm: float | None = None
    walls: int = 3
    skin_mm: float = 0.8
    infill_share: float = 0.15
    support_share: float = 0.15
    wall_speed_mm_s: float = 40.0
    infill_speed_mm_s: float = 60.0
    support_speed_mm_s: float = 60.0
    travel_speed_mm_s: float = 120.0
    acceleration_mm_s2: float = 1000.0
    layer_change_s: float = 1.0
    least_layer_s: float = 8.0


@dataclass(frozen=True)
class Resin:
    """How a printer hardens resin, layer by layer; the first layers are lit longer, to hold on."""

    exposure_s: float = 2.5
    lift_s: float = 6.0
    first_layers: int = 5
    first_exposure_s: float = 30.0
    support_share: float = 0.10


@dataclass(frozen=True)
class Prices:
    """What printing costs beside the material, in the shop's money (a code of ISO 4217)."""

    money: str = "EUR"
    machine_hour: float = 1.50
    handling: float = 5.0


@dataclass(frozen=True)
class Printer:
    """A printer profile of `shop.yaml`. Lengths in mm."""

    name: str
    build_volume_mm: tuple[float, float, float]
    kind: Literal["filament", "resin"] = "filament"
    nozzle_mm: float = 0.4
    pixel_mm: float = 0.05
    layer_mm: float = 0.2
    start_s: float = 300.0
    filament: Filament = Filament()
    resin: Resin = Resin()
    stated_material: Material | None = None
    prices: Prices = Prices()

    @property
    def finest_mm(self) -> float:
        """Width of the narrowest line or dot that this printer can lay down."""
        return self.nozzle_mm if self.kind == "filament" else self.pixel_mm

    @property
    def line_mm(self) -> float:
        """Width of a line of filament."""
        stated = self.filament.stated_line_mm
        return self.nozzle_mm * LINE_OVER_NOZZLE if stated is None else stated

    @property
    def material(self) -> Material:
        """What it is loaded with: what the shop states, or else a usual material of its kind."""
        return self.stated_material or (Material() if self.kind == "filament" else USUAL_RESIN)


EVERYDAY = Printer("everyday", (220.0, 220.0, 250.0))
