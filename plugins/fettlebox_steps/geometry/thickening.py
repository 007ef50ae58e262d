"""Sheets become solids: all that lies within half a thickness of a surface, alone or joined to a solid."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .distance import DistanceTree
from .grid_places import border_places, placed
from .sparse_grid import STEP, Field, Floats, Keys, LevelGrid, distinct
from .volumetric import ClosedSurface, WindingField
from .wall_hits import wall_hits
from .winding import WindingTree

Ints = NDArray[np.int64]

CELLS_PER_THICKNESS = 3.0
"""Grid cells across a sheet: with fewer, its two sides would meet in one cell."""


@dataclass(frozen=True, eq=False)
class SheetField:
    """Inside within `half_mm` of a surface. Values are distances in mm."""

    tree: DistanceTree
    half_mm: float

    def values(self, points: Floats) -> Floats:
        return self.tree.at(points)

    def heights(self, values: Floats) -> Floats:
        return self.half_mm - values

    def exact_heights(self, points: Floats) -> Floats:
        return self.heights(self.values(points))


@dataclass(frozen=True, eq=False)
class UnionField:
    """Inside either of two fields. Values are heights: that of winding numbers in steps of a thickness."""

    solid: Field
    sheet: SheetField

    def values(self, points: Floats) -> Floats:
        solid = self.solid.heights(self.solid.values(points)) * self.sheet.half_mm
        return np.maximum(solid, self.sheet.exact_heights(points))

    def heights(self, values: Floats) -> Floats:
        return values

    def exact_heights(self, points: Floats) -> Floats:
        solid = self.solid.exact_heights(points) * self.sheet.half_mm
        return np.maximum(solid, self.sheet.exact_heights(points))


def thicken(
    vertices: ArrayLike,
    sheet_faces: ArrayLike,
    cell_mm: float,
    thickness_mm: float,
    solid_faces: ArrayLike | None = None,
    *,
    iso: float = 0.5,
) -> ClosedSurface:
    """The closed surface around a sheet of `thickness_mm`, joined to what `solid_faces` wind around.

    vertices (n,3) mm; sheet_faces (m,3); solid_faces (k,3) or None for a sheet alone. Every vertex counts as
    free. Raises ValueError when there are no sheet faces, or fewer than three cells go into the thickness.
    """
    if thickness_mm < CELLS_PER_THICKNESS * cell_mm * (1 - 1e-9):
        raise ValueError(f"{thickness_mm} mm is less than {CELLS_PER_THICKNESS:g} cells of {cell_mm} mm")
    points = np.ascontiguousarray(vertices, dtype=np.float64)
    sheet = np.ascontiguousarray(sheet_faces, dtype=np.int64)
    around = SheetField(DistanceTree.of(points, sheet), thickness_mm / 2)
    field: Field = around
    walls = sheet
    if solid_faces is not None and len(np.asarray(solid_faces)):
        walls = np.ascontiguousarray(solid_faces, dtype=np.int64)
        field = UnionField(WindingField(WindingTree.of(points, walls), iso), around)
        walls = np.concatenate([walls, sheet])
    origin = points[walls].reshape(-1, 3).min(axis=0) - thickness_mm - 0.5 * cell_mm
    grid = LevelGrid(field, origin, cell_mm)
    grid.follow(_seeds(grid, points, walls, thickness_mm))
    surface = grid.surface()
    places = border_places(grid, surface.starts, surface.axes)
    free = np.ones(len(places), dtype=np.bool_)
    return ClosedSurface(placed(grid, surface, places), surface.faces, free, grid.cells.count)


def _seeds(grid: LevelGrid, points: Floats, faces: Ints, thickness_mm: float) -> Keys:
    """Cells at the surface, looked for in both directions from wherever the faces cut the grid."""
    steps = 1 << int(np.ceil(np.log2(thickness_mm / 2 / grid.cell_mm + 2)))
    hits = wall_hits((points - grid.origin) / grid.cell_mm, faces)
    found = []
    for axis in range(3):
        low = distinct(hits.low[hits.axis == axis])
        found += [grid.borders(low, axis, steps), grid.borders(low - (steps - 1) * STEP[axis], axis, steps)]
    return distinct(np.concatenate(found))
