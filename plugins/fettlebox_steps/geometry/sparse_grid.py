"""A regular grid of which only the cells that a surface passes are kept.

The corners carry the values of a field, which is positive inside. The surface is found by following it
from cell to cell, from where it is known to pass.
"""

from __future__ import annotations

from typing import NamedTuple, Protocol

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

from .cube_table import CORNERS, cube_table

HALF = 1 << 20
"""Grid coordinates are kept in 21 bits each, so that three of them fit a 64-bit key."""

STEP = np.array([1 << 42, 1 << 21, 1], dtype=np.int64)
CORNER_STEP = CORNERS @ STEP
EMPTY = -1

PAIRED = ~int(STEP.sum())
"""Bits of a key that the eight cells of a cube of two have in common: they lie side by side in the table."""

HIGH = 40
"""Bits from here on of the product of a key and GOLDEN know, but for the lowest two or three, of all three
coordinates; the 24 of them name as many groups of eight slots, enough for CELL_BUDGET."""

GOLDEN = np.uint64(0x9E3779B97F4A7C15)
"""2^64 over the golden ratio: multiplying by it spreads neighbouring keys (D. Knuth, TAOCP 3, 6.4)."""

PIECE = 1 << 16
"""Keys that are added at a time."""

SHARED = 64
"""Parts of the work that threads share."""

NO_STEP = np.zeros(1, dtype=np.int64)

