"""Holes filled with taut patches as fine as their rim."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .refine import refine
from .taut import triangulate
from .topology import Floats, Ints, face_vectors, twins

LONGEST_RIM = 350
"""Rims with more corners are first divided along short chords: the exact method takes their cube."""


@dataclass(frozen=True)
class Filled:
    """The surface with its patches behind it: vertices and faces start with the ones that were there.

    patch (m,) index of the loop that a face fills, -1 for what was there. unfilled: loops that could
    not be triangulated without doubling an edge.
    """

    vertices: Floats
    faces: Ints
    patch: Ints
    unfilled: list[int]


def divide(points: Floats, rim: Ints, longest: int = LONGEST_RIM) -> list[Ints]:
    """A long rim cut along the chord that is shortest for the length it bridges, again and again."""
    n = len(rim)
    if n <= longest:
        return [rim]
    sampled = np.arange(0, n, max(1, n // 300))
    at = points[sampled]
    chord = np.linalg.norm(at[:, None] - at[None], axis=2)
    gap = np.abs(sampled[:, None] - sampled[None])
    gap = np.minimum(gap, n - gap)
    ratio = np.where(gap < n // 8, np.inf, chord / np.maximum(gap, 1))
    i, j = sorted(sampled[list(np.unravel_index(ratio.argmin(), ratio.shape))])
    one = np.arange(i, j + 1)
    two = np.r_[np.arange(j, n), np.arange(i + 1)]
    return divide(points[one], rim[one], longest) + divide(points[two], rim[two], longest)


class _Rim:
    """Edges between rim vertices: which exist, and which face lies across each."""

    def __init__(self, vertices: Floats, faces: Ints, loops: list[Ints]) -> None:
        self.n = len(vertices)
        on_rim = np.zeros(self.n, bool)
        on_rim[np.concatenate(loops)] = True
        touching = np.flatnonzero(on_rim[faces].sum(axis=1) >= 2)
        half = faces[touching][:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
        both = on_rim[half].all(axis=1)
        key = half[both, 0] * self.n + half[both, 1]
        order = np.argsort(key, kind="stable")
        self.key = key[order]
        self.face = np.repeat(touching, 3)[both][order]
        self.vectors = face_vectors(vertices, faces)

    def _find(self, start: Ints, end: Ints) -> tuple[Ints, Ints]:
        wanted = start * self.n + end
        at = np.minimum(np.searchsorted(self.key, wanted), len(self.key) - 1)
        return at, self.key[at] == wanted

    def normals_across(self, rim: Ints) -> Floats:
        """(k,3) of the face beyond each edge (i, i+1) of a rim in fill direction, zero if there is none."""
        at, found = self._find(np.roll(rim, -1), rim)
        return np.where(found[:, None], self.vectors[self.face[at]], 0.0)

    def chords_taken(self, rim: Ints) -> np.ndarray[tuple[int, int], np.dtype[np.bool_]]:
        """(k,k) pairs i<k that are an edge of the mesh already."""
        k = len(rim)
        i, j = np.triu_indices(k, 2)
        taken = np.zeros((k, k), bool)
        taken[i, j] = self._find(rim[i], rim[j])[1] | self._find(rim[j], rim[i])[1]
        return taken


def fill(vertices: Floats, faces: Ints, loops: list[Ints]) -> Filled:
    """Fill rims, given in the direction of their faces, of a vertex-manifold surface."""
    patch = [np.full(len(faces), -1, np.int64)]
    new_points, new_faces = [vertices], [faces]
    unfilled: list[int] = []
    count = len(vertices)
    rims = _Rim(vertices, faces, loops) if loops else None
    for number, loop in enumerate(loops):
        assert rims is not None
        coarse = _coarse_patch(vertices, loop[::-1], rims)
        if coarse is None:
            unfilled.append(number)
            continue
        corners, inverse = np.unique(coarse, return_inverse=True)
        edge = np.linalg.norm(vertices[loop] - vertices[np.roll(loop, -1)], axis=1)
        spacing = np.empty(len(corners))
        spacing[np.searchsorted(corners, loop)] = (edge + np.roll(edge, 1)) / 2
        points, fine = refine(vertices[corners], inverse.reshape(-1, 3).astype(np.int64), spacing)
        added = len(points) - len(corners)
        index = np.r_[corners, np.arange(count, count + added)]
        new_points.append(points[len(corners) :])
        new_faces.append(index[fine])
        patch.append(np.full(len(fine), number, np.int64))
        count += added
    return Filled(np.concatenate(new_points), np.concatenate(new_faces), np.concatenate(patch), unfilled)


def _coarse_patch(vertices: Floats, rim: Ints, rims: _Rim) -> Ints | None:
    if len(rim) < 3:
        return None
    triangles = []
    for part in divide(vertices[rim], rim):
        corners = triangulate(vertices[part], rims.normals_across(part), rims.chords_taken(part))
        if not len(corners):
            return None
        triangles.append(part[corners])
    patch = np.concatenate(triangles)
    return patch if _doubles_no_edge(patch) else None


def _doubles_no_edge(patch: Ints) -> bool:
    """Parts of a divided rim share chords; one that two parts chose by themselves would be doubled."""
    _, inverse = np.unique(patch, return_inverse=True)
    local = inverse.reshape(-1, 3).astype(np.int64)
    return bool((twins(local, int(local.max()) + 1) >= -1).all())
