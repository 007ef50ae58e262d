"""Walls and gaps whose width is known by construction, to 0.05 mm."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import manifold3d
import numpy as np
import pytest
import trimesh
from fettlebox_steps.geometry.thickness import Places, Surface, gaps, mean_by_face, places_on, thinnest, walls
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def measured(mesh: trimesh.Trimesh, at_most_mm: float = 4.0, finest_mm: float = 0.0) -> tuple[Places, Floats]:
    places = places_on(mesh.vertices, mesh.faces)
    return places, walls(Surface(mesh.vertices, mesh.faces), places, at_most_mm, finest_mm)


def shell(outer_mm: float, wall_mm: float, subdivisions: int = 5) -> trimesh.Trimesh:
    outside = trimesh.creation.icosphere(subdivisions, radius=outer_mm)
    inside = trimesh.creation.icosphere(subdivisions, radius=outer_mm - wall_mm)
    inside.invert()
    return trimesh.util.concatenate([outside, inside])


def prism(outline: list[tuple[float, float]], height_mm: float) -> trimesh.Trimesh:
    import shapely

    return trimesh.creation.extrude_polygon(shapely.Polygon(outline), height_mm)


@pytest.mark.parametrize("wall_mm", [0.3, 0.8, 2.0])
def test_a_hollow_ball(wall_mm: float) -> None:
    _, found = measured(shell(20.0, wall_mm))
    assert found == pytest.approx(np.full(len(found), wall_mm), abs=0.05)


def test_a_plate_is_as_thick_at_its_edges_as_in_its_middle() -> None:
    plate = trimesh.creation.box((40.0, 30.0, 1.2))
    places, found = measured(plate)
    flat = np.abs(places.normal[:, 2]) > 0.5
    assert found[flat] == pytest.approx(np.full(flat.sum(), 1.2), abs=0.05)
    assert found[~flat].min() > 29.9


def test_a_cube_is_nowhere_thin() -> None:
    places, found = measured(trimesh.creation.box((20.0, 20.0, 20.0)))
    assert found == pytest.approx(np.full(len(found), 20.0), abs=0.05)
    assert thinnest(found, places.area_mm2) == pytest.approx(20.0, abs=0.05)


def wedge(angle_deg: float, finer: bool) -> trimesh.Trimesh:
    """Its edge along z, 30 long, its sides 20 deep along x; of 8 triangles, or of ones under 0.5 mm."""
    rise = 20.0 * np.tan(np.radians(angle_deg / 2))
    made = prism([(0, 0), (20.0, -rise), (20.0, rise)], 30.0)
    return made.subdivide_to_size(0.5, max_iter=20) if finer else made


@pytest.mark.parametrize("finer", [False, True])
@pytest.mark.parametrize("angle_deg", [10.0, 25.0, 35.0, 55.0])
def test_a_blade_is_thin_and_an_edge_is_no_wall(angle_deg: float, finer: bool) -> None:
    """At distance d from the edge, the ball that touches both sides is 2·d·tan(angle/2) wide, its middle half
    of that over sin(angle/2) from the edge: twice its width at 29 degrees.
    """
    places, found = measured(wedge(angle_deg, finer), 2.0, finest_mm=1.0)
    side = (np.abs(places.normal[:, 1]) > 0.5) & (np.abs(places.point[:, 2] - 15) < 8)
    along = places.point[:, 0] / np.cos(np.radians(angle_deg / 2))
    expected = 2 * along * np.tan(np.radians(angle_deg / 2))
    near = side & (expected < 1.0)
    assert near.sum() > 50
    if angle_deg < 29:
        assert found[near] == pytest.approx(expected[near], abs=0.05)
        assert thinnest(found, places.area_mm2) < 0.2
    else:
        assert np.isinf(found[near]).all()
        assert thinnest(found, places.area_mm2) >= 1.0
    further = side & (expected > 1.05) & (expected < 2.0)
    assert np.isfinite(found[further]).all() or thinnest(found, places.area_mm2) > 1.05


@pytest.mark.parametrize("angle_deg", [20.0, 40.0])
def test_the_rim_of_a_lens(angle_deg: float) -> None:
    """Two flat cones, base to base: a knife's edge all around, or none."""
    rise = 10.0 * np.tan(np.radians(angle_deg / 2))
    lens = trimesh.creation.revolve([(0, -rise), (10.0, 0), (0, rise)], sections=360)
    places, found = measured(lens, 2.0, finest_mm=0.4)
    inward = 10.0 - np.linalg.norm(places.point[:, :2], axis=1)
    expected = 2 * inward / np.cos(np.radians(angle_deg / 2)) * np.tan(np.radians(angle_deg / 2))
    near = (expected > 0.05) & (expected < 0.35)
    assert near.sum() > 300
    if angle_deg < 29:
        assert found[near] == pytest.approx(expected[near], abs=0.05)
    else:
        assert np.isinf(found[near]).all()


