"""The sparse grid: keys, numbers, and a field whose border is known."""

from __future__ import annotations

import numpy as np
import trimesh
from fettlebox_steps.geometry.grid_places import border_places, placed
from fettlebox_steps.geometry.sparse_grid import KeySet, LevelGrid, pack, unpack
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@settings(deadline=None)  # the first example compiles
@given(st.lists(st.tuples(*[st.integers(-(2**20), 2**20 - 1)] * 3), min_size=1, max_size=20))
def test_keys_are_read_back(cells: list[tuple[int, int, int]]) -> None:
    assert unpack(pack(np.array(cells))).tolist() == [list(c) for c in cells]


@settings(deadline=None)  # the first example compiles
@given(st.lists(st.lists(st.integers(0, 10**12), max_size=4000), max_size=6))
def test_numbers_are_those_of_a_dictionary(batches: list[list[int]]) -> None:
    numbers: dict[int, int] = {}
    keys = KeySet()
    for batch in batches:
        found = keys.add(np.array(batch, np.int64))
        assert found.tolist() == [numbers.setdefault(k, len(numbers)) for k in batch]
        asked = [*batch, 10**13]
        assert keys.find(np.array(asked, np.int64)).tolist() == [numbers.get(k, -1) for k in asked]
    assert keys.count == len(numbers)


class _Ball:
    def values(self, points: Floats) -> Floats:
        return np.asarray(3.7 - np.linalg.norm(points, axis=1))

    def heights(self, values: Floats) -> Floats:
        return values

    def exact_heights(self, points: Floats) -> Floats:
        return self.values(points)


def test_a_ball_is_followed_from_one_place_and_lies_where_it_should() -> None:
    grid = LevelGrid(_Ball(), np.array([0.01, 0.02, 0.03]), 0.25)
    start = grid.borders(pack(np.array([[0, 0, 0]])), 0, 32)
    assert len(start) == 4
    grid.follow(start)
    surface = grid.surface()
    places = border_places(grid, surface.starts, surface.axes)
    vertices = placed(grid, surface, places)
    radius = np.linalg.norm(vertices, axis=1)
    assert np.abs(radius - 3.7).max() < 0.006, "no more than what is kept from the corners of the grid"
    assert np.median(np.abs(radius - 3.7)) < 1e-6
    mesh = trimesh.Trimesh(vertices, surface.faces, process=False)
    assert mesh.is_watertight
    assert mesh.euler_number == 2
    assert 0.99 < mesh.volume / (4 / 3 * np.pi * 3.7**3) < 1
