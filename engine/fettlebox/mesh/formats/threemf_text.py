"""The compiled loops that write and read the two long lists of a 3MF mesh."""

# mypy: allow-untyped-defs, allow-untyped-calls, allow-untyped-decorators
from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from .numerals import put_integer, put_single

_LONGEST_NUMBER = 24
_LONGEST_INDEX = 11


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
