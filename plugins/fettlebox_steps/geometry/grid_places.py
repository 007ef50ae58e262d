"""Where on their grid edges the vertices of a grid surface lie."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .crossings import crossing_in_groups
from .sparse_grid import STEP, Floats, GridFaces, LevelGrid

Ints = NDArray[np.int64]

NEAR_CORNER = 0.02
"""Vertices keep this share of a cell from the corners of the grid, so that no triangle degenerates."""

ROUNDS = 6
"""Rounds of regula falsi: to about a hundredth of a cell."""


HALVINGS = 6
"""How often a vertex is moved half the way to the middle of its edge before it is put there."""


def border_places(grid: LevelGrid, starts: Ints, axes: Ints) -> Floats:
    """Places (n,), 0 to 1, where the inside ends on edges from corners (n,) along axes (n,).

    Regula falsi in the variant called "Illinois": M. Dowell, P. Jarratt, "A modified regula falsi method",
    1971.
    """
    if not len(starts):
        return np.empty(0)
    keys = grid.corners.keys[starts]
    base = grid.points(keys)
    way = np.eye(3)[axes] * grid.cell_mm
    a, b = np.zeros(len(starts)), np.ones(len(starts))
    fa = grid.field.heights(grid.corner_values[starts])
    fb = grid.field.heights(grid.corner_values[grid.corners.find(keys + STEP[axes])])
    side = np.zeros(len(starts), dtype=np.int64)
    for _ in range(ROUNDS):
        margin = 0.05 * (b - a)
        place = np.clip(a + (b - a) * fa / (fa - fb), a + margin, b - margin)
        value = grid.field.exact_heights(base + way * place[:, None])
        left = (value > 0) == (fa > 0)
        fb = np.where(left & (side == 1), fb / 2, fb)
        fa = np.where(~left & (side == -1), fa / 2, fa)
        a, fa = np.where(left, place, a), np.where(left, value, fa)
        b, fb = np.where(left, b, place), np.where(left, fb, value)
        side = np.where(left, 1, -1)
    return np.asarray(a + (b - a) * fa / (fa - fb))


def placed(grid: LevelGrid, surface: GridFaces, places: Floats) -> Floats:
    """Vertices (n,3) in mm at the given places of their edges, so that no faces cross.

    Faces stay in their cell, so only those of one cell can cross. Where they do, their vertices move to
    the middle of their edges: with all of a cell's vertices there, none of its faces cross.
    """
    base = grid.points(grid.corners.keys[surface.starts])
    along = np.clip(places, NEAR_CORNER, 1 - NEAR_CORNER)
    rows = np.arange(len(base))
    cell_of = np.repeat(np.arange(len(surface.first) - 1), np.diff(surface.first))
    halvings = 0
    while True:
        vertices = base.copy()
        vertices[rows, surface.axes] += along * grid.cell_mm
        bad = crossing_in_groups(vertices, surface.faces, surface.first)
        if not bad.any():
            return vertices
        bad_cells = np.zeros(len(surface.first) - 1, dtype=np.bool_)
        bad_cells[cell_of[bad]] = True
        touched = np.unique(surface.faces[bad_cells[cell_of]])
        along[touched] = 0.5 + (along[touched] - 0.5) / 2 if halvings < HALVINGS else 0.5
        halvings += 1
