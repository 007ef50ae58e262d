"""The table of cube cases, by laws that any correct one obeys."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from fettlebox_steps.geometry.crossings import crossing_faces
from fettlebox_steps.geometry.cube_table import CORNERS, EDGE_AXIS, EDGE_START, cube_table

MIDDLES = CORNERS[EDGE_START] + 0.5 * np.eye(3)[EDGE_AXIS]


@pytest.mark.parametrize("case", range(256))
def test_every_case_is_a_clean_cut(case: int) -> None:
    table = cube_table()
    triangles = table.edges[case, : table.triangles[case]]
    inside = case >> np.arange(8) & 1
    cut = {e for e in range(12) if inside[EDGE_START[e]] != inside[EDGE_START[e] + (1 << int(EDGE_AXIS[e]))]}
    assert set(triangles.ravel().tolist()) == cut
    assert not crossing_faces(MIDDLES, triangles).any()
    directed = [(int(t[k]), int(t[(k + 1) % 3])) for t in triangles for k in range(3)]
    assert len(set(directed)) == len(directed)
    for a, b in directed:
        in_face = ((MIDDLES[a] == MIDDLES[b]) & ((MIDDLES[a] == 0) | (MIDDLES[a] == 1))).any()
        assert in_face == ((b, a) not in directed), "sides in a face of the cube end there; others do not"


def test_one_corner_inside_faces_the_other_seven() -> None:
    table = cube_table()
    for corner in range(8):
        (triangle,) = table.edges[1 << corner, : table.triangles[1 << corner]]
        a, b, c = MIDDLES[triangle]
        assert np.cross(b - a, c - a) @ (CORNERS[corner] - a) < 0


def test_neighbours_draw_the_same_line_on_their_common_face() -> None:
    """For every pattern of a face's corners, whatever lies behind it on either side."""
    table = cube_table()
    left = [c for c in range(8) if c & 1]
    for pattern in range(16):
        lines = set()
        for far in range(16):
            for side in (1, 0):
                bits = {c if side else c ^ 1: pattern >> k & 1 for k, c in enumerate(left)}
                bits |= {c ^ 1 if side else c: far >> k & 1 for k, c in enumerate(left)}
                case = sum(bit << c for c, bit in bits.items())
                lines.add(_lines_on(table.edges[case, : table.triangles[case]], side))
        assert len(lines) == 1


def _lines_on(triangles: np.ndarray, x: int) -> frozenset[frozenset[tuple[float, ...]]]:
    lines = []
    for t in triangles:
        for a, b in pairwise([*t, t[0]]):
            p, q = MIDDLES[a], MIDDLES[b]
            if p[0] == x and q[0] == x:
                lines.append(frozenset([tuple(p[1:].tolist()), tuple(q[1:].tolist())]))
    return frozenset(lines)
