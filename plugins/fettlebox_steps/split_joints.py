"""The pieces of a part that is cut up: their keys, their numbers, and how they stand on the bed."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from fettlebox.api import Part, Plane

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from .geometry.split_cutting import Block, CutFace
    from .geometry.split_keys import Keys
    from .split import Params

    Floats = NDArray[np.float64]

KEY_SHARE = 0.12
"""Of the square root of a cut's area: the usual diameter of a key."""

USUAL_KEY_MM = (4.0, 12.0)
"""Keys thinner than this break off, thicker ones only take time (common practice, no published source)."""

NUMBER_MM = 8.0
LEAST_NUMBER_SHARE = 0.5
NUMBER_DEEP_MM = 0.6
NUMBER_CLEAR_MM = 1.5
"""A piece's number: height of its digits, by what it may be made smaller, how deep it is sunk, and how far it
stays from keys and rims (our judgement)."""

FITS_WITHIN_MM = 1e-6
"""Rounding only."""


def quarter_turn() -> Floats:
    """The (4,4) quarter turn about Z."""
    import numpy as np

    return np.array([[0.0, -1, 0, 0], [1, 0, 0, 0], [0, 0, 1, 0], [0, 0, 0, 1]])


@dataclass(eq=False)
class Cell:
    """A piece in the making, where it lies in the part. `turned`: it fits the printer turned by a quarter;
    `down`: the cut face that it stands on, its axis, place and way; `foot`: it stands on a flat face.
    """

    block: Block
    turned: bool
    name: str = ""
    numbered: bool = False
    foot: bool = False
    down: tuple[int, float, int] | None = None

    def seated(self, part: Part) -> Part:
        """As it is printed: upright as in the part, on the bed, in the middle of it."""
        import numpy as np

        from .geometry.resting import turn_down

        planes = tuple(plane for plane in part.planes if _lies_in(self.block, plane))
        piece = replace(
            part,
            vertices=self.block.vertices,
            faces=self.block.faces,
            colours=self.block.colours,
            planes=planes,
        )
        if self.down is not None:
            axis, at_mm, way = self.down
            normal = way * np.eye(3)[axis]
            x, y, z = (float(v) for v in at_mm * np.eye(3)[axis])
            nx, ny, nz = (float(v) for v in normal)
            piece = piece.with_plane(Plane("cut", (x, y, z), (nx, ny, nz), bed=True))
            piece = piece.moved(turn_down(normal))
        if self.turned:
            piece = piece.moved(quarter_turn())
        move = np.eye(4)
        move[:3, 3] = -piece.bounds.mean(axis=0)
        move[2, 3] = -piece.bounds[0, 2]
        return piece.moved(move)


def _lies_in(block: Block, plane: Plane) -> bool:
    import numpy as np

    on = np.abs(plane.height_of(block.vertices)) < FITS_WITHIN_MM * 10
    return bool(on[block.faces].all(axis=1).any())


