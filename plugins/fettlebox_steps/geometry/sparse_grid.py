"""A regular grid of which only the cells that a surface passes are kept.

The corners carry the values of a field, which is positive inside. The surface is found by following it
from cell to cell, from where it is known to pass.
"""

from __future__ import annotations

from typing import NamedTuple, Protocol

import numpy as np
from numba import njit
from numpy.typing import NDArray

from .cube_table import CORNERS, cube_table

HALF = 1 << 20
"""Grid coordinates are kept in 21 bits each, so that three of them fit a 64-bit key."""

STEP = np.array([1 << 42, 1 << 21, 1], dtype=np.int64)
CORNER_STEP = CORNERS @ STEP
EMPTY = -1

GOLDEN = np.uint64(0x9E3779B97F4A7C15)
"""2^64 over the golden ratio: multiplying by it spreads neighbouring keys (D. Knuth, TAOCP 3, 6.4)."""

Keys = NDArray[np.int64]
Floats = NDArray[np.float64]


def pack(cells: NDArray[np.int64]) -> Keys:
    """Keys (n,) of grid coordinates (n,3)."""
    return ((cells + HALF) @ STEP).astype(np.int64)


def unpack(keys: Keys) -> NDArray[np.int64]:
    """Grid coordinates (n,3) of keys (n,)."""
    mask = (1 << 21) - 1
    return np.stack([keys >> 42, (keys >> 21) & mask, keys & mask], axis=1) - HALF


def cells_around(starts: Keys, axes: NDArray[np.int64]) -> Keys:
    """The cells around grid edges that start at corners (n,) and run along axes (n,)."""
    u, v = STEP[(axes + 1) % 3], STEP[(axes + 2) % 3]
    return distinct(np.concatenate([starts, starts - u, starts - v, starts - u - v]))


def distinct(keys: Keys) -> Keys:
    """Each key once, ascending. `np.unique` takes several times as long on keys."""
    ascending = np.sort(keys)
    fresh = np.ones(len(keys), dtype=np.bool_)
    fresh[1:] = ascending[1:] != ascending[:-1]
    return np.asarray(ascending[fresh])


class KeySet:
    """Keys in the order of their arrival, with a hash table from key to that order."""

    def __init__(self) -> None:
        self.keys: Keys = np.empty(1024, dtype=np.int64)
        self.count = 0
        self._slots: NDArray[np.int64] = np.full(4096, EMPTY, dtype=np.int64)

    def add(self, keys: Keys) -> NDArray[np.int64]:
        """Number (n,) of every key, a new number for a new key."""
        self._grow(self.count + len(keys))
        numbers = np.empty(len(keys), dtype=np.int64)
        self.count = _add(self._slots, self.keys, self.count, keys, numbers)
        return numbers

    def find(self, keys: Keys) -> NDArray[np.int64]:
        """Number (n,) of every key, -1 for one that is not here."""
        numbers = np.empty(len(keys), dtype=np.int64)
        _find(self._slots, self.keys, keys, numbers)
        return numbers

    def _grow(self, wanted: int) -> None:
        if wanted > len(self.keys):
            larger = np.empty(max(wanted, 2 * len(self.keys)), dtype=np.int64)
            larger[: self.count] = self.keys[: self.count]
            self.keys = larger
        if 2 * wanted > len(self._slots):
            size = 1 << (3 * wanted - 1).bit_length()
            self._slots = np.full(size, EMPTY, dtype=np.int64)
            _add(
                self._slots,
                self.keys.copy(),
                0,
                self.keys[: self.count],
                np.empty(self.count, dtype=np.int64),
            )


@njit(inline="always")
def _slot_of(slots, known, key):
    mask = len(slots) - 1
    slot = np.int64((np.uint64(key) * GOLDEN) >> np.uint64(20)) & mask
    while slots[slot] != EMPTY and known[slots[slot]] != key:
        slot = (slot + 1) & mask
    return slot


@njit(cache=True)
def _add(slots, known, count, keys, numbers):
    for i in range(len(keys)):
        slot = _slot_of(slots, known, keys[i])
        if slots[slot] == EMPTY:
            slots[slot] = count
            known[count] = keys[i]
            count += 1
        numbers[i] = slots[slot]
    return count


@njit(cache=True)
def _find(slots, known, keys, numbers):
    for i in range(len(keys)):
        numbers[i] = slots[_slot_of(slots, known, keys[i])]


class Field(Protocol):
    """Something that has a value everywhere in space, and an inside."""

    def values(self, points: Floats) -> Floats:
        """Values (n,) at points (n,3): good enough to tell inside from outside."""
        ...

    def heights(self, values: Floats) -> Floats:
        """How far values (n,) are within those of the inside; negative outside."""
        ...

    def exact_heights(self, points: Floats) -> Floats:
        """Heights (n,) at points (n,3), good enough to find the surface by."""
        ...


class GridFaces(NamedTuple):
    """A surface whose vertices lie somewhere on grid edges.

    starts (n,) number of the corner where each vertex's edge starts; axes (n,) along which it runs;
    faces (m,3); first (c + 1,): the faces in cell k are first[k] to first[k + 1].
    """

    starts: Keys
    axes: Keys
    faces: Keys
    first: Keys


