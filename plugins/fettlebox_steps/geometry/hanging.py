"""What hangs down free of a part, such as a chin over a neck: the lower ends that are not what it stands on.

The part is filled from below. Every lowest end starts a pool of its own; where two pools meet, the one that
started higher ends, and its depth there says how far it hangs down. After H. Edelsbrunner, D. Letscher,
A. Zomorodian, "Topological persistence and simplification", 2002.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from .measures import area_vectors
from .topology import components

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]
Mask = NDArray[np.bool_]


def hanging(vertices: Floats, faces: Ints, deeper_mm: float, above_mm: float) -> Mask:
    """(n,) vertices of a surface's ends that hang down by at least `deeper_mm`.

    Ends whose lowest point is under the height `above_mm` are feet and do not count.
    """
    height = np.ascontiguousarray(vertices[:, 2])
    ends = np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]]).astype(np.int64)
    rank = np.empty(len(vertices), np.int64)
    rank[np.lexsort((np.arange(len(vertices)), height))] = np.arange(len(vertices))
    ends = rank[ends]
    # Every edge waits for its upper end.
    upper, lower = ends.max(axis=1), ends.min(axis=1)
    order = np.argsort(upper, kind="stable")
    first = np.searchsorted(upper[order], np.arange(len(vertices) + 1))
    by_rank = np.empty(len(vertices))
    by_rank[rank] = height
    return np.asarray(_filled(by_rank, first, lower[order], deeper_mm, above_mm)[rank])


def undersides(vertices: Floats, faces: Ints, larger_mm2: float, above_mm: float) -> Mask:
    """(n,) vertices of connected undersides, flatter than 45 degrees, of at least `larger_mm2`.

    Undersides that reach under the height `above_mm` are what the part stands on, and do not count.
    """
    vectors = area_vectors(vertices, faces)
    areas = np.linalg.norm(vectors, axis=1)
    flat = faces[-vectors[:, 2] > np.sqrt(0.5) * areas]
    found = np.zeros(len(vertices), dtype=np.bool_)
    if not len(flat):
        return found
    count, label = components(flat, len(vertices))
    size = np.bincount(label, areas[-vectors[:, 2] > np.sqrt(0.5) * areas], minlength=count)
    lowest = np.full(count, np.inf)
    np.minimum.at(lowest, label, vertices[flat, 2].min(axis=1))
    kept = (size >= larger_mm2) & (lowest >= above_mm)
    found[flat[kept[label]]] = True
    return found


@njit(cache=True)
def _filled(height, first, lower, deeper, above):
    count = len(height)
    parent = np.arange(count)
    # Vertices of a pool are a linked list, so that all can be marked when it ends.
    last = np.arange(count)
    after = np.full(count, -1, np.int64)
    marked = np.zeros(count, np.bool_)
    for v in range(count):
        for e in range(first[v], first[v + 1]):
            a, b = lower[e], v
            while parent[a] != a:
                parent[a] = parent[parent[a]]
                a = parent[a]
            while parent[b] != b:
                parent[b] = parent[parent[b]]
                b = parent[b]
            if a == b:
                continue
            # A root is its pool's lowest vertex; the pool that started higher ends.
            low, high = min(a, b), max(a, b)
            if height[v] - height[high] >= deeper and height[high] >= above:
                at = high
                while at >= 0:
                    marked[at] = True
                    at = after[at]
            parent[high] = low
            after[last[low]] = high
            last[low] = last[high]
    return marked
