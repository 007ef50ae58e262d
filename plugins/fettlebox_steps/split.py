"""Cut a part that is too large into pieces that fit the printer, with keys that lead them together."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

from fettlebox.api import (
    HoldError,
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
from pydantic import Field, model_validator

from .split_joints import FITS_WITHIN_MM, USUAL_KEY_MM, Cell, Joining, quarter_turn
from .split_picture import pieces_picture

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from .geometry.split_cutting import Block
    from .geometry.split_search import Places

    Floats = NDArray[np.float64]

CRUMB = 0.03
"""A piece thinner than this share of its layer's longest side is a crumb; TRIES other cuts are tried then."""

TRIES = 12

SAME_VOLUME = 1e-6
"""The pieces, and what sockets and numbers took away, make up the part to within this share."""


class Room(StepParams):
    """The largest box that a piece may fill."""

    wide: Length = quantity(at_least="10 mm", at_most="5 m", about="Along X.")
    deep: Length = quantity(at_least="10 mm", at_most="5 m", about="Along Y.")
    tall: Length = quantity(at_least="10 mm", at_most="5 m", about="Along Z.")


class Params(StepParams):
    pieces_within: Literal["printer"] | Room = Field(
        "printer",
        alias="pieces within",
        description="The room for a piece: the printer's build volume, or a box such as "
        "{wide: 180 mm, deep: 180 mm, tall: 160 mm}.",
    )
    protect: Ratio | None = quantity(
        None,
        at_least="0 %",
        at_most="95 %",
        about="Upper share of the part's height that cuts must stay out of.",
    )
    protect_from: Literal["all cuts", "level cuts"] = Field(
        "all cuts",
        alias="protect from",
        description="`level cuts`: upright cuts may go through what is protected, where the part is too wide "
        "or too deep; the traveler says so.",
    )
    keys: Literal["pegs", "dowels", "none"] = Field(
        "pegs",
        description="What leads two pieces together: `pegs` on one and sockets in the other, or holes in "
        "both for bought `dowels`.",
    )
    diameter: Length | None = quantity(
        None,
        at_least="1 mm",
        at_most="50 mm",
        about="Diameter of a peg or dowel. If not given, pegs of 4 to 12 mm, by the size of the cut.",
    )
    depth: Length | None = quantity(
        None, at_least="1 mm", at_most="100 mm", about="How deep it sits; if not given, its diameter."
    )
    clearance: Length = quantity(
        "0.2 mm", at_least="0 mm", at_most="2 mm", about="Gap between a key and its hole, on every side."
    )
    wall: Length = quantity(
        "3 mm", at_least="0.4 mm", at_most="50 mm", about="Least material around a hole, all the way down."
    )
    numbers: bool = Field(True, description="Each piece has its number sunk into a cut face.")
    most: int = Field(24, ge=2, le=200, description="More pieces than this are not made.")

    @model_validator(mode="after")
    def _dowels_have_a_size(self) -> Params:
        if self.keys == "dowels" and self.diameter is None:
            raise ValueError("diameter: say the diameter of the dowels, such as '6 mm'")
        room = self.pieces_within
        long_mm = self.depth or self.diameter
        if isinstance(room, Room) and self.keys == "pegs" and long_mm is not None:
            least_mm = min(room.wide, room.deep, room.tall)
            if long_mm > least_mm / 2:
                raise ValueError(
                    f"depth: pegs of {long_mm:g} mm take more than half of the room for a piece, "
                    f"{least_mm:g} mm; expected shorter pegs or more room"
                )
        return self


def unsuited(params: Params, printer: Printer, later: Sequence[tuple[str, StepParams]]) -> Iterator[str]:
    """Pieces that would be larger than the printer."""
    room = params.pieces_within
    x, y, z = printer.build_volume_mm
    if isinstance(room, Room) and (room.wide > x or room.deep > y or room.tall > z):
        yield (
            f"pieces within {room.wide:g} × {room.deep:g} × {room.tall:g} mm may be too large: the printer "
            f"builds {x:g} × {y:g} × {z:g} mm"
        )


