"""Exact outlines of a closed part in horizontal layers.

Where a plane meets a vertex, the vertex counts as above it: every plane is thereby nudged down by less than
any coordinate can tell, the same way for every triangle (H. Edelsbrunner, E. P. Mücke, "Simulation of
simplicity", ACM Transactions on Graphics, 1990). A triangle then meets a plane in exactly one piece, entered
through one edge and left through another, and walking from neighbour to neighbour always comes round.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit, prange
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

BLOCKS = 256
"""Layers are shared out to threads in this many lots; what a layer yields does not depend on its lot."""


@dataclass(frozen=True, eq=False)
class Layers:
    """Outlines of all layers, in one list of points.

    height_mm  (k,) of the planes
    points     (p,2) mm; an outline's last point is joined to its first
    outlines   (q+1,) where each outline's points begin; counter-clockwise round material, clockwise
               round holes
    layers     (k+1,) where each layer's outlines begin
    area_mm2   (q,) of each outline, negative for holes
    """

    height_mm: Floats
    points: Floats
    outlines: Ints
    layers: Ints
    area_mm2: Floats

    def __len__(self) -> int:
        return len(self.height_mm)

    def layer(self, k: int) -> list[Floats]:
        """The outlines (p,2) of layer k."""
        return [
            self.points[self.outlines[q] : self.outlines[q + 1]]
            for q in range(self.layers[k], self.layers[k + 1])
        ]

    @property
    def layer_area_mm2(self) -> Floats:
        """(k,) area of the material in each layer, holes taken off."""
        which = np.repeat(np.arange(len(self)), np.diff(self.layers))
        return np.asarray(np.bincount(which, self.area_mm2, len(self)), np.float64)


def layer_heights(low_mm: float, high_mm: float, layer_mm: float) -> Floats:
    """(k,) middles of the layers of a part that reaches from `low_mm` to `high_mm`.

    A last layer of which less than half is there has its middle above the part, and is left out.
    """
    count = max(1, int(np.ceil((high_mm - low_mm) / layer_mm - 0.5 - 1e-9)))
    return np.asarray(low_mm + (np.arange(count) + 0.5) * layer_mm, np.float64)


def slice_layers(vertices: ArrayLike, faces: ArrayLike, height_mm: ArrayLike) -> Layers:
    """Cut a closed surface, vertices (n,3) and outward faces (m,3), at rising heights (k,).

    Raises ValueError when the surface is not closed, for then there are no outlines. Where more than two
    triangles share an edge, they are taken in pairs.
    """
    points = np.ascontiguousarray(vertices, dtype=np.float64)
    corners = np.ascontiguousarray(faces, dtype=np.int64)
    heights = np.ascontiguousarray(height_mm, dtype=np.float64)
    if len(heights) > 1 and not (np.diff(heights) > 0).all():
        raise ValueError("heights must rise")
    if not len(corners) or not len(heights):
        return Layers(
            heights,
            np.zeros((0, 2)),
            np.zeros(1, np.int64),
            np.zeros(len(heights) + 1, np.int64),
            np.zeros(0),
        )
    twin = _twins(corners, len(points))
    if (twin < 0).any():
        raise ValueError(f"the surface is not closed: {int((twin < 0).sum())} edges have one side only")
    first, last = _spans(np.ascontiguousarray(points[:, 2]), corners, heights)
    begins, triangles, entry = _by_layer(first, last, len(heights))
    place, lengths, areas, count = _walk(points, corners, heights, twin, first, begins, triangles, entry)
    return _packed(heights, begins, place, lengths, areas, count)


@njit(cache=True)
def _twins(faces, count):
    """(3m,) the half edge that runs the other way, or -1; half edge 3f+k goes from corner k to k+1."""
    halves = 3 * len(faces)
    start = np.zeros(count + 1, np.int64)
    for h in range(halves):
        a, b = faces[h // 3, h % 3], faces[h // 3, (h + 1) % 3]
        start[min(a, b) + 1] += 1
    for v in range(count):
        start[v + 1] += start[v]
    fill = start[:-1].copy()
    listed = np.empty(halves, np.int64)
    for h in range(halves):
        a, b = faces[h // 3, h % 3], faces[h // 3, (h + 1) % 3]
        low = min(a, b)
        listed[fill[low]] = h
        fill[low] += 1
    twin = np.full(halves, -1, np.int64)
    for v in range(count):
        for i in range(start[v], start[v + 1]):
            h = listed[i]
            if twin[h] >= 0:
                continue
            a, b = faces[h // 3, h % 3], faces[h // 3, (h + 1) % 3]
            for j in range(i + 1, start[v + 1]):
                g = listed[j]
                if twin[g] < 0 and faces[g // 3, g % 3] == b and faces[g // 3, (g + 1) % 3] == a:
                    twin[h], twin[g] = g, h
                    break
    return twin


@njit(cache=True)
def _spans(z, faces, heights):
    """First plane each triangle meets, and the first it no longer meets: a plane is met by what has a
    corner below it and a corner not below it.
    """
    first = np.empty(len(faces), np.int64)
    last = np.empty(len(faces), np.int64)
    above = np.searchsorted(heights, z, side="right")  # planes at or under each vertex
    for f in range(len(faces)):
        a, b, c = above[faces[f, 0]], above[faces[f, 1]], above[faces[f, 2]]
        first[f] = min(a, b, c)
        last[f] = max(a, b, c)
    return first, last


@njit(cache=True)
def _by_layer(first, last, count):
    """Triangles listed by layer; and where a triangle's own row of marks, one a layer, begins."""
    entry = np.empty(len(first) + 1, np.int64)
    entry[0] = 0
    change = np.zeros(count + 1, np.int64)
    for f in range(len(first)):
        entry[f + 1] = entry[f] + last[f] - first[f]
        change[first[f]] += 1
        change[last[f]] -= 1
    begins = np.zeros(count + 1, np.int64)
    now = 0
    for k in range(count):
        now += change[k]
        begins[k + 1] = begins[k] + now
    fill = begins[:-1].copy()
    triangles = np.empty(begins[count], np.int32)
    for f in range(len(first)):
        for k in range(first[f], last[f]):
            triangles[fill[k]] = f
            fill[k] += 1
    return begins, triangles, entry