@pytest.mark.parametrize("finer", [False, True])
@pytest.mark.parametrize("high_mm", [0.4, 0.6, 5.0])
def test_a_thin_wall_is_found_however_low(high_mm: float, finer: bool) -> None:
    """A rib 0.3 mm thick on a block, as a stroke of raised lettering is; its top is as wide as the wall."""
    rib = [(0, 0), (10, 0), (10, 5), (5.15, 5), (5.15, 5 + high_mm), (4.85, 5 + high_mm), (4.85, 5), (0, 5)]
    mesh = prism(rib, 20.0)
    mesh = mesh.subdivide_to_size(0.3, max_iter=20) if finer else mesh
    places, found = measured(mesh, 2.0, finest_mm=0.4)
    flank = (places.point[:, 1] > 5) & (np.abs(places.normal[:, 0]) > 0.5)
    flank &= np.abs(places.point[:, 2] - 10) < 9.5
    assert found[flank] == pytest.approx(np.full(flank.sum(), 0.3), abs=0.05)
    assert places.area_mm2[found < 0.4].sum() == pytest.approx(2 * high_mm * 20.0, rel=0.05)


def test_a_plate_of_three_tenths_is_found_up_to_its_rim_and_through_a_bevelled_one() -> None:
    square = trimesh.creation.box((40.0, 30.0, 0.3))
    places, found = measured(square, 2.0, finest_mm=0.4)
    flat = np.abs(places.normal[:, 2]) > 0.5
    assert found[flat] == pytest.approx(np.full(flat.sum(), 0.3), abs=0.05)
    # Its rim is cut to a point by two planes that meet at 90 degrees.
    bevelled = prism([(0, 0), (0.15, -0.15), (30, -0.15), (30, 0.15), (0.15, 0.15)], 40.0)
    places, found = measured(bevelled, 2.0, finest_mm=0.4)
    flat = (np.abs(places.normal[:, 1]) > 0.9) & (np.abs(places.point[:, 2] - 20) < 19)
    assert found[flat] == pytest.approx(np.full(flat.sum(), 0.3), abs=0.05)


@pytest.mark.parametrize(("angle_deg", "tip"), [(20.0, False), (45.0, True)])
def test_the_tip_of_a_cone(angle_deg: float, tip: bool) -> None:
    """A ball inside that touches the flank at s from the tip is 2·s·tan(angle/2) wide; a needle counts."""
    cone = trimesh.creation.cone(5.0 * np.tan(np.radians(angle_deg / 2)), 5.0, sections=64)
    cone = cone.subdivide_to_size(0.15, max_iter=20)
    places, found = measured(cone, 2.0, finest_mm=0.4)
    away = np.linalg.norm(places.point - [0, 0, 5.0], axis=1)
    expected = 2 * away * np.tan(np.radians(angle_deg / 2))
    near = (expected < 0.35) & (expected > 0.1)
    assert near.sum() > 10
    assert np.isinf(found[near]).all() == tip and np.isfinite(found[near]).all() != tip


TIP_33 = [(0, -0.15), (0.5, 0), (0, 0.15)]
"""A triangle 0.3 mm wide and 0.5 deep."""

ACROSS_33 = 2 * np.hypot(0.5, 0.15) * (1 - 0.3 / (0.3 + 0.5 / 0.15) / 0.5)
"""How much of its two flanks, mm, has the other one opposite and not the base: y = ±0.15 (1 - x / 0.5), and
what goes straight in from (x, y) reaches x = 0 at y - x·0.5/0.15: the base, if x < 0.3 / (0.3 + 0.5/0.15)."""


def test_a_strut_with_a_pointed_section_is_all_that_holds_two_blocks() -> None:
    section = manifold3d.CrossSection([TIP_33])
    bar = manifold3d.Manifold.extrude(section, 18.0).rotate((90, 0, 0)).translate((10, 18.5, 10))
    block = manifold3d.Manifold.cube((20.0, 20.0, 20.0))
    made = (block.translate((0, -19.0, 0)) + bar + block.translate((0, 18.0, 0))).to_mesh()
    places, found = measured(trimesh.Trimesh(made.vert_properties, made.tri_verts), 2.0, finest_mm=0.4)
    assert places.area_mm2[found < 0.4].sum() == pytest.approx(ACROSS_33 * 17.0, rel=0.05)
    assert thinnest(found, places.area_mm2) < 0.3


