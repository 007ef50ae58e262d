"""Cuts of triangles with grid edges, against a ray tracer's."""

from __future__ import annotations

import numpy as np
import trimesh
from fettlebox_steps.geometry.wall_hits import wall_hits
from numpy.typing import NDArray


def test_a_ball_is_cut_where_lines_enter_and_leave_it() -> None:
    ball = trimesh.creation.icosphere(3, radius=6.3)
    vertices = np.array(ball.vertices) + np.array([0.137, 0.211, 0.319])
    hits = wall_hits(vertices, np.array(ball.faces))
    place = hits.cell + hits.along[:, None] * np.eye(3)[hits.axis]
    assert ((hits.along >= 0) & (hits.along < 1)).all()
    for axis in range(3):
        lines = np.unique(np.delete(hits.cell[hits.axis == axis], axis, axis=1), axis=0)
        starts = np.insert(lines.astype(float), axis, -20, axis=1)
        expected = _ray_cuts(starts, np.eye(3)[axis], vertices[ball.faces])
        found = place[hits.axis == axis]
        assert len(found) == len(expected) == 2 * len(lines)
        order = [np.lexsort(p.round(6).T) for p in (found, expected)]
        assert np.abs(found[order[0]] - expected[order[1]]).max() < 1e-9
    # along an axis a line first enters (the winding number rises), then leaves
    assert (hits.rise == 1).sum() == (hits.rise == -1).sum()
    outward = place - [0.137, 0.211, 0.319]
    assert (np.sign(outward[np.arange(len(place)), hits.axis]) == -hits.rise).all()


def _ray_cuts(
    starts: NDArray[np.float64], way: NDArray[np.float64], triangles: NDArray[np.float64]
) -> NDArray[np.float64]:
    """T. Möller, B. Trumbore, "Fast, minimum storage ray/triangle intersection", 1997, every pair."""
    a, u, v = triangles[:, 0], triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0]
    cuts = []
    for start in starts:
        p = np.cross(way, v)
        facing = np.einsum("ij,ij->i", p, u)
        scale = 1 / np.where(np.abs(facing) > 1e-12, facing, np.inf)
        s = np.einsum("ij,ij->i", start - a, p) * scale
        q = np.cross(start - a, u)
        t = (q @ way) * scale
        far = np.einsum("ij,ij->i", q, v) * scale
        hit = (scale != 0) & (s >= 0) & (t >= 0) & (s + t <= 1)
        cuts += [start + way * f for f in far[hit]]
    return np.array(cuts)


def test_a_line_through_a_common_corner_is_never_missed() -> None:
    fan = np.array([[0, 0, 0.5], [2, 0, 0.5], [0, 2, 0.5], [-2, 0, 0.5], [0, -2, 0.5]], float)
    faces = np.array([[0, 1, 2], [0, 2, 3], [0, 3, 4], [0, 4, 1]])
    hits = wall_hits(fan, faces)
    assert {tuple(c) for c in hits.cell[:, :2].tolist()} == {
        (x, y) for x in range(-2, 3) for y in range(-2, 3) if abs(x) + abs(y) <= 2
    }
    assert (hits.axis == 2).all()
    assert (hits.rise == -1).all()
