"""The surface at a depth: never less deep than promised."""

from __future__ import annotations

import tracemalloc

import igl
import numpy as np
import pytest
import trimesh
from fettlebox_steps.geometry import wall_distance
from fettlebox_steps.geometry.cavity import cell_for, inner_wall, sag_mm
from fettlebox_steps.geometry.column_signs import columns
from fettlebox_steps.geometry.distance import DistanceTree


def _spiky() -> trimesh.Trimesh:
    """A ball with sharp dents, around which the inner wall bends most."""
    ball = trimesh.creation.icosphere(4, radius=20.0)
    way = np.asarray(ball.vertices) / 20.0
    dent = np.clip(np.sin(9 * way[:, 0]) * np.sin(8 * way[:, 1] + 1) - 0.6, 0, 1)
    return trimesh.Trimesh(way * (20 - 12 * dent)[:, None], ball.faces, process=False)


@pytest.mark.parametrize("cells", [1.5, 2.5, 4.0])
def test_no_point_is_less_deep_than_the_wall_and_the_spare_on_any_grid(cells: float) -> None:
    mesh = _spiky()
    vertices, faces = np.array(mesh.vertices), np.array(mesh.faces, np.int64)
    wall_mm = 2.0
    made = inner_wall(vertices, faces, DistanceTree.of(vertices, faces), wall_mm, 0.01, wall_mm / cells)
    inner = trimesh.Trimesh(made.vertices, made.faces, process=False)
    assert inner.is_watertight
    assert inner.volume > 0
    points = np.concatenate([made.vertices, trimesh.sample.sample_surface(inner, 5000, seed=1)[0]])
    squared, _, _ = igl.point_mesh_squared_distance(np.ascontiguousarray(points), vertices, faces)
    depth = np.sqrt(np.asarray(squared))
    assert depth.min() >= wall_mm + 0.01 - 1e-9
    assert made.level_mm == pytest.approx(wall_mm + 0.01 + sag_mm(wall_mm / cells, wall_mm))


def test_a_thin_plate_has_no_inside_left() -> None:
    mesh = trimesh.creation.box((40, 40, 3.0))
    vertices, faces = np.array(mesh.vertices), np.array(mesh.faces, np.int64)
    made = inner_wall(vertices, faces, DistanceTree.of(vertices, faces), 2.0, 0.0, 0.5)
    assert not len(made.faces)


def test_cells_grow_with_parts_that_would_not_fit_memory() -> None:
    low = np.zeros(3)
    assert cell_for(low, low + 100, 2.0) == pytest.approx(2.0 / 4)
    large = cell_for(low, low + 3000, 2.0)
    assert large > 0.9
    assert (3000 / large) ** 2 < 1.01 * 3000 * 3000


@pytest.mark.parametrize(("feet", "byte"), [(True, 20), (False, 8)])
def test_the_slices_of_a_grid_take_no_more_memory_than_is_said(
    feet: bool, byte: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """By Python's tracemalloc, which numpy tells of every array."""
    mesh = trimesh.creation.box((10.0, 60.0, 60.0))
    vertices, faces = np.array(mesh.vertices), np.array(mesh.faces, np.int64)
    size, cell_mm, origin = (41, 250, 250), 0.25, np.array([-5.1, -31.2, -31.3])
    tree = DistanceTree.of(vertices, faces)
    grid = wall_distance.DepthGrid(
        tree, columns(vertices, faces, origin, cell_mm, *size[:2]), origin, cell_mm, size
    )
    corners = 7 * size[1] * size[2]
    monkeypatch.setattr(wall_distance, "MOST_CORNERS", corners)
    for _ in grid.runs(2.0, feet=feet):  # compiled
        break
    firsts = []
    tracemalloc.start()
    try:
        for first, values, _ in grid.runs(2.0, feet=feet):
            firsts.append(first)
            assert len(values) <= 7
        most = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert firsts == list(range(0, 40, 6))
    assert 0.9 * byte * corners < most < 1.05 * byte * corners
