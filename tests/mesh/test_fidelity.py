"""Distance between scan and part: closed forms, and two libraries that do not share the code."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import pytest
import trimesh
from fettlebox.mesh import Part, Plane
from fettlebox.mesh.fidelity import Fidelity, by_face, compare
from numpy.typing import NDArray

RADIUS_MM = 50.0


def _part(mesh: trimesh.Trimesh) -> Part:
    return Part(np.asarray(mesh.vertices), np.asarray(mesh.faces, np.int32))


def _sphere(radius_mm: float = RADIUS_MM, fineness: int = 5) -> trimesh.Trimesh:
    return trimesh.creation.icosphere(subdivisions=fineness, radius=radius_mm)


def _sag_mm(mesh: trimesh.Trimesh, radius_mm: float) -> float:
    """How deep the flattest facet lies under the sphere that its corners are on."""
    return radius_mm - float(np.abs(np.einsum("ij,ij->i", mesh.face_normals, mesh.triangles_center)).min())


def _turned() -> NDArray[np.float64]:
    matrix = trimesh.transformations.rotation_matrix(0.7, [1.0, 2.0, -0.5])
    matrix[:3, 3] = [12.0, -7.0, 30.0]
    return np.asarray(matrix)


def _half(mesh: trimesh.Trimesh, height_mm: float, cap: bool) -> trimesh.Trimesh:
    """What is above a horizontal plane."""
    return trimesh.intersections.slice_mesh_plane(
        mesh, [0.0, 0.0, 1.0], [0.0, 0.0, height_mm], cap=cap, engine="earcut" if cap else None
    )


def _same(one: Fidelity, other: Fidelity, tolerance: float = 1e-9) -> None:
    for name, value in one.as_facts().items():
        assert other.as_facts()[name] == pytest.approx(value, abs=tolerance), name


def test_a_surface_is_no_distance_from_itself() -> None:
    part = _part(_sphere())
    found = compare(part, part)
    assert found.scan_to_part_max_mm < 1e-9 and found.part_to_scan_max_mm < 1e-9
    assert found.covered_ratio == 1.0
    assert found.part_invented_ratio == found.part_flat_ratio == found.part_inner_ratio == 0.0


@pytest.mark.parametrize("grown_mm", [0.1, 0.5])
def test_concentric_spheres_are_the_difference_of_their_radii_apart(grown_mm: float) -> None:
    # Elementary geometry: parallel surfaces. Facets lie under the sphere by at most their sag.
    inner, outer = _sphere(), _sphere(RADIUS_MM + grown_mm)
    found = compare(_part(inner), _part(outer))
    slack = _sag_mm(outer, RADIUS_MM + grown_mm)
    assert 0.0 < slack < 0.04
    for measured in (
        found.scan_to_part_p50_mm, found.scan_to_part_p95_mm, found.scan_to_part_p999_mm,
        found.scan_to_part_max_mm, found.part_to_scan_p95_mm, found.part_to_scan_max_mm,
    ):  # fmt: skip
        assert measured == pytest.approx(grown_mm, abs=slack)
    assert found.covered_ratio == (1.0 if grown_mm < 0.2 else 0.0)
    # What faces the scan is not taken for the inside of a hollow, even if it is farther than a thin wall.
    assert found.part_inner_ratio == 0.0


def test_a_shifted_sheet_is_as_far_as_it_was_shifted() -> None:
    sheet = trimesh.creation.box(extents=(80.0, 60.0, 1.0)).subdivide().subdivide()
    top = sheet.submesh([sheet.face_normals[:, 2] > 0.9], append=True)
    scan = _part(top)
    part = scan.with_mesh(scan.vertices + np.array([0.0, 0.0, 0.3]), scan.faces)
    found = compare(scan, part)
    for measured in (found.scan_to_part_p50_mm, found.scan_to_part_max_mm, found.part_to_scan_max_mm):
        assert measured == pytest.approx(0.3, abs=1e-9)
    assert found.covered_ratio == 0.0
    assert compare(scan, part, covered_within_mm=0.31).covered_ratio == 1.0


def test_a_quarter_of_a_plate_that_was_lost_is_a_quarter_uncovered() -> None:
    scan = _part(trimesh.creation.box(extents=(100.0, 100.0, 2.0)).subdivide().subdivide().subdivide())
    kept = scan.vertices[scan.faces].mean(axis=1)[:, 0] < 25.0
    found = compare(scan, scan.with_mesh(scan.vertices, scan.faces[kept]))
    box_area = 2 * (100 * 100 + 2 * 100 * 2)
    lost_area = 2 * (25 * 100 + 25 * 2) + 100 * 2
    # Scan within the tolerance of the torn edge still counts as covered.
    assert 1.0 - found.covered_ratio == pytest.approx(lost_area / box_area, abs=0.004)
    # The far corner of the lost part is 25 mm away; the samples are 0.7 mm apart.
    assert found.scan_to_part_max_mm == pytest.approx(25.0, abs=0.7)
    assert found.part_to_scan_max_mm < 1e-9


def test_the_size_and_place_of_the_order_do_not_matter() -> None:
    scan = _part(_sphere())
    part = _part(_sphere(RADIUS_MM + 0.15)).with_plane(Plane("cut", (0.0, 0.0, -30.0), (0.0, 0.0, -1.0)))
    as_is = compare(scan, part)
    _same(as_is, compare(scan, part.moved(_turned()).scaled(0.25)))
    _same(as_is, compare(scan.moved(_turned()), part))
    _same(as_is, compare(scan.moved(_turned()).scaled(3.0), part.scaled(0.5).moved(_turned())))


def test_a_scan_in_inches_is_compared_in_millimetres() -> None:
    file = _part(_sphere(RADIUS_MM / 25.4))
    moved = file.in_unit(25.4)
    part = moved.with_mesh(moved.vertices * (RADIUS_MM + 0.1) / RADIUS_MM, moved.faces)
    assert compare(file, part).scan_to_part_p50_mm == pytest.approx(0.1, abs=0.03)


def test_what_was_cut_on_purpose_does_not_count() -> None:
    sphere, height = _sphere(), 20.0
    half = _half(sphere, RADIUS_MM - height, cap=True)
    part = _part(half).with_plane(Plane("cut", (0.0, 0.0, RADIUS_MM - height), (0.0, 0.0, -1.0), bed=True))
    found = compare(_part(sphere), part)
    assert found.scan_to_part_max_mm < 1e-6 and found.part_to_scan_max_mm < 1e-6
    # CRC Standard Mathematical Tables: zone of a sphere 2·π·R·h; the cut is a disc of radius² h·(2R−h).
    zone, disc = 2 * np.pi * RADIUS_MM * height, np.pi * height * (2 * RADIUS_MM - height)
    assert found.scan_cut_off_ratio == pytest.approx(1.0 - zone / (4 * np.pi * RADIUS_MM**2), abs=0.003)
    assert found.part_flat_ratio == pytest.approx(disc / (disc + zone), abs=0.003)
    # The same part without the plane on record has lost the scan's far pole.
    silent = compare(_part(sphere), replace(part, planes=()))
    assert silent.scan_to_part_max_mm > 50.0 and silent.scan_cut_off_ratio == 0.0


def test_a_foot_added_beyond_a_cut_does_not_count_either() -> None:
    half = _half(_sphere(), 0.0, cap=True)
    foot = trimesh.creation.cylinder(radius=RADIUS_MM / 2, height=10.0)
    foot.apply_translation([0.0, 0.0, -5.0])
    plane = Plane("cut", (0.0, 0.0, 0.0), (0.0, 0.0, -1.0))
    found = compare(_part(_sphere()), _part(trimesh.util.concatenate([half, foot])).with_plane(plane))
    assert found.part_to_scan_max_mm < 1e-6 and found.part_invented_ratio == 0.0


def test_a_base_excuses_only_what_the_part_does_not_reach() -> None:
    # A figure closed at the back, whose tail goes on behind the plane of the base: the tail still counts.
    sphere = _part(_sphere())
    plane = Plane("base", (0.0, 0.0, -20.0), (0.0, 0.0, -1.0))
    found = compare(sphere, sphere.with_plane(plane))
    assert found.scan_cut_off_ratio == 0.0 and found.covered_ratio == 1.0
    ended = _part(_half(_sphere(), -20.0, cap=True)).with_plane(plane)
    assert compare(sphere, ended).scan_to_part_max_mm < 1e-6


def test_closing_an_opening_is_invented_unless_it_is_a_flat_on_record() -> None:
    # Archimedes: the hemisphere's surface is twice its great circle's.
    bowl = _half(_sphere(), 0.0, cap=False)
    lid = trimesh.creation.revolve([(0.0, 0.0), (RADIUS_MM, 0.0)], sections=256)
    closed = _part(trimesh.util.concatenate([bowl, lid]))
    found = compare(_part(bowl), closed)
    assert found.part_invented_ratio == pytest.approx(1.0 / 3.0, abs=0.01)
    assert found.part_to_scan_max_mm <= found.covered_within_mm
    on_record = compare(_part(bowl), closed.with_plane(Plane("base", (0.0, 0.0, 0.0), (0.0, 0.0, -1.0))))
    assert on_record.part_flat_ratio == pytest.approx(1.0 / 3.0, abs=0.01)
    assert on_record.part_invented_ratio < 0.003


def test_a_file_whose_triangles_share_no_corner_is_not_all_rim() -> None:
    mesh = _sphere(fineness=4)
    soup = Part(np.asarray(mesh.triangles).reshape(-1, 3), np.arange(len(mesh.faces) * 3).reshape(-1, 3))
    found = compare(soup, _part(_sphere(RADIUS_MM + 0.5, fineness=4)))
    assert found.part_invented_ratio == 0.0
    assert found.part_to_scan_p95_mm == pytest.approx(0.5, abs=_sag_mm(mesh, RADIUS_MM) * 2)


def test_the_inside_of_a_hollow_does_not_count() -> None:
    inside = _sphere(RADIUS_MM - 2.0)
    inside.invert()
    found = compare(_part(_sphere()), _part(trimesh.util.concatenate([_sphere(), inside])))
    share = (RADIUS_MM - 2.0) ** 2 / (RADIUS_MM**2 + (RADIUS_MM - 2.0) ** 2)
    assert found.part_inner_ratio == pytest.approx(share, abs=0.002)
    assert found.part_to_scan_max_mm < 1e-9 and found.part_invented_ratio == 0.0


def test_a_spike_is_not_excused_as_invented() -> None:
    # A needle left in front of the surface: the scan at its foot is kept by the part around it.
    needle = trimesh.creation.cylinder(radius=1.0, height=20.0, sections=16)
    needle.apply_translation([0.0, 0.0, RADIUS_MM + 9.0])
    part = _part(trimesh.boolean.union([_sphere(), needle], engine="manifold"))
    found = compare(_part(_sphere()), part)
    assert found.part_to_scan_max_mm == pytest.approx(19.0, abs=0.5)
    assert found.part_invented_ratio == found.part_inner_ratio == 0.0


def test_a_filled_hole_is_invented_and_a_lost_bump_is_not() -> None:
    sphere = _sphere()
    holed = sphere.submesh([sphere.triangles_center[:, 2] < 47.0], append=True)
    found = compare(_part(holed), _part(sphere))
    # Cap of a sphere, 2·π·R·h over 4·π·R² (CRC), without the strip that is within reach of the rim.
    assert found.part_invented_ratio == pytest.approx(3.0 / 100.0, abs=0.004)
    flattened = np.asarray(sphere.vertices).copy()
    flattened[:, 2] = np.minimum(flattened[:, 2], 47.0)
    lost = compare(_part(sphere), _part(trimesh.Trimesh(flattened, sphere.faces, process=False)))
    assert lost.part_invented_ratio == lost.part_inner_ratio == 0.0
    assert lost.scan_to_part_max_mm == pytest.approx(3.0, abs=0.1)


def test_debris_counts_until_the_reference_is_without_it() -> None:
    speck = _sphere(5.0, fineness=2)
    speck.apply_translation([80.0, 0.0, 0.0])
    clean = _part(_sphere())
    dirty = _part(trimesh.util.concatenate([_sphere(), speck]))
    found = compare(dirty, clean)
    share = speck.area / (speck.area + _sphere().area)
    assert 1.0 - found.covered_ratio == pytest.approx(share, abs=1e-3)
    assert found.scan_to_part_max_mm == pytest.approx(35.0, abs=0.5)
    assert compare(clean, clean).covered_ratio == 1.0


def test_against_two_other_libraries(textured_bunny: object) -> None:
    from vtkmodules.util.numpy_support import numpy_to_vtk, numpy_to_vtkIdTypeArray
    from vtkmodules.vtkCommonCore import mutable, vtkPoints
    from vtkmodules.vtkCommonDataModel import vtkCellArray, vtkPolyData, vtkStaticCellLocator

    mesh = trimesh.load(textured_bunny, process=False)
    scan = _part(mesh).in_unit(100.0 / float(np.ptp(mesh.vertices, axis=0).max()))
    rng = np.random.default_rng(4)
    part = scan.with_mesh(scan.vertices + rng.normal(size=scan.vertices.shape) * 0.4, scan.faces)
    found = compare(scan, part, samples=3000)
    chosen = np.flatnonzero(np.isfinite(found.distances))[::6]
    points = found.points[chosen]

    surface = vtkPolyData()
    corners = vtkPoints()
    corners.SetData(numpy_to_vtk(scan.vertices, deep=True))
    surface.SetPoints(corners)
    cells = vtkCellArray()
    rows = np.hstack([np.full((len(scan.faces), 1), 3), scan.faces]).astype(np.int64).reshape(-1)
    cells.ImportLegacyFormat(numpy_to_vtkIdTypeArray(rows, deep=True))
    surface.SetPolys(cells)
    locator = vtkStaticCellLocator()
    locator.SetDataSet(surface)
    locator.BuildLocator()
    by_vtk = []
    for point in points:
        place, cell, part_id, squared = [0.0] * 3, mutable(0), mutable(0), mutable(0.0)
        locator.FindClosestPoint(point, place, cell, part_id, squared)
        by_vtk.append(float(squared) ** 0.5)
    # The locator keeps coordinates in single precision here and there: 1e-5 of the part's size.
    assert found.distances[chosen] == pytest.approx(by_vtk, abs=1e-3)

    # trimesh measures point to triangle; against every triangle there is no index to go wrong.
    triangles = scan.vertices[scan.faces]
    for point, ours in zip(points[::40], found.distances[chosen][::40], strict=True):
        nearest = trimesh.triangles.closest_point(triangles, np.tile(point, (len(triangles), 1)))
        assert ours == pytest.approx(np.linalg.norm(nearest - point, axis=1).min(), abs=1e-9)


def test_the_same_twice_and_inputs_untouched() -> None:
    scan, part = _part(_sphere(fineness=3)), _part(_sphere(RADIUS_MM + 1.0, fineness=3))
    digests = scan.digest(), part.digest()
    first, second = compare(scan, part), compare(scan, part)
    for f in fields(Fidelity):
        assert np.array_equal(getattr(first, f.name), getattr(second, f.name), equal_nan=True)
    assert (scan.digest(), part.digest()) == digests


def test_distances_by_face_for_the_picture() -> None:
    scan = _part(_sphere())
    bump = scan.vertices * np.where(scan.vertices[:, 2:] > 40.0, 1.02, 1.0)
    part = scan.with_mesh(bump, scan.faces)
    far, invented = by_face(part, compare(scan, part))
    height = part.vertices[part.faces][:, :, 2]
    assert far.shape == invented.shape == (len(part.faces),)
    assert far[height.min(axis=1) > 43.0] == pytest.approx(1.0, abs=0.1)
    # A face takes the nearest sample, which may be one sample's spacing away.
    assert np.abs(far[height.max(axis=1) < 38.0]).max() < 1e-9
    assert not invented.any()


def test_a_large_face_is_judged_by_its_own_samples() -> None:
    # A bowl whose lid is a fan of long triangles: all of it is invented, up to the corners it shares.
    bowl = _half(_sphere(), 0.0, cap=False)
    lid = trimesh.creation.revolve([(0.0, 0.0), (RADIUS_MM, 0.0)], sections=64)
    part = _part(trimesh.util.concatenate([bowl, lid]))
    far, invented = by_face(part, compare(_part(bowl), part))
    on_lid = np.arange(len(part.faces)) >= len(bowl.faces)
    assert invented[on_lid].all() and np.isnan(far[on_lid]).all()
    assert invented[~on_lid].mean() < 0.02


def test_when_everything_was_cut_off_nothing_is_claimed() -> None:
    part = _part(_sphere()).with_plane(Plane("cut", (0.0, 0.0, -60.0), (0.0, 0.0, -1.0)))
    gone = part.with_plane(Plane("cut", (0.0, 0.0, -60.0), (0.0, 0.0, 1.0)))
    facts = compare(_part(_sphere()), gone).as_facts()
    assert facts["scan_to_part_p95_mm"] is None and facts["covered_ratio"] is None
    assert facts["scan_cut_off_ratio"] == 1.0 and facts["part_flat_ratio"] == 1.0


@pytest.mark.parametrize("faces", [np.zeros((0, 3), int), np.array([[0, 0, 1]])])
def test_a_surface_without_area_is_refused(faces: NDArray[np.int64]) -> None:
    with pytest.raises(ValueError, match="without area"):
        compare(_part(_sphere(fineness=1)), Part(np.eye(3), faces))