class Joining:
    """Keys and numbers, cell by cell; notes what they take away."""

    def __init__(self, params: Params, cells: list[Cell], cuts: list[tuple[int, float]]) -> None:
        self.params = params
        self.cells = cells
        self.cuts = cuts
        self.taken_mm3 = 0.0
        self.joints: list[dict[str, Any]] = []
        self.warnings: list[str] = []

    def join(self, axis: int, at_mm: float) -> None:
        """Give keys to every two pieces that meet in a cut."""
        from .geometry.split_cutting import cut_face
        from .geometry.split_keys import in_frame

        below = [cell for cell in self.cells if cut_face(cell.block, axis, at_mm, 1) is not None]
        above = [cell for cell in self.cells if cut_face(cell.block, axis, at_mm, -1) is not None]
        for lower in below:
            for upper in above:
                under = cut_face(lower.block, axis, at_mm, 1)
                over = cut_face(upper.block, axis, at_mm, -1)
                assert under is not None
                assert over is not None
                shared = under.outline.intersection(in_frame(over.outline, over.frame, under.frame))
                if shared.area > FITS_WITHIN_MM:
                    self._keyed(lower, upper, under, over, float(shared.area), float(shared.length))

    def _keyed(
        self, lower: Cell, upper: Cell, under: CutFace, over: CutFace, area_mm2: float, seam_mm: float
    ) -> None:
        row: dict[str, Any] = {
            "joins": [lower.name, upper.name],
            "area_mm2": area_mm2,
            "seam_mm": seam_mm,
            "keys": 0,
        }
        self.joints.append(row)
        if self.params.keys == "none":
            return
        keys = self._places(lower, upper, under, over, area_mm2)
        if keys is None:
            return
        self._make(lower, upper, under, over, keys)
        row |= {
            "keys": len(keys.middles),
            "key_diameter_mm": keys.diameter_mm,
            "key_depth_mm": keys.depth_mm,
            "key_wall_mm": keys.wall_mm,
            "key_at_mm": [[float(v) for v in middle] for middle in keys.middles],
        }
        if keys.square and self.params.keys == "dowels":
            self.warnings.append(
                f"{lower.name} and {upper.name} have room for one dowel only, and can turn about it: "
                "line their rims up when you glue them."
            )

    def seat(self, room_mm: Floats, sticks_out_mm: float) -> None:
        """Choose what each piece stands on: its foot, the cut below it, or else its largest cut face."""
        import numpy as np

        from .geometry.split_cutting import cut_face

        for cell in self.cells:
            low = float(cell.block.vertices[:, 2].min())
            if any(axis == 2 and abs(at - low) < FITS_WITHIN_MM for axis, at in self.cuts):
                cell.down, cell.foot = (2, low, -1), True
            on = np.abs(cell.block.vertices[:, 2] - low) < FITS_WITHIN_MM
            cell.foot = cell.foot or bool(on[cell.block.faces].all(axis=1).any())
        for cell in self.cells:
            if cell.foot:
                continue
            sides_mm = np.ptp(cell.block.vertices, axis=0) + sticks_out_mm
            faces = [
                (face.outline.area, (axis, at, way))
                for axis, at in self.cuts
                for way in (1, -1)
                if (face := cut_face(cell.block, axis, at, way)) is not None
            ]
            for _, (axis, at, way) in sorted(faces, reverse=True):
                facing = [one for one in self.cells if cut_face(one.block, axis, at, -way) is not None]
                spare_mm = min(
                    room_mm[axis] - float(np.ptp(one.block.vertices[:, axis])) for one in facing
                )  # their pegs now stick out this way too
                bed = [k for k in range(3) if k != axis]
                fits = sides_mm[axis] <= room_mm[2] and (
                    (sides_mm[bed] <= room_mm[:2]).all() or (sides_mm[bed[::-1]] <= room_mm[:2]).all()
                )
                if (
                    fits
                    and spare_mm >= 2 * sticks_out_mm
                    and (axis, at, -way) not in [c.down for c in self.cells]
                ):
                    cell.down, cell.foot = (axis, at, way), True
                    cell.turned = self._turned(cell, room_mm, sticks_out_mm)
                    break

    @staticmethod
    def _turned(cell: Cell, room_mm: Floats, sticks_out_mm: float) -> bool:
        """Whether the piece, on its cut face, has to be turned by a quarter to fit."""
        import numpy as np

        from .geometry.resting import turn_down

        assert cell.down is not None
        turn = turn_down(_way(cell.down))[:3, :3]
        sides_mm = np.ptp(cell.block.vertices @ turn.T, axis=0) + sticks_out_mm
        return bool((sides_mm[:2] > room_mm[:2]).any())

    def _places(
        self, lower: Cell, upper: Cell, under: CutFace, over: CutFace, area_mm2: float
    ) -> Keys | None:
        from .geometry import split_keys

        least, most = USUAL_KEY_MM
        diameter_mm = self.params.diameter or min(max(KEY_SHARE * area_mm2**0.5, least), most)
        bought = self.params.keys == "dowels"
        keys = split_keys.key_places(
            (lower.block, under),
            (upper.block, over),
            diameter_mm,
            self.params.depth or diameter_mm,
            self.params.clearance,
            self.params.wall,
            2,
            (1.0,) if bought else split_keys.SMALLER,
        )
        return replace(keys, square=False) if keys is not None and bought else keys

    def _make(self, lower: Cell, upper: Cell, under: CutFace, over: CutFace, keys: Keys) -> None:
        from .geometry.split_keys import prism_mm3, shapes

        gap_mm = self.params.clearance
        if (
            lower.down is not None and under.frame.normal @ _way(lower.down) > 0.5
        ):  # no peg on a face it lies on
            lower, upper, under, over = upper, lower, over, under
        deep_mm = keys.depth_mm + gap_mm
        hole = prism_mm3(keys, gap_mm, deep_mm)
        base = under.frame
        upper.block = _relief(upper.block, over, shapes(keys, base, over.frame, gap_mm), -deep_mm)
        self.taken_mm3 += hole
        if self.params.keys == "pegs":
            lower.block = _relief(lower.block, under, shapes(keys, base, base, 0.0), keys.depth_mm)
            self.taken_mm3 -= prism_mm3(keys, 0.0, keys.depth_mm)
        else:
            lower.block = _relief(lower.block, under, shapes(keys, base, base, gap_mm), -deep_mm)
            self.taken_mm3 += hole

    def tell_loose(self) -> None:
        """Name the pieces that no key leads to a neighbour."""
        led = {name for joint in self.joints if joint["keys"] for name in joint["joins"]}
        loose = [cell.name for cell in self.cells if cell.name not in led]
        if loose and self.params.keys != "none":
            self.warnings.append(
                f"{', '.join(loose)}: no cut face has room for keys with {self.params.wall:g} mm of material "
                "around them. Glue them flat, lined up by their rims, or ask for thinner keys or walls."
            )

    def number(self) -> None:
        """Sink each piece's number into its largest cut face."""
        import numpy as np

        from .geometry.flat_places import place_for
        from .geometry.lettering import font_file, lettered
        from .geometry.split_cutting import cut_face

        for number, cell in enumerate(self.cells, start=1):
            said = f"{number}." if set(str(number)) <= set("0689") else str(number)  # 6 is not 9 upside down
            shape = lettered(said, font_file("bold"), NUMBER_MM)
            left, low, right, high = shape.bounds
            faces = [
                face
                for axis, at_mm in self.cuts
                for way in (1, -1)
                if (face := cut_face(cell.block, axis, at_mm, way)) is not None
            ]
            for face in sorted(faces, key=lambda one: -one.outline.area):
                wanted = np.array([face.outline.centroid.x, face.outline.centroid.y])
                found = place_for(
                    face.outline,
                    np.array([right - left, high - low]),
                    NUMBER_CLEAR_MM,
                    wanted,
                    LEAST_NUMBER_SHARE,
                )
                if found is None:
                    continue
                cell.block, area = _engraved(cell.block, face, shape, *found)
                self.taken_mm3 += area * NUMBER_DEEP_MM
                cell.numbered = True
                break
            if not cell.numbered:
                self.warnings.append(
                    f"{cell.name} has no cut face with room for its number; only its file's name tells it."
                )


