"""What a closing must be before it is handed on. One test, the same for every rung of the ladder."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit

from .clean import drop_bad_faces, first_of_equal
from .crossings import crossing_faces
from .topology import (
    ALONE,
    Flags,
    Floats,
    Ints,
    components,
    corner_fans,
    diagonal,
    enclosed_volume,
    face_vectors,
    twins,
    used_vertices,
)

FOLDED_COSINE = -0.9999
"""Neighbours whose normals oppose by more than 179.2 degrees lie on one another: no thickness between."""

NEEDLE_HEIGHT = 1e-8
"""A triangle lower than this share of the part's diagonal has no normal to speak of; float32 keeps 6e-8."""


JUST_BESIDE = 1e-9
"""A body is asked for at this share of the diagonal beyond its furthest vertex along X: outside itself."""


@dataclass(frozen=True)
class Verdict:
    """Counts of what is wrong; all zero and a positive volume make a sound solid.

    `crossing_faces` is None where the surface is not closed and crossings were not looked for.
    """

    open_edges: int
    crowded_edges: int
    pinched_vertices: int
    degenerate_faces: int
    folded_faces: int
    shared_positions: int
    open_as_float32: int
    misplaced_bodies: int
    crossing_faces: int | None
    volume_mm3: float

    @property
    def closed(self) -> bool:
        return not (self.open_edges or self.crowded_edges or self.pinched_vertices)

    @property
    def sound(self) -> bool:
        return not self.faults()

    def faults(self) -> dict[str, float]:
        """What is wrong, by name; empty for a sound solid."""
        found: dict[str, float] = {
            name: count
            for name in (
                "open_edges", "crowded_edges", "pinched_vertices", "degenerate_faces", "folded_faces",
                "shared_positions", "open_as_float32", "misplaced_bodies", "crossing_faces",
            )
            if (count := getattr(self, name))
        }  # fmt: skip
        if not self.volume_mm3 > 0:
            found["volume_mm3"] = self.volume_mm3
        return found


def _needles(vertices: Floats, faces: Ints) -> Flags:
    vectors = face_vectors(vertices, faces)
    longest = np.zeros(len(faces))
    for k in range(3):
        side = vertices[faces[:, k]] - vertices[faces[:, (k + 1) % 3]]
        longest = np.maximum(longest, np.linalg.norm(side, axis=1))
    needle = np.linalg.norm(vectors, axis=1) <= NEEDLE_HEIGHT * diagonal(vertices) * longest
    return np.asarray(needle, bool)


def judge(vertices: Floats, faces: Ints) -> Verdict:
    """The verdict on a mesh (n,3) mm, (m,3). Crossings, the dear part, only where all else is closed."""
    n = len(vertices)
    twin = twins(faces, n)
    open_edges = int((twin == ALONE).sum())
    crowded = int((twin < ALONE).sum())
    fans, _ = corner_fans(faces, twin)
    used = used_vertices(faces, n)
    vectors = face_vectors(vertices, faces)
    first = _first_in_place(vertices)
    welded, collapsed, _ = drop_bad_faces(first[faces])
    flat = _flat(vertices, faces)
    closed = len(faces) > 0 and not open_edges and not crowded and fans == len(used)
    crossings = int(crossing_faces(vertices, faces).sum()) if closed else None
    return Verdict(
        open_edges=open_edges if len(faces) else 1,
        crowded_edges=crowded,
        pinched_vertices=fans - len(used),
        degenerate_faces=int(flat.sum()) if len(faces) else 0,
        folded_faces=int(_folded(vectors, twin, FOLDED_COSINE).sum()),
        shared_positions=len(used) - len(used_vertices(first[used], n)),
        open_as_float32=int((twins(welded, n) < 0).sum()) + collapsed,
        misplaced_bodies=misplaced_bodies(vertices, faces) if crossings == 0 else 0,
        crossing_faces=crossings,
        volume_mm3=enclosed_volume(vertices, faces),
    )


def misplaced_bodies(vertices: Floats, faces: Ints) -> int:
    """Bodies that are not where they should be: outer ones in the open, cavities in one outer body."""
    count, label = components(faces, len(vertices))
    if count < 2:
        return 0
    from .winding import WindingTree

    corners = faces.ravel()
    order = np.lexsort((vertices[corners, 0], np.repeat(label, 3)))
    last = np.searchsorted(np.repeat(label, 3)[order], np.arange(1, count + 1)) - 1
    beside = vertices[corners[order[last]]] + [JUST_BESIDE * diagonal(vertices), 0, 0]
    around = WindingTree.of(vertices, faces).at(beside)
    a, b, c = (vertices[faces[:, k]] - vertices.mean(axis=0) for k in range(3))
    volume = np.bincount(label, np.einsum("ij,ij->i", a, np.cross(b, c)), count)
    return int((np.abs(around - (volume <= 0)) > 0.5).sum())


def offending_faces(vertices: Floats, faces: Ints, only: Flags | None = None) -> Flags:
    """(m,) faces that cross another, lie folded on a neighbour, are needles, or share a place in an STL.

    With `only` (m,), crossings are looked for between these faces and all others.
    """
    n = len(vertices)
    folded = _folded(face_vectors(vertices, faces), twins(faces, n), FOLDED_COSINE)
    first = _first_in_place(vertices)
    used = used_vertices(faces, n)
    shared = (np.bincount(first[used], minlength=n) > 1)[first][faces].any(axis=1)
    return np.asarray(crossing_faces(vertices, faces, only=only) | folded | shared | _flat(vertices, faces))


def _first_in_place(vertices: Floats) -> Ints:
    """(n,) for each vertex the first one that an STL would store at the same place."""
    single = vertices.astype(np.float32) + np.float32(0.0)
    return first_of_equal(single.view(np.int32).astype(np.int64).reshape(-1, 3))


def _flat(vertices: Floats, faces: Ints) -> Flags:
    single = vertices.astype(np.float32).astype(np.float64)
    return np.asarray(_needles(vertices, faces) | _needles(single, faces))


@njit(cache=True)
def _folded(vectors, twin, limit):
    folded = np.zeros(len(vectors), np.bool_)
    for h in range(len(twin)):
        t = twin[h]
        if t <= h:
            continue
        p, q = vectors[h // 3], vectors[t // 3]
        pp = p[0] * p[0] + p[1] * p[1] + p[2] * p[2]
        qq = q[0] * q[0] + q[1] * q[1] + q[2] * q[2]
        if p[0] * q[0] + p[1] * q[1] + p[2] * q[2] < limit * np.sqrt(pp * qq):
            folded[h // 3] = True
            folded[t // 3] = True
    return folded
