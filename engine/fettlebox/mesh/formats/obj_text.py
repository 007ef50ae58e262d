"""The compiled loops that read OBJ lines: first how many, then what is in them."""

# mypy: allow-untyped-defs, allow-untyped-calls, allow-untyped-decorators
from __future__ import annotations

import numpy as np
from numba import njit

from .numerals import read_number, skip_blanks

BLAMES = {
    1: "a number",
    2: "the number of a vertex, counted from 1, or back from -1",
    3: "a vertex that this line or one above it has",
}
_V, _F = 118, 102


@njit(cache=True)
def _line_end(text, at, end):
    while at < end and text[at] != 10 and text[at] != 13:
        at += 1
    return at


@njit(cache=True)
def count_lines(text):
    """(vertices, faces, corners of faces) of an OBJ text (n,) uint8."""
    end = text.shape[0]
    vertices = faces = corners = 0
    at = 0
    while True:
        at = skip_blanks(text, at, end, True)
        if at >= end:
            return vertices, faces, corners
        kind = text[at]
        if at + 1 < end and (text[at + 1] == 32 or text[at + 1] == 9):
            if kind == _V:
                vertices += 1
            elif kind == _F:
                faces += 1
                at += 1
                while True:
                    at = skip_blanks(text, at, end, False)
                    if at >= end or text[at] in (10, 13, 35):
                        break
                    corners += 1
                    at += 1  # at least one byte, whatever it is
                    while at < end and text[at] > 32:
                        at += 1
        at = _line_end(text, at, end)


@njit(cache=True)
def read_lines(text, vertex_count, face_count, corner_count):
    """Vertices and colours (n,3), corners a face (f,) and vertex of each corner (c,), from 0.

    Colours are NaN where a line has none. Returns these, a code of `BLAMES` or 0, and its offset.
    """
    end = text.shape[0]
    points = np.empty((vertex_count, 3), np.float64)
    colours = np.full((vertex_count, 3), np.nan)
    lengths = np.zeros(face_count, np.int64)
    index = np.empty(corner_count, np.int64)
    v = f = c = 0
    at = 0
    while True:
        at = skip_blanks(text, at, end, True)
        if at >= end:
            return points, colours, lengths, index, 0, end
        kind = text[at]
        if at + 1 < end and (text[at + 1] == 32 or text[at + 1] == 9):
            if kind == _V:
                at += 1
                extra = np.empty(4, np.float64)
                seen = 0
                while seen < 7:
                    at = skip_blanks(text, at, end, False)
                    if seen >= 3 and (at >= end or text[at] in (10, 13, 35)):
                        break
                    value, behind = read_number(text, at, end)
                    if behind < 0:
                        return points, colours, lengths, index, 1, at
                    if seen < 3:
                        points[v, seen] = value
                    else:
                        extra[seen - 3] = value
                    seen += 1
                    at = behind
                if seen >= 6:
                    colours[v] = extra[:3]
                v += 1
            elif kind == _F:
                at += 1
                while True:
                    at = skip_blanks(text, at, end, False)
                    if at >= end or text[at] in (10, 13, 35):
                        break
                    value, behind = read_number(text, at, end)
                    if behind < 0 or value != np.floor(value) or value == 0 or abs(value) > 2147483647.0:
                        return points, colours, lengths, index, 2, at
                    number = np.int64(value)
                    index[c] = number - 1 if number > 0 else v + number
                    if index[c] < 0:
                        return points, colours, lengths, index, 3, at
                    c += 1
                    lengths[f] += 1
                    at = behind
                    while at < end and text[at] > 32:
                        at += 1
                f += 1
        at = _line_end(text, at, end)
