"""The compiled loops that walk PLY rows with lists in them, whose length no header tells."""

# mypy: allow-untyped-defs, allow-untyped-calls, allow-untyped-decorators
from __future__ import annotations

import numpy as np
from numba import njit

from .numerals import read_number, skip_blanks

BLAMES = {
    1: "more rows of this element",
    2: "a length of a list from 0 to what the file still holds",
    3: "a number",
    4: "a whole number that counts a vertex",
}


@njit(cache=True)
def _whole(data, at, size, signed, big):
    value = np.int64(0)
    for k in range(size):
        byte = np.int64(data[at + k] if big else data[at + size - 1 - k])
        value = value * 256 + byte
    if signed and value >= np.int64(1) << (8 * size - 1):
        value -= np.int64(1) << (8 * size)
    return value


@njit(cache=True)
def find_lists(data, at, rows, count_sizes, count_signed, item_sizes, wanted, big):
    """Walk binary rows: offset and length (rows,) of the list that is property `wanted` of each.

    A count size of 0 marks a single value. Returns (offsets, lengths, offset behind, blame, row).
    """
    end = data.shape[0]
    offsets = np.empty(rows, np.int64)
    lengths = np.zeros(rows, np.int64)
    for row in range(rows):
        for p in range(count_sizes.shape[0]):
            length = np.int64(1)
            if count_sizes[p] > 0:
                if at + count_sizes[p] > end:
                    return offsets, lengths, at, 1, row
                length = _whole(data, at, count_sizes[p], count_signed[p], big)
                at += count_sizes[p]
                if length < 0 or length > (end - at) // item_sizes[p]:
                    return offsets, lengths, at, 2, row
            elif at + item_sizes[p] > end:
                return offsets, lengths, at, 1, row
            if p == wanted:
                offsets[row] = at
                lengths[row] = length
            at += length * item_sizes[p]
    return offsets, lengths, at, 0, rows


@njit(cache=True)
def read_lists(text, at, rows, is_list, wanted, room):
    """Walk text rows: the flat list values and lengths of property `wanted` of every row.

    Returns (values int32, lengths, offset behind, blame, row).
    """
    end = text.shape[0]
    values = np.empty(room, np.int32)
    lengths = np.zeros(rows, np.int64)
    used = 0
    for row in range(rows):
        for p in range(is_list.shape[0]):
            length = np.int64(1)
            if is_list[p]:
                at = skip_blanks(text, at, end, True)
                if at >= end:
                    return values[:used], lengths, at, 1, row
                value, behind = read_number(text, at, end)
                if behind < 0:
                    return values[:used], lengths, at, 3, row
                if value != np.floor(value) or value < 0 or value > end - at:
                    return values[:used], lengths, at, 2, row
                length = np.int64(value)
                at = behind
            if p == wanted:
                lengths[row] = length
            for _ in range(length):
                at = skip_blanks(text, at, end, True)
                if at >= end:
                    return values[:used], lengths, at, 1, row
                value, behind = read_number(text, at, end)
                if behind < 0:
                    return values[:used], lengths, at, 3, row
                if p == wanted:
                    if value != np.floor(value) or abs(value) > 2147483647.0 or used >= room:
                        return values[:used], lengths, at, 4, row
                    values[used] = np.int32(value)
                    used += 1
                at = behind
    return values[:used], lengths, at, 0, rows