def _way(down: tuple[int, float, int]) -> Floats:
    import numpy as np

    return np.asarray(down[2] * np.eye(3)[down[0]], dtype=np.float64)


def _engraved(block: Block, face: CutFace, shape: Any, middle: Floats, factor: float) -> tuple[Block, float]:
    from shapely import affinity

    placed = affinity.translate(affinity.scale(shape, factor, factor, origin=(0, 0)), *map(float, middle))
    return _relief(block, face, placed, -NUMBER_DEEP_MM), float(placed.area)


def _relief(block: Block, face: CutFace, shape: Any, height_mm: float) -> Block:
    """The block with a shape raised from one of its cut faces, or sunk into it."""
    import numpy as np

    from .geometry.flat_places import FlatFace
    from .geometry.raised_faces import raised
    from .geometry.split_cutting import Block

    flat = FlatFace(face.faces, face.frame, face.outline, float(face.outline.area))
    vertices, faces, old = raised(block.vertices, block.faces, flat, face.frame, shape, height_mm)
    colours = None
    if block.colours is not None:
        plain = np.rint(block.colours[np.unique(block.faces[face.faces])].mean(axis=0)).astype(np.uint8)
        colours = np.where((old >= 0)[:, None], block.colours[np.maximum(old, 0)], plain)
    return Block(vertices, faces, colours)
