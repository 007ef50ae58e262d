"""Pegs and sockets that lead two pieces together: where they have material all round, and their shapes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .distance import DistanceTree
from .flat_places import Frame
from .split_cutting import Block, CutFace

Floats = NDArray[np.float64]

SIDES = 32
"""Of a peg: it is round to a two-hundredth of its diameter."""

GRID = 48
"""Places along the longer side of a face that are looked at for a key."""

LEVELS = 9
"""Depths at which the material around a key is measured; between them it is bounded."""

APART = 2.5
"""Two keys are at least this many diameters apart, middle to middle, or there is only one."""

SMALLER = (1.0, 0.8, 0.65, 0.5)
"""If a key of the wished size has no room, smaller ones are tried."""


@dataclass(frozen=True, eq=False)
class Keys:
    """Keys of one joint. middles (k,3) mm on the plane; square: a single key, not to turn; wall_mm: the least
    material around a socket.
    """

    middles: Floats
    diameter_mm: float
    depth_mm: float
    square: bool
    wall_mm: float


def key_places(
    lower: tuple[Block, CutFace],
    upper: tuple[Block, CutFace],
    diameter_mm: float,
    depth_mm: float,
    clearance_mm: float,
    wall_mm: float,
    count: int,
    smaller: tuple[float, ...] = SMALLER,
) -> Keys | None:
    """Up to `count` places, as far apart as they can be, that have `wall_mm` of material around the socket in
    both pieces; None if there are none. Sizes are tried by the factors `smaller`.
    """
    import shapely

    frame = lower[1].frame
    shared = lower[1].outline.intersection(in_frame(upper[1].outline, upper[1].frame, frame))
    for share in smaller:
        radius_mm, deep_mm = share * diameter_mm / 2, share * depth_mm
        room = shared.buffer(-(radius_mm + clearance_mm + wall_mm))
        if room.is_empty:
            continue
        low_x, low_y, high_x, high_y = room.bounds
        step = max(high_x - low_x, high_y - low_y, 1e-3) / GRID
        x, y = np.meshgrid(np.arange(low_x, high_x + step, step), np.arange(low_y, high_y + step, step))
        places = np.column_stack([x.ravel(), y.ravel()])
        places = np.concatenate([places, shapely.get_coordinates(room.representative_point())])
        places = places[shapely.contains_xy(room, places)]
        if not len(places):
            continue
        around = np.minimum(
            *(
                _clear(block, face, frame.space(places), deep_mm + clearance_mm)
                for block, face in (lower, upper)
            )
        )
        around -= radius_mm + clearance_mm
        fit = around >= wall_mm
        if not fit.any():
            continue
        chosen = _far_apart(places[fit], around[fit], count, APART * 2 * radius_mm)
        walls = around[fit][chosen]
        middles = frame.space(places[fit][chosen])
        return Keys(middles, 2 * radius_mm, deep_mm, len(chosen) == 1, float(walls.min()))
    return None


def _clear(block: Block, face: CutFace, middles: Floats, deep_mm: float) -> Floats:
    """(k,) least distance from the axis of a key to the block's surface but the face, never too large."""
    others = np.delete(block.faces, face.faces, axis=0)
    tree = DistanceTree.of(block.vertices, others.astype(np.int64))
    depths = np.linspace(0.0, deep_mm, LEVELS)
    points = middles[None] - depths[:, None, None] * face.frame.normal
    distance = tree.at(points.reshape(-1, 3)).reshape(LEVELS, -1)
    return np.asarray(distance.min(axis=0) - depths[1] / 2)


def _far_apart(places: Floats, around: Floats, count: int, apart_mm: float) -> list[int]:
    """The two places furthest apart, then those furthest from all before; or one in the thickest material."""
    spread = np.linalg.norm(places[:, None] - places[None], axis=2)
    first, second = np.unravel_index(int(spread.argmax()), spread.shape)
    if count < 2 or spread[first, second] < apart_mm:
        return [int(around.argmax())]
    chosen = sorted((int(first), int(second)))
    while len(chosen) < count:
        gap = spread[:, chosen].min(axis=1)
        if gap.max() < apart_mm:
            break
        chosen.append(int(gap.argmax()))
    return chosen


def outline(radius_mm: float, square: bool, grown_mm: float) -> Floats:
    """(s,2) corners of a key within its circle, with all sides `grown_mm` further out than the key's."""
    sides = 4 if square else SIDES
    turn = 2 * np.pi * (np.arange(sides) + 0.5) / sides
    reach = radius_mm + grown_mm / np.cos(np.pi / sides)
    return np.asarray(reach * np.column_stack([np.cos(turn), np.sin(turn)]))


def shapes(keys: Keys, frame: Frame, toward: Frame, grown_mm: float) -> Any:
    """The keys' outlines (shapely) in the frame `toward`; for both pieces from the same `frame`."""
    import shapely

    corners = outline(keys.diameter_mm / 2, keys.square, grown_mm)
    middles = frame.flat(keys.middles)[:, :2]
    rings = [toward.flat(frame.space(corners + middle))[:, :2] for middle in middles]
    return shapely.multipolygons([shapely.Polygon(ring) for ring in rings])


def in_frame(shape: Any, frame: Frame, toward: Frame) -> Any:
    """A flat shape as seen in another frame of the same plane."""
    import shapely

    return shapely.transform(shape, lambda flat: toward.flat(frame.space(flat))[:, :2])


def prism_mm3(keys: Keys, grown_mm: float, long_mm: float) -> float:
    """Volume of the keys of a joint, `long_mm` long: a regular polygon's area is s/2·r²·sin(2π/s)."""
    sides = 4 if keys.square else SIDES
    reach = keys.diameter_mm / 2 + grown_mm / np.cos(np.pi / sides)
    return float(len(keys.middles) * sides / 2 * reach**2 * np.sin(2 * np.pi / sides) * long_mm)
