"""Cutting a closed surface by a plane, and closing it again with a flat, well-shaped face."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .flat_fill import fill_outlines
from .measures import volume_and_centroid
from .topology import components

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]
Mask = NDArray[np.bool_]

TOUCH_STEPS = 128
"""Shapes finer than this many float32 steps at the part's size are not cut into the surface: a file of
single-precision numbers still holds the form of what remains to about one part in a hundred."""


@dataclass(frozen=True)
class PlaneCut:
    """What is left above the plane.

    vertices (n,3), faces (m,3): closed if the input was; `source` (n,2) and `share` (n,) say where each
    vertex comes from: vertex source[:,0] of the input, moved by `share` towards source[:,1].
    cap      (m,) True for the faces in the plane
    """

    vertices: Floats
    faces: Ints
    cap: Mask
    source: Ints
    share: Floats

    def blended(self, values: NDArray[np.uint8]) -> NDArray[np.uint8]:
        """Per-vertex values (colours) of the input, carried to the cut surface."""
        low = values[self.source[:, 0]].astype(np.float64)
        high = values[self.source[:, 1]].astype(np.float64)
        return np.asarray(np.rint(low + (high - low) * self.share[:, None]), dtype=np.uint8)


def float32_step(vertices: Floats) -> float:
    """Spacing of single-precision numbers at the largest coordinate of (n,3): files keep no finer."""
    return float(np.spacing(np.float32(np.abs(vertices).max(initial=1e-30))))


def plane_axes(normal: Floats) -> tuple[Floats, Floats]:
    """Two unit vectors (3,) that make a right-handed frame with the unit `normal` (3,)."""
    helper = np.array([1.0, 0.0, 0.0]) if abs(normal[0]) < 0.9 else np.array([0.0, 1.0, 0.0])
    x_axis = np.cross(helper, normal)
    x_axis /= np.linalg.norm(x_axis)
    return x_axis, np.cross(normal, x_axis)


def cut_above(vertices: Floats, faces: Ints, point: Floats, up: Floats) -> PlaneCut:
    """Keep what lies above the plane through `point` (3,) with the unit normal `up` (3,).

    A vertex that the plane nearly touches is either put on it or pushed a hair (`TOUCH_STEPS`) off it,
    so that the outline is made of simple closed curves that no vertex pinches. Rim points closer
    together than that hair become one. The cap is triangulated without new points.

    Returns an empty surface if nothing lies above. Raises ValueError if the outline cannot be closed,
    which an oriented closed input without crossings never causes.
    """
    hair = TOUCH_STEPS * float32_step(vertices)
    height = (vertices - point) @ up
    moved = vertices.copy()
    side = _sides(height, faces, hair)
    target = np.where(side == 0, 0.0, np.where(np.abs(height) < hair, side * hair, height))
    near = target != height
    moved[near] += (target - height)[near, None] * up
    height = np.where(near, target, height)

    wall, corners, share = _clip(faces, side, height)
    lower, upper = corners[:, 0], corners[:, 1]
    points = moved[lower] + (moved[upper] - moved[lower]) * share[:, None]
    on_plane = (lower != upper) | (side[lower] == 0)
    points[on_plane] -= ((points[on_plane] - point) @ up)[:, None] * up

    merged = _merge_short_rim(points, wall, on_plane, hair)
    wall = merged[wall]
    wall = wall[(wall[:, 0] != wall[:, 1]) & (wall[:, 1] != wall[:, 2]) & (wall[:, 2] != wall[:, 0])]
    x_axis, y_axis = plane_axes(up)
    flat = np.column_stack([(points - point) @ x_axis, (points - point) @ y_axis])
    rim = _open_edges(wall, len(points))
    if not on_plane[rim].all():
        raise ValueError("the surface is not closed above the plane")
    cap = fill_outlines(flat, rim)

    everything = np.concatenate([wall, cap]).astype(np.int32)
    used, compact = np.unique(everything, return_inverse=True)
    return PlaneCut(
        points[used],
        compact.reshape(-1, 3).astype(np.int32),
        np.arange(len(everything)) >= len(wall),
        corners[used],
        share[used],
    )


def largest_body(made: PlaneCut) -> tuple[PlaneCut, list[float]]:
    """The cut surface without all but its largest body, and the volumes of the others, largest first.

    Inner walls of closed hollows (bodies of negative volume) stay if the largest body is around them.
    """
    count, labels = components(made.faces, len(made.vertices))
    if count <= 1:
        return made, []
    volumes = [volume_and_centroid(made.vertices, made.faces[labels == k])[0] for k in range(count)]
    largest = int(np.argmax(volumes))
    kept = {largest}
    for k, volume in enumerate(volumes):
        probe = made.vertices[made.faces[labels == k][0, 0]]
        if volume < 0 and _around(made.vertices, made.faces[labels == largest], probe):
            kept.add(k)
    mask = np.isin(labels, sorted(kept))
    used, compact = np.unique(made.faces[mask], return_inverse=True)
    rest = PlaneCut(
        made.vertices[used],
        compact.reshape(-1, 3).astype(np.int32),
        made.cap[mask],
        made.source[used],
        made.share[used],
    )
    return rest, sorted((v for k, v in enumerate(volumes) if k not in kept and v > 0), reverse=True)


def _around(vertices: Floats, faces: Ints, point: Floats) -> bool:
    """Whether a closed surface is around a point: its solid angle (A. van Oosterom, J. Strackee, "The solid
    angle of a plane triangle", 1983) is then 4π.
    """
    a, b, c = (vertices[faces[:, k]] - point for k in range(3))
    la, lb, lc = (np.linalg.norm(v, axis=1) for v in (a, b, c))
    top = np.einsum("ij,ij->i", a, np.cross(b, c))
    dots = [np.einsum("ij,ij->i", u, v) for u, v in ((a, b), (b, c), (c, a))]
    bottom = la * lb * lc + dots[0] * lc + dots[1] * la + dots[2] * lb
    return bool(np.arctan2(top, bottom).sum() > np.pi)


def _sides(height: Floats, faces: Ints, hair: float) -> NDArray[np.int8]:
    """(n,) 1 above, -1 below, 0 on the plane. No two neighbours are both on it, and around a vertex on
    it the surface goes once up and once down.
    """
    side = np.where(height >= 0, 1, -1).astype(np.int8)
    touching = np.flatnonzero(np.abs(height) < hair)
    if not len(touching):
        return side
    is_touching = np.zeros(len(height), dtype=np.bool_)
    is_touching[touching] = True
    around = faces[is_touching[faces].any(axis=1)]
    for vertex in touching[np.argsort(np.abs(height[touching]), kind="stable")]:
        own = around[(around == vertex).any(axis=1)]
        at = (own == vertex).argmax(axis=1)
        ahead = side[own[np.arange(len(own)), (at + 1) % 3]]
        behind = side[own[np.arange(len(own)), (at + 2) % 3]]
        if (ahead != 0).all() and (behind != 0).all() and np.count_nonzero(ahead != behind) == 2:
            side[vertex] = 0
    return side


def _clip(faces: Ints, side: NDArray[np.int8], height: Floats) -> tuple[Ints, Ints, Floats]:
    """Wall faces above the plane over new vertices; each vertex as (lower, upper, share) of the input."""
    signs = side[faces]
    whole = faces[(signs >= 0).all(axis=1) & (signs > 0).any(axis=1)]
    crossed = faces[(signs > 0).any(axis=1) & (signs < 0).any(axis=1)]

    edges = np.sort(np.concatenate([crossed[:, [0, 1]], crossed[:, [1, 2]], crossed[:, [2, 0]]]), axis=1)
    edges = np.unique(edges[side[edges[:, 0]] * side[edges[:, 1]] < 0], axis=0).reshape(-1, 2)
    kept = np.flatnonzero(side >= 0)
    number = np.full(len(side), -1, dtype=np.int64)
    number[kept] = np.arange(len(kept))
    keys = edges[:, 0].astype(np.int64) * len(side) + edges[:, 1]

    def cross(a: Ints, b: Ints) -> NDArray[np.int64]:
        key = np.minimum(a, b).astype(np.int64) * len(side) + np.maximum(a, b)
        return np.searchsorted(keys, key) + len(kept)

    signs = side[crossed]
    pieces = [number[whole]]
    # Turned so that the corner that is alone on its side, or the one on the plane, comes first.
    alone_up = (signs > 0).sum(axis=1) == 1
    alone_down = (signs < 0).sum(axis=1) == 1
    for lone, mask in ((1, alone_up & ~alone_down), (-1, alone_down & ~alone_up), (0, alone_up & alone_down)):
        turn = (signs[mask] == lone).argmax(axis=1)
        a, b, c = (crossed[mask][np.arange(len(turn)), (turn + k) % 3] for k in range(3))
        if lone == 1:
            pieces.append(np.column_stack([number[a], cross(a, b), cross(a, c)]))
        elif lone == -1:
            pieces.append(np.column_stack([cross(a, b), number[b], number[c]]))
            pieces.append(np.column_stack([cross(a, b), number[c], cross(a, c)]))
        else:
            up_first = side[b] > 0
            middle = cross(b, c)
            pieces.append(np.column_stack([number[a], number[b], middle])[up_first])
            pieces.append(np.column_stack([number[a], middle, number[c]])[~up_first])
    corners = np.concatenate([np.column_stack([kept, kept]), edges]).astype(np.int32)
    low, high = height[corners[:, 0]], height[corners[:, 1]]
    split = corners[:, 0] != corners[:, 1]
    share = np.where(split, low / np.where(split, low - high, 1.0), 0.0)
    return np.concatenate(pieces).astype(np.int32), corners, share


def _open_edges(faces: Ints, vertices: int) -> Ints:
    """(k,2) directed edges of faces that no other face runs through the other way."""
    edges = np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]]).astype(np.int64)
    forth = edges[:, 0] * vertices + edges[:, 1]
    back = edges[:, 1] * vertices + edges[:, 0]
    back.sort()  # a plain search: numpy's own test of membership takes ten times as long here
    paired = back[np.minimum(np.searchsorted(back, forth), len(back) - 1)] == forth
    return np.asarray(edges[~paired], dtype=np.int32)


def _merge_short_rim(points: Floats, wall: Ints, on_plane: Mask, hair: float) -> Ints:
    """(n,) the vertex that each vertex becomes: rim neighbours closer than a hair are one.

    An edge is only drawn together when that leaves no edge with more than two faces: its ends may
    have no common neighbour besides the one wall face between them.
    """
    becomes = np.arange(len(points), dtype=np.int32)
    rim = _open_edges(wall, len(points))
    length = np.linalg.norm(points[rim[:, 0]] - points[rim[:, 1]], axis=1)
    short = rim[(length < hair) & on_plane[rim].all(axis=1)]
    if not len(short):
        return becomes
    neighbours: dict[int, set[int]] = {}
    near = np.zeros(len(points), dtype=np.bool_)
    near[short] = True
    grown = np.zeros(len(points), dtype=np.bool_)
    grown[wall[near[wall].any(axis=1)]] = True
    for a, b, c in wall[grown[wall].any(axis=1)].tolist():
        for u, v in ((a, b), (b, c), (c, a)):
            neighbours.setdefault(u, set()).add(v)
            neighbours.setdefault(v, set()).add(u)
    gone = set()
    for a, b in sorted(map(tuple, short.tolist())):
        if a in gone or b in gone or len(neighbours[a] & neighbours[b]) != 1:
            continue
        # The end of an outline of three points must not vanish: a loop keeps at least three.
        for other in neighbours[b] - {a}:
            neighbours[other].discard(b)
            neighbours[other].add(a)
            neighbours[a].add(other)
        neighbours[a].discard(b)
        neighbours.pop(b)
        gone.add(b)
        becomes[b] = a
    return becomes
