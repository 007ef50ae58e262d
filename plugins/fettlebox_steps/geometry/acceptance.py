"""What a closing must be before it is handed on. One test, the same for every rung of the ladder."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from .clean import drop_bad_faces, first_of_equal
from .crossings import crossing_faces, near_faces
from .needles import heights
from .topology import (
    ALONE,
    Flags,
    Floats,
    Ints,
    compact,
    components,
    corner_fans,
    diagonal,
    enclosed_volume,
    face_vectors,
    folded_pairs,
    piece_volumes,
    twins,
    used_vertices,
)

FOLDED_COSINE = -0.9999
"""Neighbours whose normals oppose by more than 179.2 degrees lie on one another: no thickness between."""

NEEDLE_HEIGHT = 1e-8
"""A triangle lower than this share of the part's diagonal has no normal to speak of; float32 keeps 6e-8."""

UPON = 1.1e-7
"""Faces in one plane within this share of the diagonal that overlap by more lie upon one another: what is
pressed into a base, or filled flat, may fold within its plane, where no face passes through another. A tenth
more than what a delivered part is held to: needles of a fine scan lie as near to one another as that."""

JUST_BESIDE = 1e-9
"""A body is asked for at this share of the diagonal beyond its furthest vertex along X: outside itself."""


@dataclass(frozen=True)
class Verdict:
    """Counts of what is wrong; all zero and a positive volume make a sound solid.

    `crossing_faces` is None where the surface is not closed and crossings were not looked for, as is
    `offending` (m,): faces that cross another, lie folded on one, are needles, or share a place in an STL.
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
    offending: Flags | None = field(default=None, repr=False, compare=False)

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


def judge(vertices: Floats, faces: Ints, only: Flags | None = None) -> Verdict:
    """The verdict on a mesh (n,3) mm, (m,3). Crossings, the dear part, only where all else is closed.

    With `only` (m,), they are looked for between these faces and all others: the rest are known to cross none
    of each other.
    """
    n = len(vertices)
    twin = twins(faces, n)
    open_edges = int((twin == ALONE).sum())
    crowded = int((twin < ALONE).sum())
    fans, _ = corner_fans(faces, twin)
    used = used_vertices(faces, n)
    first = _first_in_place(vertices)
    shared = len(used) - len(used_vertices(first[used], n))
    open_as_float32 = open_edges + crowded
    if shared or crowded:
        welded, collapsed, _ = drop_bad_faces(first[faces])
        open_as_float32 = int((twins(welded, n) < 0).sum()) + collapsed
    closed = len(faces) > 0 and not open_edges and not crowded and fans == len(used)
    folded = folded_pairs(face_vectors(vertices, faces), twin, FOLDED_COSINE)
    size_mm = diagonal(vertices)
    flat = _flat(vertices, faces, size_mm)
    crossings, offending = None, None
    if closed:
        crossing = crossing_faces(vertices, faces, only, upon_mm=UPON * size_mm)
        crossings = int(crossing.sum())
        offending = crossing | folded | flat | _sharing(first, used)[faces].any(axis=1)
    return Verdict(
        open_edges=open_edges if len(faces) else 1,
        crowded_edges=crowded,
        pinched_vertices=fans - len(used),
        degenerate_faces=int(flat.sum()),
        folded_faces=int(folded.sum()),
        shared_positions=shared,
        open_as_float32=open_as_float32,
        misplaced_bodies=misplaced_bodies(vertices, faces) if crossings == 0 else 0,
        crossing_faces=crossings,
        volume_mm3=enclosed_volume(vertices, faces),
        offending=offending,
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
    volume = piece_volumes(vertices, faces, label, count)
    return int((np.abs(around - (volume <= 0)) > 0.5).sum())


def offending_faces(
    vertices: Floats, faces: Ints, only: Flags | None = None, size_mm: float | None = None
) -> Flags:
    """(m,) faces that cross another, lie folded on a neighbour, are needles, or share a place in an STL.

    With `only` (m,), these faces are looked at, and what lies so near to them that it may touch them. Of what
    is a part of a surface, `size_mm` is the diagonal of the whole.
    """
    size_mm = diagonal(vertices) if size_mm is None else size_mm
    if only is not None:
        near = near_faces(vertices, faces, only)
        found = np.zeros(len(faces), bool)
        points, corners, _ = compact(vertices, faces[near])
        found[near] = _offending(points, corners, only[near], size_mm)
        return found
    return _offending(vertices, faces, None, size_mm)


def _offending(vertices: Floats, faces: Ints, only: Flags | None, size_mm: float) -> Flags:
    n = len(vertices)
    folded = folded_faces(vertices, faces)
    shared = _sharing(_first_in_place(vertices), used_vertices(faces, n))[faces].any(axis=1)
    crossing = crossing_faces(vertices, faces, only=only, upon_mm=UPON * size_mm)
    return np.asarray(crossing | folded | shared | _flat(vertices, faces, size_mm))


def folded_faces(vertices: Floats, faces: Ints) -> Flags:
    """(m,) faces that lie folded on a neighbour."""
    vectors, twin = face_vectors(vertices, faces), twins(faces, len(vertices))
    return np.asarray(folded_pairs(vectors, twin, FOLDED_COSINE))


def _sharing(first: Ints, used: Ints) -> Flags:
    """(n,) vertices that are not the only one used at their place."""
    return np.asarray((np.bincount(first[used], minlength=len(first)) > 1)[first])


def _first_in_place(vertices: Floats) -> Ints:
    """(n,) for each vertex the first one that an STL would store at the same place."""
    single = vertices.astype(np.float32) + np.float32(0.0)
    return first_of_equal(single.view(np.int32).astype(np.int64).reshape(-1, 3))


def _flat(vertices: Floats, faces: Ints, size_mm: float) -> Flags:
    """(m,) faces that are needles as they are, or with the coordinates that an STL keeps."""
    single = vertices.astype(np.float32).astype(np.float64)
    least_mm = NEEDLE_HEIGHT * size_mm
    return np.asarray((heights(vertices, faces) <= least_mm) | (heights(single, faces) <= least_mm))
