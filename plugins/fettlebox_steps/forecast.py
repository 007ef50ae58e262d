"""What printing a part would take, each part of it worked out once and only when it is asked for."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Literal

from fettlebox.api import Part, Printer, StepError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from .geometry.bridges import Bridges
    from .geometry.layer_facts import Islands
    from .geometry.overhang import Support
    from .geometry.print_stability import Stance
    from .geometry.print_time import Laid, Rates
    from .geometry.slicing import Layers
    from .geometry.thickness import Places, Surface

    Floats = NDArray[np.float64]

USUAL_BEYOND_DEG = 45.0
"""A surface that leans out further than this needs support (common practice, no published source)."""

MOST_LAYERS = 20_000
"""A metre in layers of 0.05 mm. More is a unit mistaken, and would only fill the memory."""

ON_BED = 0.1
"""A face within this share of a layer of the lowest point lies on the bed."""

TELL_UP_TO = 5.0
"""Walls and gaps are told up to this many times the finest that the printer lays down, and at least a
millimetre."""

Supports = Literal["bed and part", "bed", "none"]


@dataclass(frozen=True)
class Cost:
    """In the shop's money."""

    material: float
    machine: float
    handling: float

    @property
    def whole(self) -> float:
        return self.material + self.machine + self.handling


class Forecast:
    """A closed part on a printer, as it stands.

    Raises StepError for a part that is open, or that has no end of layers.
    """

    def __init__(
        self,
        part: Part,
        printer: Printer,
        beyond_deg: float = USUAL_BEYOND_DEG,
        supports: Supports = "bed and part",
    ) -> None:
        from .geometry.measures import is_closed

        if not is_closed(part.faces):
            raise StepError("The surface is not closed, so it cannot be laid in layers; put repair before.")
        self.part = part
        self.printer = printer
        self.beyond_deg = beyond_deg
        self.supports = supports
        height = float(part.bounds[1, 2] - part.bounds[0, 2])
        if height / printer.layer_mm > MOST_LAYERS:
            raise StepError(
                f"The part is {height:.4g} mm tall: {height / printer.layer_mm:.0f} layers of "
                f"{printer.layer_mm:g} mm, and {MOST_LAYERS} are the most. Scale it, or check its unit."
            )

    @cached_property
    def layers(self) -> Layers:
        from .geometry.slicing import layer_heights, slice_layers

        low, high = self.part.bounds[:, 2]
        return slice_layers(
            self.part.vertices, self.part.faces, layer_heights(low, high, self.printer.layer_mm)
        )

    @cached_property
    def islands(self) -> Islands:
        from .geometry.layer_facts import islands

        return islands(self.layers)

    @cached_property
    def bridges(self) -> Bridges:
        """Spans through the air. Resin has none: there, what is not held floats away."""
        from .geometry.bridges import bridges

        return bridges(self.part.vertices, self.part.faces, self.layers, self.printer.line_mm)

    @property
    def first_layer_mm2(self) -> float:
        return float(self.layers.layer_area_mm2[0])

    @cached_property
    def lean_deg(self) -> Floats:
        """(m,) of every face; faces on the bed do not lean."""
        import numpy as np

        from .geometry.overhang import lean_deg

        lean: Floats = np.where(self.on_bed, 0.0, lean_deg(self.part.vertices, self.part.faces))
        return lean

    @cached_property
    def on_bed(self) -> NDArray[np.bool_]:
        from .geometry.overhang import on_bed

        return on_bed(self.part.vertices, self.part.faces, ON_BED * self.printer.layer_mm)

    @cached_property
    def overhang(self) -> tuple[float, float]:
        """Area that leans too far, mm2, and its share of the surface that is not on the bed."""
        from .geometry.measures import face_areas

        area = face_areas(self.part.vertices, self.part.faces)
        free = float(area[~self.on_bed].sum())
        over = float(area[self.lean_deg > self.beyond_deg].sum())
        return over, over / free if free else 0.0

    @cached_property
    def support(self) -> Support:
        from .geometry.overhang import support

        return support(self.part.vertices, self.part.faces, self.beyond_deg, self.layers.height_mm)

    @property
    def support_mm3(self) -> float:
        """The support that is made, as `supports` says."""
        if self.supports == "none":
            return 0.0
        return self.support.on_bed_mm3 + (self.support.on_part_mm3 if self.supports != "bed" else 0.0)

    @property
    def support_mm2(self) -> Floats:
        """(k,) of each layer."""
        import numpy as np

        if self.supports == "none":
            return np.zeros(len(self.layers))
        both = self.supports != "bed"
        return self.support.on_bed_mm2 + (self.support.on_part_mm2 if both else 0.0)

    @property
    def rates(self) -> Rates:
        from .geometry.print_time import Rates

        given = self.printer.filament
        return Rates(
            layer_mm=self.printer.layer_mm,
            line_mm=self.printer.line_mm,
            walls=given.walls,
            skin_mm=given.skin_mm,
            infill=given.infill_share,
            support=given.support_share,
            wall_mm_s=given.wall_speed_mm_s,
            infill_mm_s=given.infill_speed_mm_s,
            support_mm_s=given.support_speed_mm_s,
            travel_mm_s=given.travel_speed_mm_s,
            acceleration_mm_s2=given.acceleration_mm_s2,
            layer_change_s=given.layer_change_s,
            least_layer_s=given.least_layer_s,
        )

    @cached_property
    def laid(self) -> Laid:
        """What filament goes where. Only for printers of that kind."""
        from .geometry.print_time import filament_layers, skin_areas

        shown = skin_areas(self.part.vertices, self.part.faces, self.layers.height_mm, self.rates)
        return filament_layers(self.layers, shown, self.support_mm2, self.rates)

    @cached_property
    def print_s(self) -> float:
        """From the start of the job to its last layer."""
        from .geometry.print_time import resin_s

        if self.printer.kind == "filament":
            return self.printer.start_s + float(self.laid.layer_s.sum())
        given = self.printer.resin
        layers = resin_s(
            len(self.layers), given.exposure_s, given.lift_s, given.first_layers, given.first_exposure_s
        )
        return self.printer.start_s + layers

    @cached_property
    def material_mm3(self) -> float:
        """What is used up, support included."""
        if self.printer.kind == "filament":
            laid = self.laid
            length = laid.wall_mm.sum() + laid.skin_mm.sum() + laid.infill_mm.sum() + laid.support_mm.sum()
            return float(length) * self.printer.line_mm * self.printer.layer_mm
        solid = float(self.layers.layer_area_mm2.sum()) * self.printer.layer_mm
        return solid + self.support_mm3 * self.printer.resin.support_share

    @property
    def material_g(self) -> float:
        return self.material_mm3 / 1000.0 * self.printer.material.density_g_per_cm3

    @property
    def cost(self) -> Cost:
        prices = self.printer.prices
        return Cost(
            self.material_g / 1000.0 * self.printer.material.price_per_kg,
            self.print_s / 3600.0 * prices.machine_hour,
            prices.handling,
        )

    @cached_property
    def stance(self) -> Stance:
        from .geometry.print_stability import stance

        return stance(self.part.vertices, self.part.faces)

    @property
    def told_up_to_mm(self) -> float:
        return max(TELL_UP_TO * self.printer.finest_mm, 1.0)

    @cached_property
    def places(self) -> Places:
        from .geometry.thickness import places_on

        return places_on(self.part.vertices, self.part.faces)

    @cached_property
    def wall_mm(self) -> Floats:
        """(k,) thickness of the wall at each place; infinite where there is none, as at an edge."""
        from .geometry.thickness import walls

        return walls(self._surface, self.places, self.told_up_to_mm, self.printer.finest_mm)

    @cached_property
    def gap_mm(self) -> Floats:
        """(k,) width of the gap at each place; infinite where there is none, as in a crease."""
        from .geometry.thickness import gaps

        return gaps(self._surface, self.places, self.told_up_to_mm, self.printer.finest_mm)

    @cached_property
    def _surface(self) -> Surface:
        from .geometry.thickness import Surface

        return Surface(self.part.vertices, self.part.faces)

    @cached_property
    def thinnest_mm(self) -> float:
        from .geometry.thickness import thinnest

        return thinnest(self.wall_mm, self.places.area_mm2)

    def narrower_mm2(self, width_mm: Floats) -> float:
        """Area where walls or gaps are narrower than the finest line or dot."""
        return float(self.places.area_mm2[width_mm < self.printer.finest_mm].sum())
