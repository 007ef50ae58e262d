"""What liquid stays in a hollow that is drained through holes, as the part stands.

Liquid runs out of a place if it can get to a hole without rising. So the level that stays at a place is the
lowest of all the highest points that ways to a hole go over (a flood by rising levels, as in L. Vincent,
P. Soille, "Watersheds in digital spaces", 1991), on a grid of cells.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from .column_signs import columns
from .drain_places import Hole

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]

MOST_CELLS = 3e6
"""Cells of the grid: a second of work, and a pocket of a thousandth of the hollow still has thousands."""

FINEST_MM = 0.2
"""No cells smaller than this: so thin a film clings to the wall anyhow."""


@dataclass(frozen=True, eq=False)
class Pocket:
    """Liquid that stays. volume_mm3; deep_mm; lowest (3,): its lowest place, in part coordinates."""

    volume_mm3: float
    deep_mm: float
    lowest: Floats


@dataclass(frozen=True, eq=False)
class HollowGrid:
    """The inside of a hollow as cells of a grid that stands upright. turn (3,3): from part to upright."""

    inside: Mask
    origin: Floats
    cell_mm: float
    turn: Floats

    @classmethod
    def of(cls, vertices: Floats, faces: Ints, turn: Floats) -> HollowGrid:
        """Of the closed surface (n,3), (m,3) of a hollow, which looks into it."""
        upright = np.ascontiguousarray(vertices @ turn.T)
        used = upright[np.unique(faces)]
        low, high = used.min(axis=0), used.max(axis=0)
        cell_mm = max(float((np.prod(high - low) / MOST_CELLS) ** (1 / 3)), FINEST_MM)
        origin = low + cell_mm * np.array([0.37, 0.31, 0.26])  # round numbers do not lie along the grid
        nx, ny, nz = (int(n) for n in np.ceil((high - origin) / cell_mm))
        found = columns(upright, np.ascontiguousarray(faces[:, ::-1]), origin, cell_mm, nx, ny)
        inside = _filled(found.start, found.height, found.into, nx, ny, nz)
        return cls(inside, origin, cell_mm, turn)

    def pockets(self, holes: list[Hole], radius_mm: float) -> list[Pocket]:
        """What stays in the hollow, the largest first."""
        from scipy import ndimage

        levels = _flood(self.inside, self._in_holes(holes, radius_mm))
        height = np.arange(self.inside.shape[2])
        stays = self.inside & (levels > height)
        label, _ = ndimage.label(stays)
        found = []
        for k, box in enumerate(ndimage.find_objects(label), start=1):
            cells = np.argwhere(label[box] == k) + [side.start for side in box]
            lowest = cells[np.argmin(cells[:, 2])]
            deep = levels[tuple(lowest)] - lowest[2]
            found.append(
                Pocket(
                    len(cells) * self.cell_mm**3,
                    float(min(deep, np.ptp(cells[:, 2]) + 1) * self.cell_mm),
                    np.asarray((self.origin + lowest * self.cell_mm) @ self.turn),
                )
            )
        return sorted(found, key=lambda pocket: -pocket.volume_mm3)

    def _in_holes(self, holes: list[Hole], radius_mm: float) -> Mask:
        """The cells of the hollow that a drill takes in, or comes within a cell of."""
        seeds = np.zeros(self.inside.shape, dtype=np.bool_)
        for hole in holes:
            start, axis = self.turn @ hole.start, self.turn @ hole.axis
            reach = radius_mm + 2 * self.cell_mm
            ends = np.stack([start - 2 * self.cell_mm * axis, start + hole.length_mm * axis])
            low = np.floor((ends.min(axis=0) - reach - self.origin) / self.cell_mm).astype(int)
            high = np.ceil((ends.max(axis=0) + reach - self.origin) / self.cell_mm).astype(int) + 1
            low, high = np.maximum(low, 0), np.minimum(high, self.inside.shape)
            if (low >= high).any():
                continue
            box = tuple(slice(a, b) for a, b in zip(low, high, strict=True))
            cells = np.stack(
                np.meshgrid(*(np.arange(a, b) for a, b in zip(low, high, strict=True)), indexing="ij"), -1
            )
            away = self.origin + cells * self.cell_mm - start
            along = away @ axis
            across = np.linalg.norm(away - along[..., None] * axis, axis=-1)
            seeds[box] |= (across <= radius_mm) & (along >= -2 * self.cell_mm) & (along <= hole.length_mm)
        return seeds & self.inside


@njit(cache=True)
def _filled(start, height, into, nx, ny, nz):
    inside = np.zeros((nx, ny, nz), dtype=np.bool_)
    for q in range(nx * ny):
        within = 0
        for p in range(start[q], start[q + 1] - 1):
            within += into[p]
            if within < 1:
                continue
            low = max(0, int(np.ceil(height[p])))
            high = min(nz - 1, int(np.floor(height[p + 1])))
            for k in range(low, high + 1):
                inside[q // ny, q % ny, k] = True
    return inside


@njit(cache=True)
def _flood(inside, seeds):
    """(nx,ny,nz) the level that stays in a cell. Cells are taken by rising level, equal ones as a stack."""
    nx, ny, nz = inside.shape
    far = np.int32(nz)
    levels = np.full((nx, ny, nz), far, dtype=np.int32)
    first = np.full(nz, -1, dtype=np.int64)
    following = np.full(nx * ny * nz, -1, dtype=np.int64)
    for i in range(nx):
        for j in range(ny):
            for k in range(nz):
                if seeds[i, j, k]:
                    cell = (i * ny + j) * nz + k
                    levels[i, j, k] = k
                    following[cell] = first[k]
                    first[k] = cell
    for level in range(nz):
        while first[level] >= 0:
            cell = first[level]
            first[level] = following[cell]
            i, j, k = cell // (ny * nz), cell // nz % ny, cell % nz
            for side in range(6):
                a = i + (side == 0) - (side == 1)
                b = j + (side == 2) - (side == 3)
                c = k + (side == 4) - (side == 5)
                if a < 0 or b < 0 or c < 0 or a >= nx or b >= ny or c >= nz:
                    continue
                if not inside[a, b, c] or levels[a, b, c] < far:
                    continue
                there = max(level, c)
                levels[a, b, c] = there
                other = (a * ny + b) * nz + c
                following[other] = first[there]
                first[there] = other
    return levels
