"""The compiled loop that reads the faces of an OFF file, whose lines may end in a colour."""

# mypy: allow-untyped-defs, allow-untyped-calls, allow-untyped-decorators
from __future__ import annotations

import numpy as np
from numba import njit

from .numerals import read_number, skip_blanks

BLAMES = {
    1: "how many corners the next face has",
    2: "the number of a vertex, counted from 0",
}


@njit(cache=True)
def read_faces(text, at, rows, room):
    """Corners a face (rows,), their vertices (c,), a code of `BLAMES` or 0, and its offset."""
    end = text.shape[0]
    lengths = np.zeros(rows, np.int64)
    index = np.empty(room, np.int64)
    used = 0
    for row in range(rows):
        at = skip_blanks(text, at, end, True)
        value, behind = read_number(text, at, end)
        if behind < 0 or value != np.floor(value) or value < 0 or value > end - at:
            return lengths, index[:used], 1, at
        lengths[row] = np.int64(value)
        at = behind
        for _ in range(lengths[row]):
            at = skip_blanks(text, at, end, False)
            value, behind = read_number(text, at, end)
            if behind < 0 or value != np.floor(value) or abs(value) > 2147483647.0 or used >= room:
                return lengths, index[:used], 2, at
            index[used] = np.int64(value)
            used += 1
            at = behind
        while at < end and text[at] != 10 and text[at] != 13:
            at += 1
    return lengths, index[:used], 0, at
