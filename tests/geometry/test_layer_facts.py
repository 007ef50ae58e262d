"""Lengths, corners and islands of layers, by hand."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from fettlebox_steps.geometry.layer_facts import (
    islands,
    layer_diagonals,
    outline_facts,
    sum_by_layer,
)
from fettlebox_steps.geometry.slicing import Layers, layer_heights, slice_layers


def layered(mesh: trimesh.Trimesh, layer_mm: float = 1.0) -> Layers:
    low, high = mesh.bounds[:, 2]
    return slice_layers(mesh.vertices, mesh.faces, layer_heights(low, high, layer_mm))


def box(x: float, y: float, z: float, at: tuple[float, float, float]) -> trimesh.Trimesh:
    """A box whose lowest corner is at a place."""
    made = trimesh.creation.box((x, y, z))
    made.apply_translation(np.array(at) + np.array([x, y, z]) / 2)
    return made


def union(*solids: trimesh.Trimesh) -> trimesh.Trimesh:
    return trimesh.boolean.union(list(solids), engine="manifold")


def test_a_box_has_four_corners_and_its_perimeter() -> None:
    layers = layered(box(20, 10, 5, (0, 0, 0)))
    found = outline_facts(layers, 0.2)
    assert found.length_mm == pytest.approx([60.0] * 5)
    assert list(found.corners) == [4] * 5
    assert found.inset_rate == pytest.approx([8.0] * 5)
    assert layer_diagonals(layers) == pytest.approx([np.sqrt(500.0)] * 5)


def test_a_circle_has_no_corner_and_a_hole_counts() -> None:
    ring = trimesh.creation.annulus(6.0, 10.0, 4.0, sections=128)
    layers = layered(ring)
    found = outline_facts(layers, 0.2)
    assert found.corners.sum() == 0
    assert np.sort(found.inset_rate)[[0, -1]] == pytest.approx([-2 * np.pi, 2 * np.pi], rel=2e-3)
    assert sum_by_layer(layers, found.length_mm) == pytest.approx([2 * np.pi * 16] * 4, rel=2e-3)


def test_grain_is_neither_followed_nor_a_corner() -> None:
    turn = np.linspace(0, 2 * np.pi, 4000, endpoint=False)
    radius = 10 + np.random.default_rng(3).normal(0, 0.01, 4000)
    prism = trimesh.creation.extrude_polygon(
        __import__("shapely").Polygon(np.column_stack([radius * np.cos(turn), radius * np.sin(turn)])), 2.0
    )
    found = outline_facts(layered(prism), 0.225)
    assert found.corners.sum() == 0
    assert found.length_mm == pytest.approx([20 * np.pi] * 2, rel=0.01)


def test_what_hangs_in_mid_air_is_an_island() -> None:
    # A gallows: the drop at the end of its arm begins at 4, over nothing.
    arm = union(box(4, 4, 20, (0, 0, 0)), box(20, 4, 4, (0, 0, 16)), box(3, 3, 14, (15, 0.5, 4)))
    found = islands(layered(arm))
    assert list(found.layer) == [4]
    assert found.area_mm2 == pytest.approx([9.0])


def test_steps_bridges_and_cones_are_none() -> None:
    bridge = union(box(4, 4, 20, (0, 0, 0)), box(4, 4, 20, (16, 0, 0)), box(20, 4, 4, (0, 0, 16)))
    opening = trimesh.creation.cone(radius=20.0, height=20.0)
    opening.apply_scale([1, 1, -1])
    for solid in (bridge, opening, union(box(10, 10, 5, (0, 0, 0)), box(2, 2, 5, (4, 4, 5)))):
        assert len(islands(layered(solid)).layer) == 0


def test_a_bar_across_a_bar_rests_on_it_without_a_corner_over_it() -> None:
    cross = union(box(20, 2, 3, (0, 9, 0)), box(2, 20, 3, (9, 0, 3)))
    assert len(islands(layered(cross)).layer) == 0


def test_an_island_within_a_ring() -> None:
    # Over the bore of a tube, a disc that hangs from a lid: it starts at 5, with tube all round it.
    tube = trimesh.creation.annulus(8.0, 10.0, 10.0, sections=64)
    tube.apply_translation([0, 0, 5.0])
    disc = trimesh.creation.cylinder(3.0, 6.0, sections=64)
    disc.apply_translation([0, 0, 8.0])
    lid = trimesh.creation.cylinder(10.0, 2.0, sections=64)
    lid.apply_translation([0, 0, 11.0])
    found = islands(layered(union(tube, disc, lid)))
    assert list(found.layer) == [5]
    assert found.area_mm2 == pytest.approx([9 * np.pi], rel=2e-3)
