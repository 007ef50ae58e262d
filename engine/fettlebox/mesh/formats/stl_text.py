"""The compiled loop that reads an STL's text form, one line after another."""

# mypy: allow-untyped-defs, allow-untyped-calls, allow-untyped-decorators
from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from .numerals import read_number, skip_blanks

BLAMES = {
    1: "a number",
    2: "solid, facet, outer, vertex, endloop, endfacet or endsolid",
    3: "three vertices in every facet",
    4: "nothing more in this line",
    5: "endfacet before the file ends",
}


@njit(cache=True)
def _is_word(text, at, end, word):
    """Whether the lower-case `word` stands at `at`, in any case, and ends there."""
    n = len(word)
    if at + n > end:
        return False
    for k in range(n):
        if (text[at + k] | 32) != word[k]:
            return False
    return at + n == end or text[at + n] <= 32


@njit(cache=True)
def _read_facets(text, most, vertex, facet, outer, endloop, endfacet, solid, endsolid):
    end = text.shape[0]
    corners = np.empty((most, 3), np.float64)
    count = 0
    inside = False
    at = 0
    while True:
        at = skip_blanks(text, at, end, True)
        if at >= end:
            break
        start = at
        if _is_word(text, at, end, vertex):
            if count >= most or not inside:
                return corners[:count], 3, start
            at += 6
            for k in range(3):
                at = skip_blanks(text, at, end, False)
                value, behind = read_number(text, at, end)
                if behind < 0:
                    return corners[:count], 1, at
                corners[count, k] = value
                at = behind
            at = skip_blanks(text, at, end, False)
            if at < end and text[at] != 10 and text[at] != 13:
                return corners[:count], 4, at
            count += 1
            continue
        if _is_word(text, at, end, facet):
            if inside or count % 3:
                return corners[:count], 3, start
            inside = True
            first = count
        elif _is_word(text, at, end, endfacet):
            if not inside or count != first + 3:
                return corners[:count], 3, start
            inside = False
        elif not (
            _is_word(text, at, end, outer)
            or _is_word(text, at, end, endloop)
            or _is_word(text, at, end, solid)
            or _is_word(text, at, end, endsolid)
        ):
            return corners[:count], 2, start
        while at < end and text[at] != 10 and text[at] != 13:
            at += 1
    if inside:
        return corners[:count], 5, end
    return corners[:count], 0, end


def read_facets(text: NDArray[np.uint8], most: int) -> tuple[NDArray[np.float64], int, int]:
    """Corners (3m,3) float64 of an STL text (n,) uint8, a code of `BLAMES` or 0, and its offset.

    Room is made for `most` corners; one more is an error of the file.
    """
    words = (b"vertex", b"facet", b"outer", b"endloop", b"endfacet", b"solid", b"endsolid")
    corners, blame, at = _read_facets(text, most, *(np.frombuffer(word, np.uint8) for word in words))
    return corners, blame, at