@pytest.mark.parametrize("finer", [False, True])
@pytest.mark.parametrize(
    ("outline", "flanks_mm"),
    [
        (TIP_33, ACROSS_33),
        ([(-0.41, 0), (0, -0.15), (0.41, 0), (0, 0.15)], 4 * np.hypot(0.41, 0.15)),
    ],
)
def test_a_thin_bar_with_a_pointed_section_is_thin(
    outline: list[tuple[float, float]], flanks_mm: float, finer: bool
) -> None:
    bar = prism(outline, 20.0)
    places, found = measured(bar.subdivide_to_size(0.15, max_iter=20) if finer else bar, 2.0, finest_mm=0.4)
    assert places.area_mm2[found < 0.4].sum() == pytest.approx(flanks_mm * 20.0, rel=0.05)
    assert thinnest(found, places.area_mm2) < 0.1


def test_a_slot_is_a_gap_and_its_lips_are_walls() -> None:
    # A comb of three teeth 1.5 wide, with slots 0.6 wide and 10 deep between them.
    outline = [(0, 0), (5.7, 0), (5.7, 20), (4.2, 20), (4.2, 10), (3.6, 10), (3.6, 20), (2.1, 20), (2.1, 10)]
    comb = prism([*outline, (1.5, 10), (1.5, 20), (0, 20)], 12.0)
    places = places_on(comb.vertices, comb.faces)
    gap = gaps(Surface(comb.vertices, comb.faces), places, 4.0, 1.0)
    finite = np.isfinite(gap)
    assert gap[finite] == pytest.approx(np.full(finite.sum(), 0.6), abs=0.05)
    # Two slots, each with two sides of 10 × 12.
    assert places.area_mm2[finite].sum() == pytest.approx(4 * 120.0, rel=0.02)
    _, wall = measured(comb)
    tooth = (places.point[:, 1] > 12) & (np.abs(places.normal[:, 0]) > 0.5)
    assert wall[tooth] == pytest.approx(np.full(tooth.sum(), 1.5), abs=0.05)


@pytest.mark.parametrize("angle_deg", [20.0, 45.0])
def test_a_sharp_groove_is_a_gap_and_a_crease_is_none(angle_deg: float) -> None:
    """As a wedge, of air: a ball that touches both sides at d from the bottom is 2·d·tan(angle/2) wide."""
    half = 8.0 * np.tan(np.radians(angle_deg / 2))
    block = prism([(-10, -5), (10, -5), (10, 8), (half, 8), (0, 0), (-half, 8), (-10, 8)], 30.0)
    places = places_on(block.vertices, block.faces)
    gap = gaps(Surface(block.vertices, block.faces), places, 2.0, 0.4)
    flank = (
        (np.abs(places.point[:, 0]) < half - 1e-6) & (places.point[:, 1] < 7.9) & (places.normal[:, 1] > 0)
    )
    flank &= np.abs(places.point[:, 2] - 15) < 10
    expected = 2 * np.abs(places.point[:, 0]) / np.cos(np.radians(angle_deg / 2))
    near = flank & (expected < 0.38)
    assert near.sum() > 50
    if angle_deg < 29:
        assert gap[near] == pytest.approx(expected[near], abs=0.05)
    else:
        assert np.isinf(gap[near]).all()


def test_thinnest_looks_past_single_triangles() -> None:
    width = np.array([0.1, 0.5, 3.0])
    assert thinnest(width, np.array([0.2, 5.0, 200.0])) == 0.5
    assert thinnest(width, np.array([1.2, 5.0, 200.0])) == 0.1
    assert thinnest(width, np.array([0.2, 0.5, 5.0])) == 0.1
    assert thinnest(width, np.array([4.0, 50.0, 5000.0])) == 0.5
    assert thinnest(np.zeros(0), np.zeros(0)) == np.inf


def test_places_stand_for_the_whole_area_and_lie_on_it(head: Callable[..., Any]) -> None:
    for mesh in (trimesh.creation.box((3, 4, 5)), head(4).mesh()):
        places = places_on(mesh.vertices, mesh.faces)
        assert places.area_mm2.sum() == pytest.approx(mesh.area)
        off = np.einsum("ij,ij->i", places.point - mesh.triangles[places.face][:, 0], places.normal)
        assert np.abs(off).max() < 1e-9 * mesh.scale
        assert (
            trimesh.triangles.points_to_barycentric(mesh.triangles[places.face], places.point).min() > -1e-9
        )
        assert mean_by_face(np.full(len(places.face), 3.0), places, len(mesh.faces)) == pytest.approx(3.0)


def test_inputs_stay_and_bytes_repeat(head: Callable[..., Any]) -> None:
    shape = head(3)
    mesh = trimesh.util.concatenate([shape.mesh(), shell(300.0, 0.7, 3)])
    before = mesh.vertices.tobytes(), mesh.faces.tobytes()
    assert measured(mesh)[1].tobytes() == measured(mesh)[1].tobytes()
    assert before == (mesh.vertices.tobytes(), mesh.faces.tobytes())