@step(
    "split",
    unsuited=unsuited,
    version=1,
    summary="Cut a part that is too large into pieces that fit the printer, with keys and numbers.",
)
def split(part: Part, params: Params, ctx: StepContext) -> StepResult:
    """The part itself stays as it is: it is what the pieces make once they are joined.

    Limits:
        - Cuts are flat and square to the part's axes; turn the part first if others would be better.
        - Places are chosen for few pieces, short seams and little in front. It knows no features: keep
          cuts out of a face with `protect`.
        - A joint where no key has enough material round it is made without keys, to be glued flat, and
          told. Pegs lead pieces together; glued joints carry no load.
        - Held if there is no way to cut the part so, such as when all of it that is too tall is protected.
        - Refuses an open surface, more pieces than `most`, and pieces that do not make up the part.
        - No later step may change the part: put it last but for `estimate` and `gate`.
    Sources:
        - Fewest pieces, then shortest seams, is a shortest path over all sets of cuts at 160 places an
          axis.
        - What counts as a short seam, a thin piece and a usual key is our judgement, or common practice
          without a published source.
    Facts:
        pieces: how many
        pieces_made.piece, pieces_made.size_mm, pieces_made.volume_mm3, pieces_made.triangles: every piece
        pieces_made.numbered: whether its number is on a cut face
        joints.joins, joints.area_mm2, joints.seam_mm: every joint: its pieces, its area, how long its seam
            is
        joints.keys: how many keys it has
        joints.key_diameter_mm, joints.key_depth_mm, joints.key_at_mm: their size and places
        joints.key_wall_mm: the least material round them
        clearance_mm: gap around a key, on every side
        taken_by_holes_and_numbers_mm3: volume that sockets and numbers took away
    Evidence:
        cuts.across, cuts.at_mm: every cut: the axis it is square to, and where
        volume_missing_mm3: what pieces and holes leave unexplained of the part; rounding
        room_mm: the box that a piece had to fit
        note: why nothing was cut
    Recipe:
        - units: {expect: head}
        - debris
        - repair
        - cut: 12 %
        - seat
        - split: {pieces within: {wide: 200 mm, deep: 200 mm, tall: 120 mm}}
    """
    import numpy as np

    from .geometry.measures import is_closed, volume_and_centroid
    from .geometry.split_cutting import Block

    if not len(part.faces) or not is_closed(part.faces):
        raise StepError(
            "The surface is not closed, so it cannot be cut into solids; put repair before split."
        )
    room_mm, whose = _room(params, ctx)
    size_mm = np.ptp(part.bounds, axis=0)
    if (size_mm <= room_mm + FITS_WITHIN_MM).all():
        return StepResult(
            part, {"pieces": 1}, evidence={"note": f"It fits {whose} as it is; nothing was cut."}
        )
    if (size_mm[[1, 0, 2]] <= room_mm + FITS_WITHIN_MM).all():
        note = f"It fits {whose} turned by a quarter on the bed; it was turned, and nothing was cut."
        return StepResult(part.moved(quarter_turn()), {"pieces": 1}, evidence={"note": note})
    whole = Block(part.vertices, part.faces, part.colours)
    wish = _Wish(part, params, room_mm, whose)
    if wish.sticks_out_mm > room_mm.min() / 2:
        raise HoldError(_no_way(wish))
    cells, cuts = _cut_up(whole, wish)
    ctx.progress(0.4)
    if len(cells) > params.most:
        raise StepError(
            f"The part would make {len(cells)} pieces to fit {whose}, and `most` allows {params.most}. "
            "Make it smaller, or allow more."
        )
    work = Joining(params, cells, cuts)
    work.seat(room_mm, wish.sticks_out_mm)
    for axis, at_mm in cuts:
        work.join(axis, at_mm)
    work.tell_loose()
    ctx.progress(0.7)
    if params.numbers:
        work.number()
    before_mm3, _ = volume_and_centroid(part.vertices, part.faces)
    volumes = [volume_and_centroid(cell.block.vertices, cell.block.faces)[0] for cell in cells]
    lost_mm3 = before_mm3 - sum(volumes)
    if abs(lost_mm3 - work.taken_mm3) > SAME_VOLUME * before_mm3:
        raise StepError(
            f"The pieces do not make up the part: {lost_mm3 - work.taken_mm3:.3g} mm3 of "
            f"{before_mm3:.4g} are missing. Put repair before split."
        )
    pieces = {cell.name: cell.seated(part) for cell in cells}
    for name, piece in pieces.items():
        if (np.ptp(piece.bounds, axis=0) > room_mm + FITS_WITHIN_MM).any():
            raise StepError(f"{name} does not fit {whose}; ask for a little less room, or for shorter keys.")
    facts: dict[str, Any] = {
        "pieces": len(cells),
        "pieces_made": [
            {
                "piece": cell.name,
                "size_mm": [float(v) for v in np.ptp(pieces[cell.name].bounds, axis=0)],
                "volume_mm3": volume,
                "triangles": len(cell.block.faces),
                "numbered": cell.numbered,
            }
            for cell, volume in zip(cells, volumes, strict=True)
        ],
        "joints": work.joints,
        "clearance_mm": params.clearance,
        "taken_by_holes_and_numbers_mm3": work.taken_mm3,
    }
    evidence = {
        "cuts": [{"across": "XYZ"[axis], "at_mm": float(at)} for axis, at in cuts],
        "volume_missing_mm3": lost_mm3 - work.taken_mm3,
        "room_mm": [float(v) for v in room_mm],
    }
    warnings = tuple(work.warnings)
    barred = wish.barred(*(float(v) for v in part.bounds[:, 2]))
    if barred is not None and any(
        axis != 2 and float(cell.block.vertices[:, 2].max()) > barred[0]
        for axis, at_mm in cuts
        for cell in cells
        if float(np.abs(cell.block.vertices[:, axis] - at_mm).min()) < FITS_WITHIN_MM
    ):
        warnings += (
            f"Upright cuts go through the upper {params.protect:.0%}, which no level cut touches: the part "
            "is too wide or too deep there. Look at the picture before printing.",
        )
    footless = [cell.name for cell in cells if not cell.foot]
    if footless:
        warnings += (f"{', '.join(footless)}: no flat face to stand on; it needs support.",)
    pictures = {"pieces": pieces_picture(cells, part)}
    return StepResult(part, facts, warnings, evidence, pictures=pictures, pieces=pieces)


