"""Where on a part a label goes, and the part with the label there: on a flat face, or round a curved side."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from typing import Any, Literal

import numpy as np
from fettlebox.api import Part, Plane
from numpy.typing import NDArray

from .geometry.flat_places import FlatFace, Frame, flat_faces, place_for
from .geometry.raised_faces import raised
from .geometry.sight import first_met
from .geometry.thickness import Surface
from .geometry.wrapping import OVERLAP_MM, Roll, combined, even_enough, letters_on, radii, roll_for

Floats = NDArray[np.float64]

SIDES_DEG = {"right": 0.0, "back": 90.0, "left": 180.0, "front": 270.0}
"""Directions seen from above, counter-clockwise from +X. The front of a part looks along -Y."""

FRONT = np.array([0.0, -1.0, 0.0])
LOOKS_FRONT = math.cos(math.radians(20.0))
LOOKS_DOWN = math.cos(math.radians(1.0))

CLEAR_MM = 0.8
"""Between a label and the edge of its face: two lines of an everyday nozzle (common practice)."""

LEFT_MM = 0.5
"""What has to be left of the material behind sunk letters, or twice the printer's finest line if that is more
(our judgement)."""

FACET = 0.1
"""A flat face with less than this share of a label's area is a facet of a curved surface, not a place."""

LOOKED_MM = 0.5
"""From one place to the next where the material behind a label is measured."""

OFF_MM = 1e-3
"""Rays start this far off the surface that they leave."""

WIDEST_RAD = 2.0
"""A label goes at most this far round an arc, 57 degrees to either side: what is further round cannot be read
from in front of it (our judgement)."""

AROUND_MM = 1.0
"""The scan's surface this far around a label, and this far above and below it, gave way to the label."""

SMALLEST_STEPS = (1.0, 0.95, 0.9, 0.85, 0.8, 0.75, 0.7, 0.65, 0.6, 0.55, 0.5, 0.45, 0.4, 0.35, 0.3, 0.2, 0.1)


class NoPlaceError(Exception):
    """There is no place for the label; says why, in words that follow a colon."""


@dataclass(frozen=True, eq=False)
class Wish:
    """What a label needs. `box_mm` (2,) with its quiet zone, may become smaller down to the share `least`;
    `height_mm` over the surface, negative if sunk.
    """

    place: Literal["underside", "front", "flat", "wrapped"]
    box_mm: Floats
    least: float
    height_mm: float
    finest_mm: float
    turn_deg: float
    toward: str | float
    at: float | None

    @property
    def clear_mm(self) -> float:
        return max(CLEAR_MM, 2.0 * self.finest_mm)

    @property
    def left_mm(self) -> float:
        return max(LEFT_MM, 2.0 * self.finest_mm)


@dataclass(frozen=True, eq=False)
class FlatSite:
    """A place on a flat face; the frame's origin is the label's middle."""

    face: FlatFace
    frame: Frame
    factor: float
    wish: Wish
    stands_on_it: bool
    name: str
    warnings: tuple[str, ...] = ()
    evidence: dict[str, Any] = field(default_factory=dict)

    @property
    def middle(self) -> Floats:
        return self.frame.origin

    @property
    def facing(self) -> Floats:
        return self.frame.normal

    def written(self, part: Part, shape: Any) -> Part:
        """Raises ValueError if the face's rim touches itself."""
        height_mm = self.wish.height_mm
        vertices, faces, source = raised(part.vertices, part.faces, self.face, self.frame, shape, height_mm)
        made = part.with_mesh(vertices, faces, _colours(part, vertices, source))
        if self.stands_on_it and height_mm > 0.0:
            tops = self.frame.origin + height_mm * self.frame.normal
            return made.with_plane(Plane("cut", _triple(tops), _triple(self.frame.normal), bed=True))
        return made

    def reference(self, reference: Part, part: Part) -> Part | None:
        return _without(reference, part, self._near)

    def _near(self, points: Floats) -> NDArray[np.bool_]:
        flat = np.abs(self.frame.flat(points))
        half = self.wish.box_mm * self.factor / 2.0 + AROUND_MM
        deep_mm = abs(self.wish.height_mm) + AROUND_MM
        return np.asarray((flat <= [half[0], half[1], deep_mm]).all(axis=1))


