"""What hangs over as a part stands on the bed, and the support that it takes.

The support of an underside fills the column below it, down to the bed or to the part. Columns are those of
`support_columns`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import ArrayLike, NDArray

from .measures import area_vectors
from .support_columns import SHIFT, crossings, unit_normals

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]

COARSEST_CELL_MM = 0.5
FINEST_CELL_MM = 0.1
COLUMNS_ACROSS = 400
"""Columns stand half a millimetre apart or closer, for support counts whole columns: a part has 400 of them
across its width, which keeps the error of a shape by hand well under two percent."""


@dataclass(frozen=True, eq=False)
class Support:
    """Support that stands on the bed, and support that would stand on the part itself.

    on_bed_mm3, on_part_mm3        how much space it fills
    on_bed_mm2, on_part_mm2  (k,)  how much of each layer
    """

    on_bed_mm3: float
    on_part_mm3: float
    on_bed_mm2: Floats
    on_part_mm2: Floats


def lean_deg(vertices: Floats, faces: Ints) -> Floats:
    """(m,) how far each face leans out over what is below: 0 for walls and tops, 90 for a flat underside."""
    vectors = area_vectors(vertices, faces)
    length = np.linalg.norm(vectors, axis=1)
    down = np.divide(-vectors[:, 2], length, out=np.zeros(len(faces)), where=length > 0)
    return np.asarray(np.degrees(np.arcsin(np.clip(down, 0.0, 1.0))), np.float64)


def on_bed(vertices: Floats, faces: Ints, within_mm: float) -> NDArray[np.bool_]:
    """(m,) whether a face lies on the bed, which is where the part is lowest."""
    low = vertices[faces, 2].min() if len(faces) else 0.0
    return np.asarray((vertices[faces, 2] <= low + within_mm).all(axis=1))


def support(
    vertices: ArrayLike,
    faces: ArrayLike,
    beyond_deg: float,
    height_mm: ArrayLike,
    cell_mm: float | None = None,
) -> Support:
    """Measure the support of a closed surface (n,3), (m,3) for undersides that lean beyond an angle.

    height_mm (k,) are middles of layers, evenly spaced, at which the support's area is told.
    """
    points = np.ascontiguousarray(vertices, np.float64)
    corners = np.ascontiguousarray(faces, np.int32)
    heights = np.ascontiguousarray(height_mm, np.float64)
    mask = np.zeros(len(points), np.bool_)
    mask[corners] = True
    used = points[mask]
    low = used.min(axis=0)
    if cell_mm is None:
        wide = float(np.ptp(used[:, :2], axis=0).max())
        cell_mm = min(max(wide / COLUMNS_ACROSS, FINEST_CELL_MM), COARSEST_CELL_MM)
    on_grid = points.copy()
    on_grid[:, :2] = (points[:, :2] - low[:2]) / cell_mm + SHIFT
    columns, rows = (int(most) + 2 for most in on_grid[:, :2].max(axis=0))
    starts, at, kind = crossings(
        on_grid, corners, unit_normals(points, corners), np.array([0.0, 0.0, 1.0]), columns, rows,
        float(np.sin(np.radians(beyond_deg))),
    )  # fmt: skip
    volume, area = np.zeros(2), np.zeros((2, len(heights)))
    _add_up(starts, at, kind, float(low[2]), heights, volume, area)
    cell = cell_mm * cell_mm
    return Support(float(volume[0] * cell), float(volume[1] * cell), area[0] * cell, area[1] * cell)


@njit(cache=True)
def _add_up(starts, at, kind, bed, heights, volume, area):
    """Row 0: what stands on the bed. Row 1: what stands on the part."""
    for line in range(len(starts) - 1):
        past, row = bed, 0
        for k in range(starts[line], starts[line + 1]):
            if kind[k] == 1:
                past, row = at[k], 1
            elif kind[k] == 2 and at[k] > past:
                volume[row] += at[k] - past
                first = np.searchsorted(heights, past)
                last = np.searchsorted(heights, at[k])
                for layer in range(first, last):
                    area[row, layer] += 1.0
