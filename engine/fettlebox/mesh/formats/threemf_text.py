"""The compiled loops that write and read the two long lists of a 3MF mesh."""

# mypy: allow-untyped-defs, allow-untyped-calls, allow-untyped-decorators
from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from .numerals import put_integer, put_single, read_number, skip_blanks

_LONGEST_NUMBER = 24
_LONGEST_INDEX = 11
_AND, _SLASH, _LESS, _EQUALS, _MORE = 38, 47, 60, 61, 62


@njit(cache=True)
def _put(out, at, word):
    for k in range(len(word)):
        out[at + k] = word[k]
    return at + len(word)


@njit(cache=True)
def _write_vertices(vertices, first, second, third, last):
    width = len(first) + len(second) + len(third) + len(last) + 3 * _LONGEST_NUMBER
    out = np.empty(vertices.shape[0] * width, np.uint8)
    at = 0
    for i in range(vertices.shape[0]):
        at = put_single(out, _put(out, at, first), vertices[i, 0])
        at = put_single(out, _put(out, at, second), vertices[i, 1])
        at = put_single(out, _put(out, at, third), vertices[i, 2])
        at = _put(out, at, last)
    return out[:at]


@njit(cache=True)
def _write_rows(rows, words, starts):
    columns = rows.shape[1]
    out = np.empty(rows.shape[0] * (len(words) + columns * _LONGEST_INDEX), np.uint8)
    at = 0
    for i in range(rows.shape[0]):
        for k in range(columns):
            at = put_integer(out, _put(out, at, words[starts[k] : starts[k + 1]]), rows[i, k])
        at = _put(out, at, words[starts[columns] :])
    return out[:at]


def vertex_lines(vertices: NDArray[np.float64]) -> bytes:
    """`<vertex …/>` lines (bytes) of (n,3) float64: the fewest decimals that keep the float32 value."""
    words = (b'<vertex x="', b'" y="', b'" z="', b'"/>\n')
    text = _write_vertices(vertices, *(np.frombuffer(word, np.uint8) for word in words))
    return bytes(text)


def element_lines(tag: str, names: tuple[str, ...], rows: NDArray[np.int32]) -> bytes:
    """`<tag name="i" …/>` lines (bytes) of whole numbers (m, len(names)), all of them 0 or more."""
    pieces = [f'<{tag} {names[0]}="'] + [f'" {name}="' for name in names[1:]] + ['"/>\n']
    starts = np.cumsum([0] + [len(piece) for piece in pieces])
    words = np.frombuffer("".join(pieces).encode("ascii"), np.uint8)
    return bytes(_write_rows(np.ascontiguousarray(rows), words, starts))


@njit(cache=True)
def _attribute(text, at, end):
    """(start and end of the name, start and end of the value, offset behind); -1 first if there is none."""
    start = at
    while at < end and text[at] > 32 and text[at] not in (_EQUALS, _LESS, _MORE, _SLASH, _AND):
        at += 1
    stop = at
    if stop == start or at + 1 >= end or text[at] != _EQUALS or text[at + 1] not in (34, 39):
        return -1, 0, 0, 0, at
    quote = text[at + 1]
    at += 2
    value = at
    while at < end and text[at] != quote and text[at] not in (_LESS, _AND):
        at += 1
    if at >= end or text[at] != quote:
        return -1, 0, 0, 0, at
    return start, stop, value, at, at + 1


@njit(cache=True)
def _read_elements(text, tag, names, most, integers):
    """Elements `<tag …/>` and blanks, nothing else: (rows, how many, 0 or the reason to give up)."""
    end = text.shape[0]
    columns = names.shape[0]
    rows = np.full((most, columns), -1.0)
    count = 0
    at = 0
    while True:
        at = skip_blanks(text, at, end, True)
        if at >= end:
            return rows[:count], count, 0
        if count >= most or at + 1 + len(tag) >= end or text[at] != _LESS:
            return rows[:count], count, 1
        for k in range(len(tag)):
            if text[at + 1 + k] != tag[k]:
                return rows[:count], count, 1
        at += 1 + len(tag)
        if text[at] > 32 and text[at] != _SLASH:
            return rows[:count], count, 1
        seen = expected = 0
        while True:
            at = skip_blanks(text, at, end, True)
            if at + 1 < end and text[at] == _SLASH and text[at + 1] == _MORE:
                at += 2
                break
            start, stop, value_at, value_end, behind = _attribute(text, at, end)
            if start < 0 or (behind < end and text[behind] > 32 and text[behind] != _SLASH):
                return rows[:count], count, 1
            at = behind
            for step in range(columns):
                c = (expected + step) % columns  # nearly every file keeps one order
                same = True
                for k in range(names.shape[1]):
                    letter = text[start + k] if start + k < stop else 0
                    same = same and letter == names[c, k]
                if same and stop - start <= names.shape[1]:
                    number_at = skip_blanks(text, value_at, value_end, True)
                    value, stopped = read_number(text, number_at, value_end)
                    if stopped < 0 or skip_blanks(text, stopped, value_end, True) != value_end:
                        return rows[:count], count, 1
                    if integers and (value != np.floor(value) or value < 0 or value > 2147483647.0):
                        return rows[:count], count, 1
                    rows[count, c] = value
                    seen += c < 3
                    expected = c + 1
                    break
        if seen != 3:
            return rows[:count], count, 1
        count += 1


def read_elements(
    block: bytes, tag: str, names: tuple[str, ...], integers: bool
) -> NDArray[np.float64] | None:
    """Rows (k, len(names)) of a plain list of elements, -1 where an optional attribute is missing.

    `names` are of one to three letters; the first three must be there. None for anything unusual (a
    comment, a prefix, an entity, a damaged number), which a real XML parser must then look at.
    """
    letters = np.array([list(name.encode("ascii").ljust(3, b"\0")) for name in names], np.uint8)
    word = np.frombuffer(tag.encode("ascii"), np.uint8)
    text = np.frombuffer(block, np.uint8)
    rows, _, blame = _read_elements(text, word, letters, block.count(b"/>"), integers)
    return None if blame else rows
