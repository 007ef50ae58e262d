"""Light copies of scan and part, for the view in a traveler's page: a few hundred kilobytes each."""

from __future__ import annotations

import struct

import numpy as np
from numpy.typing import NDArray

from ..mesh.part import Floats, Ints, Part

MODEL = "model.bin"
MAGIC = b"FBV1"
MOST_TRIANGLES = 40_000
"""Enough that an edge is about a pixel of the view, few enough for a page that is sent by mail."""

MOST_CORNERS = 65_535
"""Corners are counted in 16 bits."""

CLUSTER_ABOVE = 200_000
"""Triangles above which corners are merged on a grid first: that takes a tenth of the time."""

CLUSTERS_ACROSS = 300


def model_of(before: Part, after: Part) -> bytes:
    """Scan and part in one place and scale, lightened, as `view.js` reads them.

    Little-endian: magic, then for each of the two: corners, triangles (uint32), lowest corner (3 × float32),
    step (float32), corners (3 × uint16 each, in steps from the lowest) and triangles (3 × uint16 each), both
    filled up to four bytes.
    """
    to_after = after.placement @ np.linalg.inv(before.placement)
    moved = before.vertices @ to_after[:3, :3].T + to_after[:3, 3]
    return MAGIC + _packed(moved, before.faces) + _packed(after.vertices, after.faces)


def lightened(vertices: Floats, faces: Ints, most: int = MOST_TRIANGLES) -> tuple[Floats, Ints]:
    """A surface of about `most` triangles at most, after M. Garland and P. Heckbert, "Surface simplification
    using quadric error metrics", 1997. For looking at only: it may be open and cross itself.
    """
    from fast_simplification import simplify

    vertices, faces = _used(vertices, faces)
    if len(faces) > CLUSTER_ABOVE:
        vertices, faces = _clustered(vertices, faces)
    if len(faces) > most:
        low = vertices.min(axis=0)
        points, triangles = simplify(
            np.ascontiguousarray(vertices - low, np.float32),
            np.ascontiguousarray(faces, np.int32),
            target_count=most,
        )
        vertices, faces = _used(np.asarray(points, np.float64) + low, np.asarray(triangles, np.int32))
    if len(vertices) > MOST_CORNERS:  # many loose pieces, which the method above keeps
        vertices, faces = _clustered(vertices, faces, across=100)
    return vertices, faces


def _clustered(vertices: Floats, faces: Ints, across: int = CLUSTERS_ACROSS) -> tuple[Floats, Ints]:
    """Corners of one cell of a grid become one, at their mean."""
    low = vertices.min(axis=0)
    cell = max(float((vertices.max(axis=0) - low).max()) / across, 1e-12)
    at = np.floor((vertices - low) / cell).astype(np.int64)
    _, owner = np.unique(at @ np.array([1, 1 << 20, 1 << 40]), return_inverse=True)
    count = np.bincount(owner)
    means = np.stack([np.bincount(owner, weights=vertices[:, axis]) / count for axis in range(3)], axis=1)
    return _used(means, owner[faces].astype(np.int32))


def _used(vertices: Floats, faces: Ints) -> tuple[Floats, Ints]:
    """Without triangles that have a corner twice, and without corners that no triangle has."""
    whole = (faces[:, 0] != faces[:, 1]) & (faces[:, 1] != faces[:, 2]) & (faces[:, 2] != faces[:, 0])
    faces = faces[whole]
    used = np.zeros(len(vertices), dtype=bool)
    used[faces] = True
    number = np.cumsum(used, dtype=np.int32) - 1
    return vertices[used], number[faces]


def _packed(vertices: Floats, faces: Ints) -> bytes:
    vertices, faces = lightened(vertices, faces)
    if not len(faces):
        return struct.pack("<2I4f", 0, 0, 0.0, 0.0, 0.0, 1.0)
    if len(vertices) > MOST_CORNERS:
        faces = faces[(faces < MOST_CORNERS).all(axis=1)]
        vertices, faces = _used(vertices, faces)
    low = vertices.min(axis=0)
    step = max(float((vertices.max(axis=0) - low).max()) / 65_535, 1e-9)
    counted = np.rint((vertices - low) / step).clip(0, 65_535).astype("<u2")
    head = struct.pack("<2I4f", len(vertices), len(faces), *(float(v) for v in low), step)
    return head + _filled(counted) + _filled(faces.astype("<u2"))


def _filled(numbers: NDArray[np.uint16]) -> bytes:
    data = numbers.tobytes()
    return data + b"\0" * (-len(data) % 4)