Keys = NDArray[np.int64]
Numbers = NDArray[np.int32]
Flags = NDArray[np.bool_]
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
        self._slots: Numbers = np.full(4096, EMPTY, dtype=np.int32)

    def add(self, keys: Keys, steps: Keys = NO_STEP) -> Numbers:
        """Number (n,) of every key, a new number for a new key. With steps (s,), (n,s), of key + step."""
        numbers = np.empty((len(keys), len(steps)), dtype=np.int32)
        # In pieces, since most keys of a long list are the same again: there must be room for all of a piece.
        for first in range(0, len(keys), PIECE):
            piece = keys[first : first + PIECE]
            self.make_room(self.count + len(piece) * len(steps))
            self.count = _add(
                self._slots, self.keys, self.count, piece, steps, numbers[first : first + PIECE]
            )
        return numbers[:, 0] if steps is NO_STEP else numbers

    def find(self, keys: Keys) -> Numbers:
        """Number (n,) of every key, -1 for one that is not here."""
        numbers = np.empty(len(keys), dtype=np.int32)
        find = _find_by_threads if len(keys) > PIECE else _find
        find(self._slots, self.keys, keys, numbers)
        return numbers

    def beyond(self, cells: Keys, cases: NDArray[np.uint8]) -> Keys:
        """New cells on the other side of the faces through which a surface leaves cells of these cases."""
        return np.asarray(_beyond(cells, cases, self._slots, self.keys))

    def make_room(self, wanted: int) -> None:
        """For so many keys in all: who knows how many spares the table from growing step by step."""
        if wanted > len(self.keys):
            larger = np.empty(max(wanted, len(self.keys) * 3 // 2), dtype=np.int64)
            larger[: self.count] = self.keys[: self.count]
            self.keys = larger
        if 2 * wanted > len(self._slots):
            self._slots = np.full(1 << (3 * wanted - 1).bit_length(), EMPTY, dtype=np.int32)
            known = self.keys[: self.count]
            _add(self._slots, known.copy(), 0, known, NO_STEP, np.empty((len(known), 1), dtype=np.int32))


@njit(inline="always")
def _slot_of(slots, known, key):
    mask = len(slots) - 1
    within = ((key >> 40) & 4) | ((key >> 20) & 2) | (key & 1)
    spread = np.int64((np.uint64(key & PAIRED) * GOLDEN) >> np.uint64(HIGH))
    slot = ((spread << 3) | within) & mask
    while slots[slot] != EMPTY and known[slots[slot]] != key:
        slot = (slot + 1) & mask
    return slot


@njit(cache=True)
def _add(slots, known, count, keys, steps, numbers):
    for i in range(len(keys)):
        for j in range(len(steps)):
            key = keys[i] + steps[j]
            slot = _slot_of(slots, known, key)
            if slots[slot] == EMPTY:
                slots[slot] = count
                known[count] = key
                count += 1
            numbers[i, j] = slots[slot]
    return count


@njit(cache=True)
def _find(slots, known, keys, numbers):
    for i in range(len(keys)):
        numbers[i] = slots[_slot_of(slots, known, keys[i])]


@njit(parallel=True, cache=True)
def _find_by_threads(slots, known, keys, numbers):
    for i in prange(len(keys)):
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
    faces (m,3); first (c + 1,): the faces in cell k, whose key is cells[k], are first[k] to first[k + 1].
    """

    starts: Keys
    axes: Keys
    faces: Keys
    first: Keys
    cells: Keys


class LevelGrid:
    """Grid corners with the values of a field, and the cells that the border of its inside passes."""

    def __init__(self, field: Field, origin: Floats, cell_mm: float) -> None:
        self.field = field
        self.origin = origin
        self.cell_mm = cell_mm
        self.corners = KeySet()
        self._values: Floats = np.empty(0)
        self._steady: Flags = np.empty(0, dtype=np.bool_)
        self._known = 0
        self.cells = KeySet()
        self._corners_of: list[Numbers] = []
        self._cases: list[NDArray[np.uint8]] = []

    @property
    def corner_values(self) -> Floats:
        """Values of the field (n,) at the corners, by their numbers."""
        return self._values[: self._known]

    @property
    def steady(self) -> Flags:
        """Whether the field is the same at corners (n,) beside these."""
        return self._steady[: self._known]

    def points(self, keys: Keys) -> Floats:
        """Positions (n,3) in mm of grid corners."""
        return np.asarray(self.origin + unpack(keys) * self.cell_mm)

    def values(self, keys: Keys) -> Floats:
        """Values of the field (n,) at grid corners, each worked out once."""
        numbers = self.corners.find(keys)
        if (numbers < 0).any():
            before = self.corners.count
            numbers = self.corners.add(keys)
            self._ask(before)
        return self.corner_values[numbers]

    def _ask(self, before: int, around: Numbers | None = None) -> None:
        """Values for the corners from number `before` on. In cells with corners `around` (c,8), those beside
        a steady one take its value.
        """
        fresh = self.corners.count - before
        self._append(np.full(fresh, np.nan), np.zeros(fresh, dtype=np.bool_))
        if around is not None and self.steady.any():
            _carry(around, self.corner_values, self.steady)
        asked = before + np.flatnonzero(np.isnan(self.corner_values[before:]))
        if len(asked):
            keys = self.corners.keys[asked]
            order = np.argsort(pack(unpack(keys) >> 3), kind="stable")
            self.corner_values[asked[order]] = self.field.values(self.points(keys[order]))

    def _append(self, values: Floats, steady: Flags) -> None:
        before, self._known = self._known, self._known + len(values)
        if self._known > len(self._values):
            room = max(self._known, len(self._values) * 3 // 2)
            longer, steadier = np.empty(room), np.empty(room, dtype=np.bool_)
            longer[:before], steadier[:before] = self.corner_values[:before], self.steady[:before]
            self._values, self._steady = longer, steadier
        self._values[before : self._known] = values
        self._steady[before : self._known] = steady

    def know(self, keys: Keys, values: Floats, steady: Flags) -> None:
        """Take over values (n,) of the field at new corners (n,), each named once.

        steady (n,): where the field is the same at neighbouring corners, but for those known from here.
        """
        self.corners.make_room(self.corners.count + len(keys))
        self.corners.add(keys)
        self._append(values, steady)

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
        while self.cells.count > before:
            frontier = self.cells.keys[before : self.cells.count].copy()
            before, known = self.cells.count, self.corners.count
            around = self.corners.add(frontier, CORNER_STEP)
            self._ask(known, around)
            cases = np.empty(len(frontier), dtype=np.uint8)
            for first in range(0, len(frontier), PIECE):
                values = self.corner_values[around[first : first + PIECE]]
                inside = self.field.heights(values.ravel()).reshape(-1, 8) > 0
                cases[first : first + PIECE] = np.packbits(inside, axis=1, bitorder="little")[:, 0]
            self._corners_of.append(around)
            self._cases.append(cases)
            self.cells.add(self.cells.beyond(frontier, cases))

    def surface(self) -> GridFaces:
        """The surface as far as it was followed."""
        table = cube_table()
        cells = self.cells.keys[: self.cells.count]
        cases = np.concatenate([np.empty(0, np.uint8), *self._cases])
        numbers = np.concatenate([np.empty((0, 8), np.int32), *self._corners_of])
        cut = (cases > 0) & (cases < 255)
        if not cut.all():
            cells, cases, numbers = cells[cut], cases[cut], numbers[cut]
        starts, axes, faces = _polygonise(numbers, cases, table.triangles, table.edges, self.corners.count)
        first = np.concatenate([[0], np.cumsum(table.triangles[cases])])
        return GridFaces(starts, axes, faces, first, cells)


@njit(cache=True)
def _carry(around, values, steady):
    """Values for corners that have none from steady ones in the same cell, over up to three of its edges."""
    told = np.empty(8, np.bool_)
    for i in range(len(around)):
        missing = 0
        for c in range(8):
            n = around[i, c]
            told[c] = steady[n]
            missing += np.isnan(values[n])
        for _ in range(3):
            if missing == 0:
                break
            fresh = 0
            for c in range(8):
                n = around[i, c]
                if np.isnan(values[n]):
                    for k in range(3):
                        d = c ^ (1 << k)
                        if told[d]:
                            values[n] = values[around[i, d]]
                            fresh |= 1 << c
                            missing -= 1
                            break
            for c in range(8):
                told[c] |= (fresh >> c) & 1 == 1


@njit(parallel=True, cache=True)
def _beyond(cells, cases, slots, known):
    """The new cells on the other side of every face through which the surface leaves, in the cells' order."""
    parts = min(len(cells), SHARED)
    found = np.empty(6 * len(cells), np.int64)
    counts = np.zeros(parts, np.int64)
    for part in prange(parts):
        first = part * len(cells) // parts
        count = 6 * first
        for i in range(first, (part + 1) * len(cells) // parts):
            for axis in range(3):
                for side in range(2):
                    face = 0
                    for c in range(8):
                        face |= ((c >> axis & 1) == side) << c
                    if cases[i] & face != 0 and cases[i] & face != face:
                        key = cells[i] + (STEP[axis] if side else -STEP[axis])
                        if slots[_slot_of(slots, known, key)] == EMPTY:
                            found[count] = key
                            count += 1
        counts[part] = count - 6 * first
    beyond = np.empty(counts.sum(), np.int64)
    at = 0
    for part in range(parts):
        first = 6 * (part * len(cells) // parts)
        beyond[at : at + counts[part]] = found[first : first + counts[part]]
        at += counts[part]
    return beyond


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
