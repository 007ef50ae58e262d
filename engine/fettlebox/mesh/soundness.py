"""The witness: is this part one that can be handed over as a solid?

Nothing here is used by any step, so that what made a part does not also vouch for it.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any
from weakref import WeakKeyDictionary

import numpy as np

from .part import Floats, Ints, Part
from .topology import bodies, check_edges, used_vertices

# A 200 mm part stored as float32, as STL does, has points 1.5e-5 mm apart at its far corners: 7.6e-8 of
# its size. Faces that pass through each other by less cannot be told from faces that touch.
CROSSING_REL = 1e-7
# A needle flatter than this has no normal that double precision could tell: its height is round-off.
NEEDLE_REL = 1e-9
# Neighbours whose normals are within half a degree of opposite lie upon each other.
FOLD_COSINE = -0.99996
# Winding numbers of closed surfaces are whole; summing a million solid angles errs by far less than this.
WINDING_SLACK = 0.1

_known: WeakKeyDictionary[Part, Soundness] = WeakKeyDictionary()


@dataclass(frozen=True)
class Soundness:
    """Counts of what is wrong; a part is sound when every count is zero and there is a solid at all."""

    faces: int
    open_edges: int = 0
    crowded_edges: int = 0
    flipped_edges: int = 0
    pinched_vertices: int = 0
    needle_faces: int = 0
    coincident_vertices: int = 0
    folded_edges: int = 0
    crossing_faces: int = 0
    misplaced_bodies: int = 0
    bodies: int = 0
    volume_mm3: float = 0.0

    @property
    def closed(self) -> bool:
        return self.faces > 0 and self.open_edges == 0 and self.crowded_edges == 0

    @property
    def sound(self) -> bool:
        return not self.reasons

    @property
    def reasons(self) -> tuple[str, ...]:
        """A sentence for each thing that is wrong; empty for a sound solid."""
        if self.faces == 0:
            return ("there are no faces",)
        said = [
            (self.open_edges, "{} edges have a face on one side only: the surface is open"),
            (self.crowded_edges, "{} edges are shared by more than two faces"),
            (self.flipped_edges, "{} edges join faces that are turned inside out to each other"),
            (self.pinched_vertices, "{} vertices join parts of the surface by a single point"),
            (self.needle_faces, "{} faces have no area"),
            (self.coincident_vertices, "{} vertices fall on another one when stored as STL"),
            (self.folded_edges, "{} edges are folded flat, face upon face"),
            (self.crossing_faces, "{} faces pass through others"),
            (self.misplaced_bodies, "{} bodies are inside out or inside another body"),
            (int(self.volume_mm3 <= 0), "the enclosed volume is not positive"),
        ]
        return tuple(text.format(count) for count, text in said if count)

    def as_facts(self) -> dict[str, Any]:
        return {f.name: getattr(self, f.name) for f in fields(self) if f.name not in ("faces", "volume_mm3")}


def inspect(part: Part) -> Soundness:
    """Judge a part. The tests that cost time are made only when the cheap ones found nothing."""
    if part not in _known:
        _known[part] = _inspect(part.vertices, part.faces)
    return _known[part]


def _inspect(vertices: Floats, faces: Ints) -> Soundness:
    if not len(faces):
        return Soundness(faces=0)
    edges = check_edges(faces, len(vertices))
    count, body = bodies(faces, len(vertices))
    used = used_vertices(faces, len(vertices))
    size = float(np.linalg.norm(np.ptp(vertices[used], axis=0)))
    corners = vertices[faces]
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    double_area = np.linalg.norm(cross, axis=1)
    sides = [np.linalg.norm(corners[:, k] - corners[:, k - 1], axis=1) for k in range(3)]
    longest = np.maximum(np.maximum(sides[0], sides[1]), sides[2])
    stored = vertices[used].astype(np.float32)
    volume = signed_volumes(corners, body, count)
    basics: dict[str, Any] = {
        "faces": len(faces),
        "open_edges": edges.open_edges,
        "crowded_edges": edges.crowded_edges,
        "flipped_edges": edges.flipped_edges,
        "pinched_vertices": edges.pinched,
        "needle_faces": int((double_area <= NEEDLE_REL * size * longest).sum()),
        "coincident_vertices": len(stored) - _distinct_rows(stored),
        "bodies": count,
        "volume_mm3": float(volume.sum()),
    }
    if not Soundness(**basics).sound:
        return Soundness(**basics)
    from .overlaps import overlapping_faces

    normal = cross / double_area[:, None]
    return Soundness(
        **basics,
        folded_edges=_folded_edges(faces, normal, len(vertices)),
        crossing_faces=int(overlapping_faces(vertices, faces, CROSSING_REL * size).sum()),
        misplaced_bodies=_misplaced_bodies(vertices, faces, body, volume),
    )


def _distinct_rows(rows: Any) -> int:
    words = np.ascontiguousarray(rows + np.float32(0)).view(np.uint32).astype(np.uint64)  # -0 becomes +0
    order = np.lexsort((words[:, 2], words[:, 1], words[:, 0]))
    return int((np.diff(words[order].astype(np.int64), axis=0) != 0).any(axis=1).sum()) + 1


def signed_volumes(corners: Floats, body: Any, count: int) -> Floats:
    """Signed volume (count,) of each body, by tetrahedra on the part's centre (divergence theorem)."""
    shifted = corners - corners.mean(axis=(0, 1))
    six = np.einsum("ij,ij->i", shifted[:, 0], np.cross(shifted[:, 1], shifted[:, 2]))
    return np.bincount(body, six, count) / 6.0


def _folded_edges(faces: Ints, normal: Floats, vertex_count: int) -> int:
    start, end = faces.ravel().astype(np.int64), faces[:, [1, 2, 0]].ravel().astype(np.int64)
    order = np.argsort(np.minimum(start, end) * vertex_count + np.maximum(start, end), kind="stable")
    pair = order.reshape(-1, 2) // 3
    return int((np.einsum("ij,ij->i", normal[pair[:, 0]], normal[pair[:, 1]]) < FOLD_COSINE).sum())


def _misplaced_bodies(vertices: Floats, faces: Ints, body: Any, volume: Floats) -> int:
    """Outer bodies stand in the open, cavities in the material of exactly one outer body."""
    if len(volume) == 1:
        return 0
    wrong = 0
    for k, signed in enumerate(volume):
        mine = body == k
        around = winding_number(vertices[faces[~mine]], vertices[faces[mine][0, 0]])
        wrong += abs(around - (0.0 if signed > 0 else 1.0)) > WINDING_SLACK
    return int(wrong)


def winding_number(corners: Floats, point: Floats) -> float:
    """How often the triangles (m,3,3) go around a point (3,): the sum of their solid angles over 4π.

    Solid angle by A. van Oosterom and J. Strackee, "The solid angle of a plane triangle" (1983).
    """
    a, b, c = (corners[:, i] - point for i in range(3))
    la, lb, lc = (np.linalg.norm(v, axis=1) for v in (a, b, c))
    top = np.einsum("ij,ij->i", a, np.cross(b, c))
    dots = [np.einsum("ij,ij->i", *pair) for pair in ((a, b), (b, c), (c, a))]
    bottom = la * lb * lc + dots[0] * lc + dots[1] * la + dots[2] * lb
    return float(np.arctan2(top, bottom).sum() / (2 * np.pi))