@dataclass(frozen=True, eq=False)
class WrappedSite:
    """A place round a curved side."""

    surface: Surface
    roll: Roll
    factor: float
    wish: Wish
    name: str
    warnings: tuple[str, ...] = ()

    @property
    def evidence(self) -> dict[str, Any]:
        return {"arc_radius_mm": self.roll.radius_mm, "arc_axis_mm": [float(v) for v in self.roll.axis]}

    @property
    def middle(self) -> Floats:
        at, _ = radii(self.surface, self.roll, np.zeros((1, 2)))
        zero = np.zeros(1)
        return np.asarray((self.roll.on_axis(zero) + at[:, None] * self.roll.outward(zero))[0])

    @property
    def facing(self) -> Floats:
        return np.asarray(self.roll.outward(np.zeros(1))[0])

    def written(self, part: Part, shape: Any) -> Part:
        """Raises ValueError if the part is no solid."""
        height_mm = self.wish.height_mm
        low, high = (-OVERLAP_MM, height_mm) if height_mm > 0.0 else (height_mm, OVERLAP_MM)
        letters = letters_on(self.surface, self.roll, shape, low, high)
        vertices, faces = combined(part.vertices, part.faces, letters, add=height_mm > 0.0)
        return part.with_mesh(vertices, faces, _colours(part, vertices, np.full(len(vertices), -1)))

    def reference(self, reference: Part, part: Part) -> Part | None:
        return _without(reference, part, self._near)

    def _near(self, points: Floats) -> NDArray[np.bool_]:
        away = points[:, :2] - self.roll.axis
        turn = np.arctan2(away[:, 1], away[:, 0]) - self.roll.middle_rad
        across = (turn + np.pi) % (2.0 * np.pi) - np.pi
        flat = np.column_stack([across * self.roll.radius_mm, points[:, 2] - self.roll.height_mm])
        half = self.wish.box_mm * self.factor / 2.0 + AROUND_MM
        within = np.asarray((np.abs(flat) <= half).all(axis=1))
        at, _ = radii(self.surface, self.roll, flat[within])
        deep_mm = abs(self.wish.height_mm) + AROUND_MM
        within[within] = np.abs(np.linalg.norm(away[within], axis=1) - at) <= deep_mm
        return within


Site = FlatSite | WrappedSite


def site_for(part: Part, wish: Wish) -> Site:
    """The place for a label on a closed part. Raises NoPlaceError."""
    surface = Surface(part.vertices, part.faces)
    if wish.place == "wrapped":
        return _wrapped(part, surface, wish)
    least_mm2 = float(np.prod(wish.box_mm)) * wish.least**2
    if wish.place != "front":
        least_mm2 *= FACET  # a face of some size is worth saying how much too small it is
    reason = ""
    for face in _faces_for(part, wish.place):
        if face.area_mm2 < least_mm2:
            continue
        try:
            return _flat(part, surface, face, wish)
        except NoPlaceError as error:
            reason = reason or str(error)
    if wish.place == "front" and not reason and _plinth_band(part) is not None:
        return _wrapped(part, surface, replace(wish, toward="front", at=None))
    raise NoPlaceError(reason or _without_face(wish.place))


def _without_face(place: str) -> str:
    if place == "underside":
        return "the part has no flat underside. Put cut or plinth before label"
    if place == "front":
        return "no flat face looks to the front. Put plinth before label, or write it `wrapped` round a side"
    return "the part has no flat face. Put cut or plinth before label, or write it `wrapped` round a side"


