"""The time model against an example worked by hand, geometry, and the ways it has to rise and fall."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
import trimesh
from fettlebox_steps.geometry.print_time import (
    Laid,
    Rates,
    filament_layers,
    resin_s,
    run_s,
    skin_areas,
    skin_layers,
    thread_m,
)
from fettlebox_steps.geometry.slicing import layer_heights, slice_layers
from hypothesis import given, settings
from hypothesis import strategies as st

RATES = Rates(0.2, 0.45, 3, 0.8, 0.15, 0.15, 40.0, 60.0, 60.0, 120.0, 1000.0, 1.0, 0.0)


def laid(mesh: Any, rates: Rates = RATES, scale: float = 1.0, support_mm2: float = 0.0) -> Laid:
    vertices = np.asarray(mesh.vertices) * scale
    heights = layer_heights(vertices[:, 2].min(), vertices[:, 2].max(), rates.layer_mm)
    layers = slice_layers(vertices, mesh.faces, heights)
    shown = skin_areas(vertices, mesh.faces, heights, rates)
    return filament_layers(layers, shown, np.full(len(heights), support_mm2), rates)


def cube(side: float = 20.0) -> trimesh.Trimesh:
    return trimesh.creation.box((side, side, side))


def test_a_run_speeds_up_and_slows_down() -> None:
    # v = 40, a = 1000: 0.04 s and 0.8 mm to reach full speed, as much to stop.
    # 20 mm: 1.6 mm on ramps in 0.08 s, 18.4 mm at 40 in 0.46 s. 0.4 mm: 0.2 mm = a·t²/2 each way, t = 0.02 s.
    assert run_s([20.0, 0.4, 0.0], 40.0, 1000.0) == pytest.approx([0.54, 0.04, 0.0])


def test_a_cube_of_20_mm_by_hand() -> None:
    """Layer 0.2, line 0.45, 3 walls at 40, fill at 60 and 15 %, a = 1000, travel 120, 1 s a layer.

    Walls run 0.225, 0.675 and 1.125 mm in: sides of 19.55, 18.65 and 17.75 mm, four of each from rest to
    rest: 223.8 mm; 4·(19.55 + 18.65 + 17.75)/40 + 12·40/1000 = 5.595 + 0.48 = 6.075 s.
    Inside is 20 − 6·0.45 = 17.3 mm wide, 299.29 mm². The mean chord of a square is π·s²/(4·s) = 13.59 mm,
    and such a run takes 13.59/60 + 60/1000 = 0.2865 s.
    Infill: 299.29·0.15/0.45 = 99.76 mm, 7.342 runs, 2.103 s. Closed: 299.29/0.45 = 665.1 mm, 48.95 runs,
    14.02 s.
    Moves: an outline and the fill are 2 moves of half of 28.28 mm: 14.14/120 + 0.12 = 0.2379 s, so 0.4757 s.
    Four layers (0.8 mm) below and four above are closed, 92 are not.
    """
    found = laid(cube())
    assert len(found.layer_s) == 100
    # Where a diagonal of the mesh passes near a corner, following in steps of half a line cuts it short.
    assert found.wall_mm == pytest.approx([223.8] * 100, rel=0.005)
    assert found.infill_mm[50] == pytest.approx(99.76, rel=0.002)
    assert found.skin_mm[:4] == pytest.approx([665.1] * 4, rel=0.002)
    assert np.count_nonzero(found.skin_mm) == 8
    assert (found.skin_mm[4], found.skin_mm[95], found.infill_mm[0]) == (0.0, 0.0, 0.0)
    by_hand = 100 * (6.075 + 0.4757 + 1.0) + 92 * 2.103 + 8 * 14.02
    assert found.layer_s.sum() == pytest.approx(by_hand, rel=0.02)


def test_a_full_cube_takes_its_own_volume_of_material() -> None:
    """Layer height × line width × length is the cube, whatever part of it is walls."""
    for walls in (1, 3, 10, 40):
        found = laid(cube(), replace(RATES, infill=1.0, walls=walls))
        length = found.wall_mm.sum() + found.skin_mm.sum() + found.infill_mm.sum()
        assert length * 0.45 * 0.2 == pytest.approx(8000.0, rel=0.01)


def test_walls_cover_a_steep_slope_and_not_a_gentle_one() -> None:
    # A slope of 60 deg shows a band of 0.8/tan 60 = 0.46 mm, under walls of 1.35 mm. One of 20 deg shows
    # 0.8/tan 20 = 2.2 mm, of which walls leave 0.85 mm all the way round, on top; the bottom is flat.
    def cone(slope_deg: float) -> trimesh.Trimesh:
        return trimesh.creation.cone(30.0, 30.0 * np.tan(np.radians(slope_deg)), sections=360)

    steep, gentle = laid(cone(60.0)), laid(cone(20.0))
    assert steep.skin_mm[4:-10].max() == pytest.approx(0.0, abs=1e-6)
    middle = len(gentle.skin_mm) // 2
    height = (middle + 0.5) * 0.2
    reach = 30.0 - height / np.tan(np.radians(20.0))
    # The band is measured at the surface above the layer, half a band further in than the layer's outline.
    around = 2 * np.pi * (reach - 0.4 / np.tan(np.radians(20.0)))
    expected = around * (0.8 / np.tan(np.radians(20.0)) - 1.35) / 0.45
    assert gentle.skin_mm[middle] == pytest.approx(expected, rel=0.02)


def test_support_and_least_time_of_a_layer() -> None:
    # 400 mm² at 15 % in lines of 0.45: 133.3 mm, in runs of π/4·20 = 15.71 mm: 8.488 runs of 0.3218 s.
    plain, held = laid(cube()), laid(cube(), support_mm2=400.0)
    assert held.support_mm == pytest.approx([133.33] * 100, rel=1e-3)
    assert held.support_s[0] == pytest.approx(8.488 * 0.3218, rel=1e-3)
    assert held.moves[0] == plain.moves[0] + 1
    slow = laid(cube(4.0), replace(RATES, least_layer_s=8.0))
    assert slow.layer_s == pytest.approx([9.0] * 20)


def test_skins_are_whole_layers() -> None:
    assert [skin_layers(0.8, h) for h in (0.2, 0.25, 0.3, 0.1)] == [4, 4, 3, 8]
    assert skin_layers(0.0, 0.2) == 0


def test_a_kilogram_of_filament() -> None:
    # 1 kg of 1.24 g/cm³ (density from memory, usual for PLA) at 1.75 mm is 335 m: geometry.
    assert thread_m(1000.0 / 1.24 * 1000.0, 1.75) == pytest.approx(335.3, abs=0.1)


def test_resin_by_hand() -> None:
    # 100 layers: 5 lit for 30 s, 95 for 2.5 s, all lifted in 6 s.
    assert resin_s(100, 2.5, 6.0, 5, 30.0) == 5 * 30 + 95 * 2.5 + 600
    assert resin_s(3, 2.5, 6.0, 5, 30.0) == 3 * 36


@pytest.fixture(scope="module")
def lump(head: Callable[..., Any]) -> trimesh.Trimesh:
    shape = head(3)
    return trimesh.Trimesh(shape.vertices, shape.faces, process=False)


@settings(max_examples=15, deadline=None)
@given(
    height=st.floats(0.08, 0.2),
    thicker=st.floats(1.4, 2.0),
    infill=st.floats(0.0, 0.8),
    scale=st.floats(0.1, 0.3),
)
def test_time_falls_with_layer_height_and_rises_with_infill_and_size(
    lump: trimesh.Trimesh, height: float, thicker: float, infill: float, scale: float
) -> None:
    rates = replace(RATES, layer_mm=height, infill=infill)
    usual = laid(lump, rates, scale).layer_s.sum()
    assert laid(lump, replace(rates, layer_mm=height * thicker), scale).layer_s.sum() < usual
    assert laid(lump, replace(rates, infill=infill + 0.1), scale).layer_s.sum() > usual
    assert laid(lump, rates, scale * 1.1).layer_s.sum() > usual
