"""What a shop file says of its printers and materials. Usual values are those of `printer.py`."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import ConfigDict, Field

from ..params import Acceleration, Density, Length, Ratio, Speed, StepParams, Time, quantity
from ..printer import Filament, Material, Prices, Printer, Resin


class MaterialFile(StepParams):
    """Filament or resin, as it is bought."""

    model_config = ConfigDict(defer_build=True)

    kind: Literal["filament", "resin"] | None = Field(
        None, description="The kind of printer that it is for; without it, any."
    )
    density: Density = quantity(
        "1.24 g/cm3", at_least="0.1 g/cm3", at_most="20 g/cm3", about="Weight of what is printed."
    )
    price: float = Field(25.0, ge=0, description="Price of a kilogram, in the shop's money.")
    diameter: Length = quantity(
        "1.75 mm", at_least="0.5 mm", at_most="10 mm", about="Thickness of the thread, if it is one."
    )


class PrinterFile(StepParams):
    """What every printer has."""

    model_config = ConfigDict(defer_build=True)

    build_volume: Annotated[list[Length], Field(min_length=3, max_length=3)] = Field(
        alias="build volume", description="Width, depth and height that can be printed."
    )
    material: str | None = Field(None, description="What it is loaded with; one of 'materials'.")
    start: Time = quantity(
        "5 min", at_least="0 s", at_most="2 h", about="From the start of a job to its first layer."
    )
    machine_hour: float = Field(
        1.5, ge=0, alias="machine hour", description="Price of an hour of printing, in the shop's money."
    )
    handling: float = Field(5.0, ge=0, description="Price of preparing and cleaning a part.")


class FilamentPrinter(PrinterFile):
    """A printer that lays down a melted thread."""

    model_config = ConfigDict(defer_build=True)

    kind: Literal["filament"]
    nozzle: Length = quantity("0.4 mm", at_least="0.05 mm", at_most="3 mm", about="Width of the nozzle.")
    layer: Length = quantity("0.2 mm", at_least="0.01 mm", at_most="2 mm", about="Height of a layer.")
    line: Length | None = quantity(
        None, at_least="0.05 mm", at_most="4 mm", about="Width of a line; by default 9/8 of the nozzle's."
    )
    walls: int = Field(3, ge=1, le=50, description="Lines side by side along every outline.")
    skin: Length = quantity("0.8 mm", at_least="0 mm", about="Thickness of closed tops and bottoms.")
    infill: Ratio = quantity("15 %", at_least="0 %", at_most="100 %", about="How full the inside is.")
    support: Ratio = quantity("15 %", at_least="0 %", at_most="100 %", about="How full supports are.")
    wall_speed: Speed = quantity("40 mm/s", at_least="1 mm/s", alias="wall speed", about="Along outlines.")
    infill_speed: Speed = quantity("60 mm/s", at_least="1 mm/s", alias="infill speed", about="Inside them.")
    support_speed: Speed = quantity("60 mm/s", at_least="1 mm/s", alias="support speed", about="In supports.")
    travel_speed: Speed = quantity(
        "120 mm/s", at_least="1 mm/s", alias="travel speed", about="Between lines."
    )
    acceleration: Acceleration = quantity("1000 mm/s2", at_least="10 mm/s2", about="Of the nozzle.")
    layer_change: Time = quantity(
        "1 s", at_least="0 s", at_most="10 min", alias="layer change", about="From one layer to the next."
    )
    least_layer: Time = quantity(
        "8 s", at_least="0 s", at_most="10 min", alias="least layer", about="Least time of a layer, to cool."
    )


class ResinPrinter(PrinterFile):
    """A printer that hardens resin with light."""

    model_config = ConfigDict(defer_build=True)

    kind: Literal["resin"]
    pixel: Length = quantity("0.05 mm", at_least="0.005 mm", at_most="1 mm", about="Width of a dot of light.")
    layer: Length = quantity("0.05 mm", at_least="0.005 mm", at_most="1 mm", about="Height of a layer.")
    exposure: Time = quantity("2.5 s", at_least="0 s", at_most="10 min", about="Light for a layer.")
    lift: Time = quantity("6 s", at_least="0 s", at_most="10 min", about="Peeling a layer off, and back.")
    first_layers: int = Field(
        5, ge=0, le=100, alias="first layers", description="Layers that are lit longer."
    )
    first_exposure: Time = quantity(
        "30 s", at_least="0 s", at_most="10 min", alias="first exposure", about="Light for a first layer."
    )
    support: Ratio = quantity("10 %", at_least="0 %", at_most="100 %", about="How full supports are.")


def made_material(name: str, given: MaterialFile) -> Material:
    """A material as an estimate reads it."""
    return Material(name, given.density, given.price, given.diameter)


def made_printer(
    name: str, given: FilamentPrinter | ResinPrinter, material: Material | None, money: str
) -> Printer:
    """A printer as steps see it."""
    x, y, z = given.build_volume
    prices = Prices(money, given.machine_hour, given.handling)
    if isinstance(given, ResinPrinter):
        resin = Resin(given.exposure, given.lift, given.first_layers, given.first_exposure, given.support)
        return Printer(
            name, (x, y, z), "resin", pixel_mm=given.pixel, layer_mm=given.layer, start_s=given.start,
            resin=resin, stated_material=material, prices=prices,
        )  # fmt: skip
    filament = Filament(
        stated_line_mm=given.line,
        walls=given.walls,
        skin_mm=given.skin,
        infill_share=given.infill,
        support_share=given.support,
        wall_speed_mm_s=given.wall_speed,
        infill_speed_mm_s=given.infill_speed,
        support_speed_mm_s=given.support_speed,
        travel_speed_mm_s=given.travel_speed,
        acceleration_mm_s2=given.acceleration,
        layer_change_s=given.layer_change,
        least_layer_s=given.least_layer,
    )
    return Printer(
        name, (x, y, z), "filament", nozzle_mm=given.nozzle, layer_mm=given.layer, start_s=given.start,
        filament=filament, stated_material=material, prices=prices,
    )  # fmt: skip