def _faces_for(part: Part, place: str) -> Iterator[FlatFace]:
    """Flat faces that would do, the best first."""
    found = flat_faces(part.vertices, part.faces)
    under = [face for face in found if _is_under(part, face)]
    if place == "underside":
        yield from under
        return
    others = [face for face in found if not any(face is one for one in under)]
    if place == "flat":
        yield from others
        return
    band = _plinth_band(part)
    for face in others:
        middle_mm = float(face.frame.space(np.array(face.outline.centroid.coords))[0, 2])
        in_band = band is None or band[0] < middle_mm < band[1]
        if in_band and face.frame.normal @ FRONT >= LOOKS_FRONT:
            yield face


def _is_under(part: Part, face: FlatFace) -> bool:
    """Whether the part stands on this face."""
    bed = part.bed_plane
    down = np.array([0.0, 0.0, -1.0]) if bed is None else np.array(bed.normal)
    lowest_mm = float((part.vertices[np.unique(part.faces)] @ down).max())
    return bool(
        face.frame.normal @ down >= LOOKS_DOWN and abs(face.frame.origin @ down - lowest_mm) <= CLEAR_MM / 4
    )


def _plinth_band(part: Part) -> tuple[float, float] | None:
    """Heights between which the part is a plinth: from the face it stands on to the plane above it."""
    bed = part.bed_plane
    if bed is None or bed.normal[2] > -LOOKS_DOWN:
        return None
    tops = [
        plane.point[2]
        for plane in part.planes
        if not plane.bed and plane.normal[2] < -LOOKS_DOWN and plane.point[2] > bed.point[2]
    ]
    return (bed.point[2], max(tops)) if tops else None


def _flat(part: Part, surface: Surface, face: FlatFace, wish: Wish) -> FlatSite:
    from shapely import affinity

    frame = face.frame.turned(wish.turn_deg)
    outline = affinity.rotate(face.outline, -wish.turn_deg, origin=(0.0, 0.0))
    wanted = np.array(outline.centroid.coords)[0]
    found = place_for(outline, wish.box_mm, wish.clear_mm, wanted, wish.least)
    if found is None:
        left, low, right, high = outline.bounds
        box = wish.box_mm * wish.least + 2.0 * wish.clear_mm
        raise NoPlaceError(
            f"it needs {box[0]:.3g} x {box[1]:.3g} mm, and the face there, {right - left:.3g} x "
            f"{high - low:.3g} mm, has no such room. Write less, smaller, or elsewhere"
        )
    place, factor = found
    frame = replace(frame, origin=frame.space(place[None])[0])
    half = wish.box_mm * factor / 2.0
    across, up = (np.linspace(-side, side, max(3, int(2 * side / LOOKED_MM) | 1)) for side in half)
    grid = np.stack(np.meshgrid(across, up, indexing="ij"), axis=-1).reshape(-1, 2)
    at = frame.space(grid)
    outward = np.tile(frame.normal, (len(at), 1))
    over, _ = first_met(surface, at + OFF_MM * outward, outward)
    if np.isfinite(over).any():
        raise NoPlaceError(
            f"the face is covered by another piece of the part, {over.min():.2g} mm in front of it"
        )
    behind, _ = first_met(surface, at - OFF_MM * outward, -outward)
    behind_mm = float(behind.min())
    _refuse_thin(behind_mm, wish)
    under = _is_under(part, face)
    warnings = []
    if under and wish.height_mm > 0.0:
        warnings.append("The letters are raised from the face that the part stands on: it stands on them.")
    name = "the underside" if under else "a flat face"
    evidence = {"face_area_mm2": face.area_mm2, "material_behind_mm": behind_mm}
    return FlatSite(face, frame, factor, wish, under, name, tuple(warnings), evidence)


def _refuse_thin(behind_mm: float, wish: Wish) -> None:
    if wish.height_mm < 0.0 and behind_mm < wish.left_mm - wish.height_mm:
        raise NoPlaceError(
            f"the material there is {behind_mm:.2g} mm thick; letters {-wish.height_mm:g} mm deep need "
            f"{wish.left_mm - wish.height_mm:.2g} mm. Sink them less, raise them, or make the wall thicker"
        )