def _room(params: Params, ctx: StepContext) -> tuple[Floats, str]:
    import numpy as np

    if isinstance(params.pieces_within, Room):
        room = params.pieces_within
        return np.array([room.wide, room.deep, room.tall]), "the room asked for"
    return np.array(ctx.printer.build_volume_mm, dtype=np.float64), f"the printer {ctx.printer.name!r}"


@dataclass(frozen=True, eq=False)
class _Wish:
    part: Part
    params: Params
    room_mm: Floats
    whose: str

    @property
    def sticks_out_mm(self) -> float:
        """Room that keys may need beside a piece: no key is longer than it is asked to be, or usually is."""
        if self.params.keys != "pegs":
            return 0.0
        return self.params.depth or self.params.diameter or USUAL_KEY_MM[1]

    @property
    def upright_too(self) -> bool:
        """Whether upright cuts, too, must stay out of what is protected."""
        return self.params.protect_from == "all cuts"

    def barred(self, low: float, high: float) -> tuple[float, float] | None:
        if not self.params.protect:
            return None
        return high - self.params.protect * (high - low), high


def _cut_up(whole: Block, wish: _Wish) -> tuple[list[Cell], list[tuple[int, float]]]:
    """The pieces, from the bottom up, and every cut: its axis and its place."""
    import numpy as np

    from .geometry.split_cutting import bodies_apart, sliced
    from .geometry.split_search import fewest_cuts, layer_counts, places_along

    low, high = wish.part.bounds[:, 2]
    barred = wish.barred(float(low), float(high))
    places = places_along(whole.vertices, whole.faces.astype(np.int64), 2, barred)
    counts = layer_counts(
        whole.vertices, whole.faces.astype(np.int64), places, wish.room_mm, wish.sticks_out_mm
    )
    if (
        barred is not None and wish.upright_too
    ):  # a layer that reaches into what is protected cannot be cut upright
        counts[:, places.at_mm > barred[0]] *= counts[:, places.at_mm > barred[0]] == 1
    levels = fewest_cuts(places, float(wish.room_mm[2]), wish.sticks_out_mm, counts)
    if levels is None:
        raise HoldError(_no_way(wish))
    cells: list[Cell] = []
    cuts: list[tuple[int, float]] = [(2, float(at)) for at in levels]
    for layer in sliced(whole, 2, levels):
        best: tuple[list[Cell], list[tuple[int, float]]] | None = None
        for turned in (False, True):
            room_mm = wish.room_mm[[1, 0, 2]] if turned else wish.room_mm
            made = _cut_layer(layer, room_mm, wish, barred)
            if made is None:
                continue
            blocks = [body for block in made[0] for body in bodies_apart(block)]
            if best is None or len(blocks) < len(best[0]):
                best = [Cell(block, turned) for block in blocks], made[1]
        if best is None:
            raise HoldError(_no_way(wish))
        cells += best[0]
        cuts += best[1]
    for number, cell in enumerate(cells, start=1):
        cell.name = f"piece {number}"
    return cells, list(dict.fromkeys(cuts))


