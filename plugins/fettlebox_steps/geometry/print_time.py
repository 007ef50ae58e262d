"""How long a print takes and what goes into it, from its layers.

A line is run from rest to rest: it speeds up and slows down evenly (a trapezoid of speed over time, or a
triangle when it is too short to reach full speed; any textbook of kinematics). Walls stop at corners.
Lines of infill are as long as the mean chord of the region they fill, π·area/perimeter (Cauchy and Crofton;
L. A. Santaló, "Integral geometry and geometric probability", 1976).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .layer_facts import area_by_gap, layer_diagonals, outline_facts, sum_by_layer
from .measures import area_vectors
from .slicing import Layers

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

FOLLOWED = 0.5
"""Outlines are followed in steps of half a line's width: what is finer, the line smooths over."""

MOVE = 0.5
"""A move between lines goes half as far as the layer's box is wide across, on average. Our judgement."""


@dataclass(frozen=True)
class Rates:
    """How filament is laid down: widths and heights in mm, speeds in mm/s, shares of 0 to 1."""

    layer_mm: float
    line_mm: float
    walls: int
    skin_mm: float
    infill: float
    support: float
    wall_mm_s: float
    infill_mm_s: float
    support_mm_s: float
    travel_mm_s: float
    acceleration_mm_s2: float
    layer_change_s: float
    least_layer_s: float


@dataclass(frozen=True, eq=False)
class Laid:
    """Per layer (k,): length of lines in mm, number of moves between them, and seconds."""

    wall_mm: Floats
    skin_mm: Floats
    infill_mm: Floats
    support_mm: Floats
    moves: Ints
    wall_s: Floats
    fill_s: Floats
    support_s: Floats
    move_s: Floats
    layer_s: Floats


def run_s(length_mm: ArrayLike, speed_mm_s: float, acceleration_mm_s2: float) -> Floats:
    """Seconds for straight runs from rest to rest."""
    length = np.asarray(length_mm, np.float64)
    ramps_mm = speed_mm_s**2 / acceleration_mm_s2
    long = length / speed_mm_s + speed_mm_s / acceleration_mm_s2
    return np.where(length >= ramps_mm, long, 2.0 * np.sqrt(np.maximum(length, 0.0) / acceleration_mm_s2))


def filament_layers(layers: Layers, shown_mm2: Floats, support_mm2: Floats, rates: Rates) -> Laid:
    """Lay down a part. shown_mm2 (k,) from `skin_areas`; support_mm2 (k,) is the area of support."""
    line = rates.line_mm
    followed = outline_facts(layers, FOLLOWED * line)
    area = layers.layer_area_mm2
    wall_mm, wall_s = np.zeros(len(layers)), np.zeros(len(layers))
    stops = np.maximum(followed.corners, 1)
    for k in range(rates.walls):
        each = np.maximum(followed.length_mm - followed.inset_rate * (k + 0.5) * line, 0.0)
        wall_mm += sum_by_layer(layers, each)
        runs = stops * run_s(each / stops, rates.wall_mm_s, rates.acceleration_mm_s2)
        wall_s += sum_by_layer(layers, runs)
    inner = np.maximum(followed.length_mm - followed.inset_rate * rates.walls * line, 0.0)
    rim_mm = sum_by_layer(layers, inner)
    # Where the walls of both sides meet there is no room for all of them.
    room = np.divide(area, wall_mm * line, out=np.ones(len(area)), where=wall_mm * line > area)
    room = np.clip(room, 0.0, 1.0)
    wall_mm, wall_s = wall_mm * room, wall_s * room
    inside = np.maximum(area - wall_mm * line, 0.0)
    skin = np.minimum(shown_mm2, inside)
    skin_mm = skin / line
    infill_mm = (inside - skin) * rates.infill / line
    chord = np.divide(np.pi * inside, rim_mm, out=np.full(len(area), line), where=rim_mm > 0)
    chord = np.maximum(chord, line)
    fill_s = (skin_mm + infill_mm) / chord * run_s(chord, rates.infill_mm_s, rates.acceleration_mm_s2)
    support_mm = support_mm2 * rates.support / line
    held = np.maximum(np.pi / 4.0 * np.sqrt(support_mm2), line)
    support_s = support_mm / held * run_s(held, rates.support_mm_s, rates.acceleration_mm_s2)
    moves = np.diff(layers.layers) + (skin_mm + infill_mm > 0) + (support_mm > 0)
    move_s = moves * run_s(MOVE * layer_diagonals(layers), rates.travel_mm_s, rates.acceleration_mm_s2)
    busy = wall_s + fill_s + support_s + move_s
    layer_s = np.maximum(busy, rates.least_layer_s) + rates.layer_change_s
    return Laid(wall_mm, skin_mm, infill_mm, support_mm, moves, wall_s, fill_s, support_s, move_s, layer_s)


def skin_layers(skin_mm: float, layer_mm: float) -> int:
    """How many whole layers make a top or bottom at least that thick."""
    return int(np.ceil(skin_mm / layer_mm - 1e-6))


def skin_areas(vertices: ArrayLike, faces: ArrayLike, height_mm: Floats, rates: Rates) -> Floats:
    """(k,) area of each layer that is near a top or a bottom and not covered by walls, mm2.

    height_mm (k,) are the evenly spaced middles of the layers. A layer is closed where the surface passes
    within `skin_mm` above or below it. On a slope that takes a band as wide as the skin is thick, over the
    slope; the walls cover their own width of it.
    """
    points = np.ascontiguousarray(vertices, np.float64)
    corners = np.ascontiguousarray(faces, np.int64)
    count = skin_layers(rates.skin_mm, rates.layer_mm)
    layers = len(height_mm)
    if not count or not layers:
        return np.zeros(layers)
    vectors = area_vectors(points, np.asarray(corners, np.int32))
    flat = np.abs(vectors[:, 2])
    slope = np.divide(
        np.hypot(vectors[:, 0], vectors[:, 1]), flat, out=np.full(len(flat), np.inf), where=flat > 0
    )
    covered = np.minimum(slope * rates.walls * rates.line_mm / (count * rates.layer_mm), 1.0)
    shown = flat * (1.0 - covered)
    z = points[:, 2].copy()
    passed = np.stack(
        [
            area_by_gap(z, corners, np.where(side, shown, 0.0), np.asarray(height_mm, np.float64))
            for side in (vectors[:, 2] > 0, vectors[:, 2] <= 0)
        ]
    )
    below = np.cumsum(
        np.pad(passed, ((0, 0), (1, 0))), axis=1
    )  # under the middle of layer j: below[:, j + 1]
    k = np.arange(layers)
    tops = below[0, np.minimum(k + count, layers) + 1] - below[0, k + 1]
    bottoms = below[1, k + 1] - below[1, np.maximum(k - count, -1) + 1]
    return np.asarray(np.maximum(tops, 0.0) + np.maximum(bottoms, 0.0), np.float64)


def resin_s(
    layers: int, exposure_s: float, lift_s: float, first_layers: int, first_exposure_s: float
) -> float:
    """Seconds for a number of layers: each is lit and lifted off, the first ones lit for longer."""
    longer = min(first_layers, layers)
    return layers * lift_s + longer * first_exposure_s + (layers - longer) * exposure_s


def thread_m(volume_mm3: float, diameter_mm: float) -> float:
    """Metres of round thread that hold a volume."""
    return float(volume_mm3 / (np.pi / 4.0 * diameter_mm**2) / 1000.0)