def _wrapped(part: Part, surface: Surface, wish: Wish) -> WrappedSite:
    if wish.turn_deg:
        raise NoPlaceError("a label that is wrapped round a side cannot be turned. Leave `turn` out")
    band = _plinth_band(part)
    low_mm, high_mm = (float(z) for z in part.bounds[:, 2])
    if wish.at is not None:
        height_mm = low_mm + wish.at * (high_mm - low_mm)
    elif band is not None:
        height_mm = sum(band) / 2.0
    else:
        raise NoPlaceError(
            "the part has no plinth to wrap it round. Put plinth before label, or say at which height (`at`)"
        )
    side = math.radians(SIDES_DEG[wish.toward] if isinstance(wish.toward, str) else wish.toward)
    toward = np.array([math.cos(side), math.sin(side)])
    for factor in (step for step in (*SMALLEST_STEPS, wish.least) if step >= wish.least):
        box = wish.box_mm * factor
        try:
            roll = roll_for(part.vertices, part.faces, toward, height_mm, float(box[0]))
        except ValueError as error:
            raise NoPlaceError(str(error)) from error
        if band is not None and wish.at is None:
            roll = _in_band(surface, roll, band, box)
        if box[0] <= WIDEST_RAD * roll.radius_mm and even_enough(surface, roll, box + wish.clear_mm):
            _refuse_thin(_behind(surface, roll, box), wish)
            return WrappedSite(surface, roll, factor, wish, "a curved side")
    raise NoPlaceError(
        f"the side is too small or not even enough for {box[0]:.3g} x {box[1]:.3g} mm. "
        "Write less, smaller, or at another height"
    )


def _in_band(surface: Surface, roll: Roll, band: tuple[float, float], box: Floats) -> Roll:
    """The arc in the middle of the upright side of a plinth, which may be less high for a chamfer."""
    heights = np.arange(band[0] + 0.05, band[1], 0.1)
    places = np.column_stack([np.zeros(len(heights)), heights - roll.height_mm])
    _, facing = radii(surface, roll, places)
    upright = heights[facing > 0.99]
    return replace(roll, height_mm=float(upright.min() + upright.max()) / 2.0) if len(upright) else roll


def _behind(surface: Surface, roll: Roll, box: Floats) -> float:
    """The least thickness of the material behind a label, mm."""
    across, up = (np.linspace(-side / 2, side / 2, max(3, int(side / LOOKED_MM) | 1)) for side in box)
    grid = np.stack(np.meshgrid(across, up, indexing="ij"), axis=-1).reshape(-1, 2)
    at, _ = radii(surface, roll, grid)
    outward = roll.outward(grid[:, 0])
    start = roll.on_axis(grid[:, 1]) + (at - OFF_MM)[:, None] * outward
    behind, _ = first_met(surface, start, -outward)
    return float(behind.min())


def _colours(part: Part, vertices: Floats, source: NDArray[np.int64]) -> NDArray[np.uint8] | None:
    """Colours of the labelled part: kept vertices have their own, new ones that of the nearest old one."""
    if part.colours is None:
        return None
    from scipy.spatial import cKDTree

    used = np.unique(part.faces)
    new = np.flatnonzero(source < 0)
    _, nearest = cKDTree(part.vertices[used]).query(vertices[new])
    taken = source.copy()
    taken[new] = used[nearest]
    return np.asarray(part.colours[taken])


def _without(reference: Part, part: Part, near: Any) -> Part | None:
    """The surface to measure against without what the label covers; None if it covers nothing of it."""
    to_part = part.placement @ np.linalg.inv(reference.placement)
    middles = reference.vertices[reference.faces].mean(axis=1) @ to_part[:3, :3].T + to_part[:3, 3]
    covered = near(middles)
    if not covered.any() or covered.all():
        return None
    return replace(reference, faces=reference.faces[~covered])


def _triple(values: Floats) -> tuple[float, float, float]:
    x, y, z = (float(v) for v in values)
    return x, y, z
