"""Winding numbers by counting walls, against those worked out one by one."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
import trimesh
from fettlebox_steps.geometry.near_walls import know_near_walls
from fettlebox_steps.geometry.sparse_grid import STEP, LevelGrid, pack
from fettlebox_steps.geometry.volumetric import BACKWARD, WindingField
from fettlebox_steps.geometry.wall_hits import wall_hits
from fettlebox_steps.geometry.winding import WindingTree


class Counting:
    """A field that counts what it is asked for."""

    def __init__(self, field: WindingField) -> None:
        self.field, self.asked = field, 0

    def values(self, points: np.ndarray) -> np.ndarray:
        self.asked += len(points)
        return self.field.values(points)

    def heights(self, values: np.ndarray) -> np.ndarray:
        return self.field.heights(values)

    def exact_heights(self, points: np.ndarray) -> np.ndarray:
        return self.field.exact_heights(points)


def told(vertices: np.ndarray, faces: np.ndarray, cell_mm: float) -> tuple[LevelGrid, Counting]:
    """A grid that knows the corners beside walls; each end of a cut edge is among them, each once."""
    field = Counting(WindingField(WindingTree.of(vertices, faces), 0.5))
    grid = LevelGrid(field, vertices.min(axis=0) - 0.37 * cell_mm, cell_mm)
    hits = wall_hits((vertices - grid.origin) / cell_mm, faces)
    know_near_walls(grid, hits, vertices, faces)
    keys = grid.corners.keys[: grid.corners.count]
    low = pack(hits.cell)
    assert np.array_equal(np.sort(keys), np.unique(np.r_[low, low + STEP[hits.axis]]))
    return grid, field


def errors(grid: LevelGrid, field: Counting) -> np.ndarray:
    exact = field.field.tree.at(grid.points(grid.corners.keys[: grid.corners.count]))
    same = (exact > 0.5) | (exact < BACKWARD)
    near = (np.abs(exact - 0.5) < 0.02) | (np.abs(exact - BACKWARD) < 0.02)
    assert (((field.heights(grid.corner_values) > 0) == same) | near).all()
    return np.abs(grid.corner_values - exact)


def test_a_closed_surface_is_asked_at_few_corners(sphere: Callable) -> None:
    ball = sphere(50.0, 5)
    grid, field = told(ball.vertices, ball.faces, 1.4)
    assert errors(grid, field).max() < 0.06
    assert field.asked < 0.1 * grid.corners.count


@pytest.mark.parametrize("seed", range(4))
def test_an_open_raw_scan_is_told_apart_as_one_by_one(
    raw_scan: Callable, sphere: Callable, seed: int
) -> None:
    scan = raw_scan(sphere(50.0, 5), seed, noise_mm=0.3, cut_share=0.3)
    errors(*told(scan.vertices, scan.faces, 1.4))


def test_bodies_in_one_another_and_inside_out_count_as_they_are(sphere: Callable) -> None:
    ball = sphere(50.0, 5)
    vertices = np.r_[ball.vertices, ball.vertices * 0.6, ball.vertices + np.array([40.0, 0, 0])]
    n = len(ball.vertices)
    faces = np.r_[ball.faces, ball.faces[:, ::-1] + n, ball.faces + 2 * n]
    grid, field = told(vertices, faces, 2.0)
    assert errors(grid, field).max() < 0.15  # a quick number errs by 0.05 for each of the bodies
    assert set(np.round(grid.corner_values).astype(int)) == {0, 1, 2}


def test_a_wall_made_finer_in_part_has_no_rim() -> None:
    box = trimesh.creation.box((60, 60, 60))
    vertices, faces = np.asarray(box.vertices), np.asarray(box.faces)
    for _ in range(4):  # one half of the box finer than the other, edge to edge in halves only
        fine = vertices[faces].mean(axis=1)[:, 0] > -1
        more, corners = trimesh.remesh.subdivide(vertices, faces[fine])
        rest = faces[~fine]
        vertices, faces = np.r_[vertices, more], np.r_[rest, corners + len(vertices)]
    grid, field = told(vertices, faces, 1.1)
    assert errors(grid, field).max() < 0.06
    assert field.asked < 0.1 * grid.corners.count