class LevelGrid:
    """Grid corners with the values of a field, and the cells that the border of its inside passes."""

    def __init__(self, field: Field, origin: Floats, cell_mm: float) -> None:
        self.field = field
        self.origin = origin
        self.cell_mm = cell_mm
        self.corners = KeySet()
        self.corner_values: Floats = np.empty(0)
        self.cells = KeySet()
        self.cases: Keys = np.empty(0, dtype=np.int64)

    def points(self, keys: Keys) -> Floats:
        """Positions (n,3) in mm of grid corners."""
        return np.asarray(self.origin + unpack(keys) * self.cell_mm)

    def values(self, keys: Keys) -> Floats:
        """Values of the field (n,) at grid corners, each worked out once."""
        before = self.corners.count
        numbers = self.corners.add(keys)
        fresh = self.corners.keys[before : self.corners.count]
        if len(fresh):
            order = np.argsort(pack(unpack(fresh) >> 3), kind="stable")
            added = np.empty(len(fresh))
            added[order] = self.field.values(self.points(fresh[order]))
            self.corner_values = np.concatenate([self.corner_values, added])
        return self.corner_values[numbers]

    def know(self, keys: Keys, values: Floats) -> None:
        """Take over values (n,) of the field at new corners (n,), each named once."""
        self.corners.add(keys)
        self.corner_values = np.concatenate([self.corner_values, values])

    def inside(self, keys: Keys) -> NDArray[np.bool_]:
        """Whether grid corners (n,) are inside."""
        return self.field.heights(self.values(keys)) > 0

    def borders(self, low: Keys, axis: int, steps: int) -> Keys:
        """Cells (k,) around grid edges where the inside begins or ends, between `low` and `steps` further on.

        `steps` is a power of two. Of several borders on the way to a corner, one is found.
        """
        low = low[self.inside(low) != self.inside(low + steps * STEP[axis])]
        start = self.inside(low)
        while steps > 1:
            steps //= 2
            middle = low + steps * STEP[axis]
            low = np.where(self.inside(middle) == start, middle, low)
        return cells_around(low, np.full(len(low), axis))

    def follow(self, seeds: Keys) -> None:
        """Take in every cell that the surface reaches from the cells `seeds`, through shared faces."""
        before = self.cells.count
        self.cells.add(seeds)
        masks = [self.cases]
        while self.cells.count > before:
            frontier = self.cells.keys[before : self.cells.count].copy()
            before = self.cells.count
            corners = (frontier[:, None] + CORNER_STEP).ravel()
            inside = self.inside(corners).reshape(-1, 8)
            case = inside @ (1 << np.arange(8))
            masks.append(case.astype(np.int64))
            self.cells.add(_beyond(frontier, case))
        self.cases = np.concatenate(masks)

    def surface(self) -> GridFaces:
        """The surface as far as it was followed."""
        table = cube_table()
        cells = self.cells.keys[: self.cells.count]
        cut = (self.cases > 0) & (self.cases < 255)
        cells, cases = cells[cut], self.cases[cut]
        numbers = self.corners.find((cells[:, None] + CORNER_STEP).ravel()).reshape(-1, 8)
        starts, axes, faces = _polygonise(numbers, cases, table.triangles, table.edges, self.corners.count)
        first = np.concatenate([[0], np.cumsum(table.triangles[cases])])
        return GridFaces(starts, axes, faces, first)


def _beyond(cells: Keys, cases: NDArray[np.int64]) -> Keys:
    """The cells on the other side of every face through which the surface leaves."""
    found = []
    for axis in range(3):
        for side in (0, 1):
            face = sum(1 << c for c in range(8) if (c >> axis & 1) == side)
            mixed = ((cases & face) != 0) & ((cases & face) != face)
            found.append(cells[mixed] + (STEP[axis] if side else -STEP[axis]))
    return np.concatenate(found)


@njit(cache=True)
def _polygonise(corner_numbers, cases, table_count, table_edges, corners):
    total = 0
    for case in cases:
        total += table_count[case]
    vertex_of = np.full((corners, 3), -1, dtype=np.int32)
    faces = np.empty((total, 3), dtype=np.int64)
    starts = np.empty(3 * total, dtype=np.int64)
    axes = np.empty(3 * total, dtype=np.int64)
    count = 0
    f = 0
    for i in range(len(cases)):
        case = cases[i]
        for t in range(table_count[case]):
            for k in range(3):
                edge = table_edges[case, t, k]
                axis = edge // 4
                rank = edge % 4
                low = rank & ((1 << axis) - 1)  # the bits below the axis stay, those above move up by one
                corner = corner_numbers[i, low | ((rank >> axis) << (axis + 1))]
                if vertex_of[corner, axis] < 0:
                    vertex_of[corner, axis] = count
                    starts[count] = corner
                    axes[count] = axis
                    count += 1
                faces[f, k] = vertex_of[corner, axis]
            f += 1
    return starts[:count].copy(), axes[:count].copy(), faces
