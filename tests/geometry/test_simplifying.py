"""The stated distance is held against VTK's closest points, which have no part in the simplification."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from fettlebox_steps.geometry.crossings import crossing_faces
from fettlebox_steps.geometry.measures import area_vectors, is_closed, volume_and_centroid
from fettlebox_steps.geometry.plane_cut import cut_above
from fettlebox_steps.geometry.quadrics import point_triangle_sq
from fettlebox_steps.geometry.simplifying import largest_distance, simplified
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]


def arrays(mesh: trimesh.Trimesh) -> tuple[Floats, Ints]:
    return np.array(mesh.vertices, dtype=np.float64), np.array(mesh.faces, dtype=np.int32)


def no_flats(points: Floats) -> NDArray[np.int64]:
    return np.zeros(len(points), dtype=np.int64)


def distances(points: Floats, vertices: Floats, faces: Ints) -> Floats:
    """(n,) distances of points to a surface, by VTK."""
    from vtkmodules.util.numpy_support import numpy_to_vtk, numpy_to_vtkIdTypeArray, vtk_to_numpy
    from vtkmodules.vtkCommonCore import vtkDoubleArray, vtkPoints
    from vtkmodules.vtkCommonDataModel import vtkCellArray, vtkPolyData
    from vtkmodules.vtkFiltersCore import vtkImplicitPolyDataDistance

    corners, cells, surface = vtkPoints(), vtkCellArray(), vtkPolyData()
    corners.SetData(numpy_to_vtk(vertices, deep=True))
    cells.SetData(3, numpy_to_vtkIdTypeArray(faces.astype(np.int64).ravel(), deep=True))
    surface.SetPoints(corners)
    surface.SetPolys(cells)
    measure, found = vtkImplicitPolyDataDistance(), vtkDoubleArray()
    measure.SetInput(surface)
    measure.FunctionValue(numpy_to_vtk(points, deep=True), found)
    return np.abs(vtk_to_numpy(found))


def bumpy_ball() -> tuple[Floats, Ints]:
    mesh = trimesh.creation.icosphere(5, radius=30.0)
    points, faces = arrays(mesh)
    x, y, z = (points / 30.0).T
    grow = 1 + 0.03 * np.sin(9 * x) * np.cos(7 * y) + 0.02 * np.sin(15 * z)
    grow += np.random.default_rng(3).normal(size=len(points)) * 0.0003
    return points * grow[:, None], faces


@pytest.mark.parametrize("within_mm", [0.02, 0.1, 0.5])
def test_distance_is_kept_and_stated_truly(within_mm: float) -> None:
    # M. Garland, P. Heckbert 1997: fewer triangles by quadric error; the bound is ours, the measure VTK's.
    points, faces = bumpy_ball()
    fewer, stated_mm = simplified(points, faces, within_mm, 0, no_flats(points))
    assert len(fewer) < len(faces) * (0.8 if within_mm < 0.05 else 0.4)
    small = trimesh.Trimesh(points, fewer, process=False)
    one = distances(points, points, fewer).max()
    spread = trimesh.sample.sample_surface(small, 20_000, seed=5)[0]
    other = distances(spread, points, faces).max()
    assert one <= stated_mm * (1 + 1e-6) + 1e-9
    assert other <= within_mm * 1.05
    assert stated_mm <= within_mm


def test_result_is_sound() -> None:
    points, faces = bumpy_ball()
    fewer, _ = simplified(points, faces, 0.1, 0, no_flats(points))
    assert is_closed(fewer)
    assert not crossing_faces(points, fewer).any()
    mesh = trimesh.Trimesh(points, fewer, process=False)
    mesh.remove_unreferenced_vertices()
    assert mesh.euler_number == 2
    assert mesh.volume == pytest.approx(volume_and_centroid(points, faces)[0], rel=2e-3)


@pytest.mark.parametrize("genus_mesh", ["ring", "two rings"])
def test_holes_stay(genus_mesh: str) -> None:
    ring = trimesh.creation.torus(30.0, 9.0, major_sections=96, minor_sections=48)
    points, faces = arrays(ring)
    if genus_mesh == "two rings":
        points = np.concatenate([points, points[:, [1, 2, 0]] + [30.0, 0, 0]])
        faces = np.concatenate([faces, faces + len(points) // 2]).astype(np.int32)
    fewer, _ = simplified(points, faces, 0.3, 0, no_flats(points))
    mesh = trimesh.Trimesh(points, fewer, process=False)
    mesh.remove_unreferenced_vertices()
    # V − E + F = 2(c − g), and a ring has g = 1 for each c.
    assert mesh.euler_number == 0
    assert len(fewer) < len(faces) / 3


def test_count_is_met() -> None:
    points, faces = bumpy_ball()
    fewer, _ = simplified(points, faces, np.inf, 5000, no_flats(points))
    assert 4999 <= len(fewer) <= 5000
    assert is_closed(fewer)


def test_flat_faces_stay_exactly_flat() -> None:
    points, faces = arrays(trimesh.creation.icosphere(5, radius=30.0))
    up = np.array([0.1, -0.2, 0.97])
    up /= np.linalg.norm(up)
    plane = np.array([1.0, 2.0, -12.0])
    made = cut_above(points, faces, plane, up)
    flat = no_flats(made.vertices)
    flat[np.unique(made.faces[made.cap])] = 1
    fewer, _ = simplified(made.vertices, made.faces, 0.2, 0, flat)
    assert len(fewer) < len(made.faces) / 2 and is_closed(fewer)
    in_plane = (np.abs((made.vertices - plane) @ up) < 1e-11)[fewer].all(axis=1)

    def area(chosen: Ints) -> float:
        return float(np.linalg.norm(area_vectors(made.vertices, chosen), axis=1).sum())

    outline_mm = 2 * np.pi * 28.0
    assert area(fewer[in_plane]) == pytest.approx(area(made.faces[made.cap]), abs=0.2 * outline_mm)
    normals = area_vectors(made.vertices, fewer[in_plane])
    assert (normals @ up / np.linalg.norm(normals, axis=1) < -1 + 1e-9).all()


def test_open_edges_stay() -> None:
    points, faces = bumpy_ball()
    opened = faces[points[faces][:, :, 2].mean(axis=1) > -10]
    fewer, _ = simplified(points, opened, 0.1, 0, no_flats(points))

    def rim(chosen: Ints) -> set[tuple[int, int]]:
        edges = {(a, b) for t in chosen.tolist() for a, b in zip(t, t[1:] + t[:1], strict=True)}
        return {e for e in edges if e[::-1] not in edges}

    assert rim(fewer) == rim(opened)
    assert len(fewer) < len(opened) / 2


def test_pinched_vertices_are_left_alone() -> None:
    one = trimesh.creation.icosphere(3, radius=10.0)
    points, faces = arrays(one)
    top = int(points[:, 2].argmax())
    other = faces + len(points)
    other[other == top + len(points)] = top
    both = np.concatenate([points, points * [1, 1, -1] + [0, 0, 2 * points[top, 2]]])
    fewer, _ = simplified(
        both, np.concatenate([faces, other[:, ::-1]]).astype(np.int32), 0.2, 0, no_flats(both)
    )
    assert (fewer == top).any() and is_closed(fewer)


def test_distance_of_a_point_and_a_triangle() -> None:
    rng = np.random.default_rng(4)
    for _ in range(300):
        a, b, c, p = rng.normal(size=(4, 3))
        expected = trimesh.triangles.closest_point(np.array([[a, b, c]]), p[None])[0]
        assert point_triangle_sq(p, a, b, c) == pytest.approx(
            ((p - expected) ** 2).sum(), rel=1e-9, abs=1e-12
        )


def test_measured_distance_of_a_known_change() -> None:
    """A tent two high over a square, and the square without it."""
    points = np.array([[0, 0, 0], [10, 0, 0], [10, 10, 0], [0, 10, 0], [5, 5, 2.0]])
    tent = np.array([[0, 1, 4], [1, 2, 4], [2, 3, 4], [3, 0, 4]], dtype=np.int32)
    flat = np.array([[0, 1, 2], [0, 2, 3]], dtype=np.int32)
    assert largest_distance(points, tent, flat) == pytest.approx(2.0)


def test_input_is_untouched_and_the_result_is_the_same_again() -> None:
    points, faces = bumpy_ball()
    before = points.tobytes(), faces.tobytes()
    one, _ = simplified(points, faces, 0.1, 0, no_flats(points))
    two, _ = simplified(points, faces, 0.1, 0, no_flats(points))
    assert (points.tobytes(), faces.tobytes()) == before
    assert one.tobytes() == two.tobytes()


def test_progress_rises_and_what_it_raises_goes_through() -> None:
    points, faces = bumpy_ball()
    told: list[float] = []
    simplified(points, faces, 0.1, 0, no_flats(points), told.append)
    assert told and told == sorted(told) and told[0] == 0.0 and told[-1] < 1.0

    def cancel(fraction: float) -> None:
        if fraction:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        simplified(points, faces, 0.1, 0, no_flats(points), cancel)