@njit(parallel=True, cache=True)
def _walk(points, faces, heights, twin, first, begins, triangles, entry):
    """Every layer's outlines, written into its own part of the lists."""
    total = begins[-1]
    place = np.empty((total, 2))
    lengths = np.zeros(total, np.int64)
    areas = np.zeros(total)
    count = np.zeros(len(heights), np.int64)
    seen = np.zeros(entry[-1], np.bool_)
    for block in prange(BLOCKS):
        for k in range(block * len(heights) // BLOCKS, (block + 1) * len(heights) // BLOCKS):
            height = heights[k]
            write = begins[k]
            for i in range(begins[k], begins[k + 1]):
                f = np.int64(triangles[i])
                if seen[entry[f] + k - first[f]]:
                    continue
                start = write
                while not seen[entry[f] + k - first[f]]:
                    seen[entry[f] + k - first[f]] = True
                    low, high, half = np.int64(0), np.int64(0), np.int64(0)
                    for c in range(3):
                        low, high = faces[f, c], faces[f, (c + 1) % 3]
                        half = 3 * f + c
                        if points[low, 2] < height and points[high, 2] >= height:
                            break  # the edge that climbs through the plane is where the walk leaves
                    share = (height - points[low, 2]) / (points[high, 2] - points[low, 2])
                    x = points[low, 0] + share * (points[high, 0] - points[low, 0])
                    y = points[low, 1] + share * (points[high, 1] - points[low, 1])
                    if write == start or x != place[write - 1, 0] or y != place[write - 1, 1]:
                        place[write, 0], place[write, 1] = x, y
                        write += 1
                    f = twin[half] // 3
                while write - start > 1 and (
                    place[write - 1, 0] == place[start, 0] and place[write - 1, 1] == place[start, 1]
                ):
                    write -= 1
                if write - start < 3:
                    write = start  # it closed upon a point or a line: a tip that just reaches the plane
                    continue
                double = 0.0
                x0, y0 = place[start, 0], place[start, 1]
                for p in range(start + 1, write - 1):
                    ax, ay = place[p, 0] - x0, place[p, 1] - y0
                    bx, by = place[p + 1, 0] - x0, place[p + 1, 1] - y0
                    double += ax * by - ay * bx
                at = begins[k] + count[k]
                lengths[at] = write - start
                areas[at] = double / 2.0
                count[k] += 1
    return place, lengths, areas, count


def _packed(
    heights: Floats, begins: Ints, place: Floats, lengths: Ints, areas: Floats, count: Ints
) -> Layers:
    """The lists without the room that was left over."""
    layers = np.concatenate([[0], np.cumsum(count)]).astype(np.int64)
    chosen = np.repeat(begins[:-1] - layers[:-1], count) + np.arange(layers[-1])
    long = lengths[chosen]
    outlines = np.concatenate([[0], np.cumsum(long)]).astype(np.int64)
    used = np.add.reduceat(long, layers[:-1][count > 0]) if layers[-1] else np.zeros(0, np.int64)
    filled = np.zeros(len(heights), np.int64)
    filled[count > 0] = used
    points = np.empty((outlines[-1], 2))
    at = 0
    for k in np.flatnonzero(filled):
        points[at : at + filled[k]] = place[begins[k] : begins[k] + filled[k]]
        at += int(filled[k])
    return Layers(heights, points, outlines, layers, areas[chosen])
