"""In which order the pieces of a line are read: right to left, left to right, or both in one line.

The Unicode Bidirectional Algorithm (Unicode Standard Annex 9) for one line without explicit marks, isolates
or mirrored brackets: levels by rules P2 to P3, W1 to W7, N1 to N2, I1 to I2 and the line's order by L2. The
glyphs of a piece that runs right to left are turned round by the shaper, not here.
"""

from __future__ import annotations

import unicodedata
from itertools import groupby

STRONG = ("L", "R", "AL")


def runs(line: str) -> list[tuple[str, bool]]:
    """The pieces of a line from left to right, each in the order in which it is spoken, and whether it runs
    from right to left.
    """
    levels = _levels(line)
    pieces = []
    for level, members in groupby(range(len(line)), key=lambda i: levels[i]):
        numbers = list(members)
        pieces.append((level, line[numbers[0] : numbers[-1] + 1]))
    for lowest in range(max(levels, default=0), 0, -1):
        pieces = _reversed_from(pieces, lowest)
    return [(text, level % 2 == 1) for level, text in pieces]


def is_mark(character: str) -> bool:
    """Whether it steers direction instead of being seen; a label has no use for it."""
    return unicodedata.bidirectional(character) in (
        "LRE", "RLE", "LRO", "RLO", "PDF", "LRI", "RLI", "FSI", "PDI", "BN",
    )  # fmt: skip


def _levels(line: str) -> list[int]:
    kinds = [unicodedata.bidirectional(character) or "L" for character in line]
    first = next((kind for kind in kinds if kind in STRONG), "L")
    base = 0 if first == "L" else 1
    outer = "L" if base == 0 else "R"
    kinds = _numbers_settled(kinds, outer)
    kinds = _neutrals_settled(kinds, outer)
    levels = []
    for kind in kinds:
        if kind == "L":
            levels.append(base if base == 0 else base + 1)
        elif kind == "R":
            levels.append(1)
        else:  # a number
            levels.append(2)
    return levels


def _numbers_settled(kinds: list[str], outer: str) -> list[str]:
    """Rules W1 to W7."""
    kinds = list(kinds)
    for i, kind in enumerate(kinds):
        if kind == "NSM":
            kinds[i] = kinds[i - 1] if i else outer
    strong = outer
    for i, kind in enumerate(kinds):
        if kind in STRONG:
            strong = kind
        elif kind == "EN" and strong == "AL":
            kinds[i] = "AN"
    kinds = ["R" if kind == "AL" else kind for kind in kinds]
    for i in range(1, len(kinds) - 1):
        before, kind, after = kinds[i - 1 : i + 2]
        if before == after and (
            (kind == "ES" and before == "EN") or (kind == "CS" and before in ("EN", "AN"))
        ):
            kinds[i] = before
    for kind, members in groupby(range(len(kinds)), key=lambda i: kinds[i]):
        group = list(members)
        beside = (*kinds[max(group[0] - 1, 0) : group[0]], *kinds[group[-1] + 1 : group[-1] + 2])
        if kind == "ET" and "EN" in beside:
            for i in group:
                kinds[i] = "EN"
    kinds = ["ON" if kind in ("ES", "ET", "CS", "B", "S", "WS") else kind for kind in kinds]
    strong = outer
    for i, kind in enumerate(kinds):
        if kind in ("L", "R"):
            strong = kind
        elif kind == "EN" and strong == "L":
            kinds[i] = "L"
    return kinds


def _neutrals_settled(kinds: list[str], outer: str) -> list[str]:
    """Rules N1 and N2: what has no direction takes that of both its neighbours, or the line's."""
    kinds = list(kinds)
    start = 0
    while start < len(kinds):
        if kinds[start] != "ON":
            start += 1
            continue
        end = start
        while end < len(kinds) and kinds[end] == "ON":
            end += 1
        before = _side(kinds[start - 1]) if start else outer
        after = _side(kinds[end]) if end < len(kinds) else outer
        for i in range(start, end):
            kinds[i] = before if before == after else outer
        start = end
    return kinds


def _side(kind: str) -> str:
    return "L" if kind == "L" else "R"


def _reversed_from(pieces: list[tuple[int, str]], lowest: int) -> list[tuple[int, str]]:
    """Rule L2: every stretch of pieces at this level or above is turned round."""
    result: list[tuple[int, str]] = []
    for high, members in groupby(pieces, key=lambda piece: piece[0] >= lowest):
        stretch = list(members)
        result += stretch[::-1] if high else stretch
    return result