def _cut_layer(
    layer: Block, room_mm: Floats, wish: _Wish, barred: tuple[float, float] | None
) -> tuple[list[Block], list[tuple[int, float]]] | None:
    """A layer cut along X and Y as far as it must be, at the same places all through; None if that is not
    possible.
    """
    import numpy as np

    from .geometry.split_cutting import sliced
    from .geometry.split_search import places_along

    blocks, cuts = [layer], []
    for axis in (0, 1):
        at: Floats | None = None
        made = []
        for block in blocks:
            if float(np.ptp(block.vertices[:, axis])) <= room_mm[axis] + FITS_WITHIN_MM:
                made.append(block)
                continue
            if barred is not None and wish.upright_too and float(block.vertices[:, 2].max()) > barred[0]:
                return None
            if at is None:
                places = places_along(layer.vertices, layer.faces.astype(np.int64), axis, None)
                at = _without_crumbs(layer, axis, places, float(room_mm[axis]), wish.sticks_out_mm)
                if at is None:
                    return None
                cuts += [(axis, float(place)) for place in at]
            made += [one for one in sliced(block, axis, at) if len(one.faces)]
        blocks = made
    return blocks, cuts


def _without_crumbs(
    layer: Block, axis: int, places: Places, room_mm: float, sticks_out_mm: float
) -> Floats | None:
    """Where to cut so that no crumb comes off, if there is such a place; else as without that wish."""
    import numpy as np

    from .geometry.split_cutting import bodies_apart, sliced
    from .geometry.split_search import Places, fewest_cuts

    first = at = fewest_cuts(places, room_mm, sticks_out_mm)
    least_mm = CRUMB * float(np.ptp(layer.vertices, axis=0).max())
    allowed = places.allowed.copy()
    for _ in range(TRIES):
        if at is None or first is None or len(at) > len(first):
            return first
        bodies = [body for block in sliced(layer, axis, at) for body in bodies_apart(block)]
        if all(float(np.ptp(body.vertices, axis=0).min()) >= least_mm for body in bodies):
            return at
        step_mm = float(np.diff(places.at_mm).min())
        allowed &= np.abs(places.at_mm[:, None] - at).min(axis=1) > 1.5 * step_mm
        at = fewest_cuts(Places(places.at_mm, places.seam_mm, allowed), room_mm, sticks_out_mm)
    return first


def _no_way(wish: _Wish) -> str:
    size = " x ".join(f"{side:.4g}" for side in wish.part.bounds[1] - wish.part.bounds[0])
    room = " x ".join(f"{side:.4g}" for side in wish.room_mm)
    said = f"The part ({size} mm) cannot be cut into pieces that fit {wish.whose} ({room} mm)"
    if wish.params.protect and wish.sticks_out_mm <= wish.room_mm.min() / 2:
        return (
            f"{said} without cuts through the upper {wish.params.protect:.0%}, which protect keeps "
            "whole. Protect less, protect it from level cuts only, or print it smaller."
        )
    return f"{said}: the keys alone take {wish.sticks_out_mm:.3g} mm. Ask for shorter keys."
