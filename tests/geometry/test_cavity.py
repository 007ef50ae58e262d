"""The surface at a depth: never less deep than promised."""

from __future__ import annotations

import igl
import numpy as np
import pytest
import trimesh
from fettlebox_steps.geometry.cavity import cell_for, inner_wall, sag_mm
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
