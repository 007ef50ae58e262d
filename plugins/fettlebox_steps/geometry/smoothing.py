"""Taking the grain off a surface while lips, eyelids, hair and edges stay."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .crossings import crossing_faces
from .measures import area_vectors, edges_by_use, face_areas
from .noise import grain_mm
from .spectral import filtered, highest_for, keeps_longer_than, spreads_over, surface_laplacian

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]
Mask = NDArray[np.bool_]

LEAST_EDGES, MOST_EDGES, MOST_SIZE = 5.0, 8.0, 0.025
"""Waves shorter than eight edges count as grain: a scanner's errors at neighbouring points go together, as
the lines of a raking picture show. On coarse meshes that would reach into the shape, so not more than
2.5 % of the part's size; but at least five edges, below which independent errors would stay."""

FEATURE_ENERGY = 2.0
"""Where the fine part of the surface has more than this times the grain's energy, it is a feature. The
local mean of the squares of pure noise hardly ever reaches it."""

CRUMPLED = 0.97
"""Lengths are taken afresh when smoothing took more than 3 % of the area, and grain about as much of the
wavelength."""

CRUMPLED_ROUNDS = 4
BACK_OFF_ROUNDS = 24
HALVINGS = 5

FOLDED = -0.98
"""Cosine between the normals of neighbours beyond which one lies folded upon the other."""

NO_AREA = 1e-12
"""Triangles under this share of the part's size squared have no area that a file would keep."""


BAND = 2.0
"""Ratio of wavelengths between the two bands that the fine part is judged in: shapes stand out from the grain
in the slower one, where grain is weak."""


@dataclass(frozen=True)
class Band:
    """A band of the fine part: values (n,) mm, local (n,) mean square around, grain_mm robust deviation."""

    values: Floats
    local: Floats
    grain_mm: float


@dataclass(frozen=True)
class Fine:
    """The fine part of a surface: what a filter of `wavelength` takes off.

    normal (n,3) of the surface without it; residual (n,) along that normal, mm; area (n,) that each
    free vertex stands for;
    local (n,) mean square of the residual around each vertex; grain_mm its robust deviation.
    """

    wavelength: float
    normal: Floats
    residual: Floats
    area: Floats
    bands: tuple[Band, ...]
    grain_mm: float


def typical_edge(vertices: Floats, faces: Ints) -> float:
    """Edge of the equilateral triangle that half of the triangles are smaller than.

    By number, not by area: a base closed with few large triangles says nothing about the scan.
    """
    return float(np.sqrt(np.median(face_areas(vertices, faces)) * 4.0 / np.sqrt(3.0)))


def usual_finest(vertices: Floats, faces: Ints) -> float:
    """Wavelength in mm below which waves are grain, for a scan of these triangles."""
    edge = typical_edge(vertices, faces)
    size = float(np.ptp(vertices[np.unique(faces)], axis=0).max())
    return max(LEAST_EDGES * edge, min(MOST_EDGES * edge, MOST_SIZE * size))


def fine_part(vertices: Floats, faces: Ints, pinned: Mask, wavelength: float) -> Fine:
    """Split off what is finer than `wavelength` (mm), along the normals of what is left.

    Grain crumples the surface and so lengthens the way along it; where it does, the split is made
    again with lengths taken from the smooth surface, until the area settles.
    """
    shape, area_mm2 = vertices, _area(vertices, faces)
    for _ in range(CRUMPLED_ROUNDS):
        operator = surface_laplacian(shape, faces, pinned, highest_for(wavelength))
        shape = filtered(vertices, operator, keeps_longer_than(wavelength))
        before, area_mm2 = area_mm2, _area(shape, faces)
        if area_mm2 > CRUMPLED * before:
            break
    normal = vertex_normals(shape, faces)
    residual = np.einsum("ij,ij->i", vertices - shape, normal)
    area = np.bincount(faces.ravel(), np.repeat(face_areas(shape, faces) / 3.0, 3), len(vertices))
    free = np.where(pinned, 0.0, area)
    slow = residual - filtered(residual[:, None], operator, keeps_longer_than(wavelength / BAND))[:, 0]
    bands = []
    for values, length in ((slow, wavelength / BAND), (residual - slow, wavelength)):
        squares = filtered(np.square(values)[:, None], operator, spreads_over(length))
        bands.append(Band(values, np.maximum(squares[:, 0], 0.0), grain_mm(values, free)))
    return Fine(wavelength, normal, residual, free, tuple(bands), grain_mm(residual, free))


def taken_off(fine: Fine, strength: float, guard_mm: float) -> Floats:
    """(n,) how far to move each vertex along `fine.normal`.

    Grain is taken off whole, times `strength`; where the fine part is stronger than grain, only the
    share of it that grain can explain is (J.-S. Lee, "Digital image enhancement and noise filtering by
    use of local statistics", 1980). Never more than `guard_mm`.
    """
    grain = np.zeros_like(fine.residual)
    for band in fine.bands:
        share = np.minimum(1.0, FEATURE_ENERGY * band.grain_mm**2 / np.maximum(band.local, 1e-30))
        grain += share * band.values
    # Rounding in the filter leaves pinned vertices a hair of residual; they must not move at all.
    return np.where(fine.area > 0.0, np.clip(-strength * grain, -guard_mm, guard_mm), 0.0)


def moved_safely(vertices: Floats, faces: Ints, along: Floats, by: Floats) -> tuple[Floats, Floats]:
    """Vertices moved by `by` (n,) along unit `along` (n,3), and how far each was moved in the end.

    Where a move would make triangles cross, fold over or vanish that did not before, it is halved, then
    given up, in a neighbourhood that grows until nothing is spoiled. Triangles that did before stay just
    as they are: the slightest move could make a narrow fold a closed one.
    """
    by = by.copy()
    result = vertices + along * by[:, None]
    bad = _spoiled(result, faces)
    if not bad.any():
        return result, by
    before = _spoiled(vertices, faces)
    by[faces[before]] = 0.0
    for round_ in range(BACK_OFF_ROUNDS):
        result = vertices + along * by[:, None]
        bad = _spoiled(result, faces) & ~before
        if not bad.any():
            return result, by
        near = np.zeros(len(vertices), dtype=np.bool_)
        near[faces[bad]] = True
        for _ in range(round_):
            near[faces[near[faces].any(axis=1)]] = True
        by[near] *= 0.5 if round_ < HALVINGS else 0.0
    return vertices.copy(), np.zeros_like(by)


def _spoiled(vertices: Floats, faces: Ints) -> Mask:
    vectors = area_vectors(vertices, faces)
    area = np.linalg.norm(vectors, axis=1)
    span = float(np.ptp(vertices, axis=0).max())
    bad = crossing_faces(vertices, faces) | (area <= NO_AREA * span * span)
    unit = vectors / np.where(area > 0, area, 1.0)[:, None]
    start, end = faces.ravel().astype(np.int64), np.roll(faces, -1, axis=1).ravel().astype(np.int64)
    key = np.minimum(start, end) * len(vertices) + np.maximum(start, end)
    order = np.argsort(key, kind="stable")
    same = np.flatnonzero(key[order][1:] == key[order][:-1])
    left, right = order[same] // 3, order[same + 1] // 3
    folded = np.einsum("ij,ij->i", unit[left], unit[right]) < FOLDED
    bad[left[folded]] = True
    bad[right[folded]] = True
    return np.asarray(bad, dtype=np.bool_)


def vertex_normals(vertices: Floats, faces: Ints) -> Floats:
    """(n,3) unit normals, each face weighing as much as its area; zero where no face is."""
    vectors = np.repeat(area_vectors(vertices, faces), 3, axis=0)
    corners = faces.ravel()
    normal = np.stack([np.bincount(corners, vectors[:, k], len(vertices)) for k in range(3)], axis=1)
    length = np.linalg.norm(normal, axis=1)
    return np.asarray(normal / np.where(length > 0, length, 1.0)[:, None])


def boundary_vertices(faces: Ints, count: int) -> Mask:
    """(n,) True for the ends of edges that only one face uses."""
    edges, uses = edges_by_use(faces)
    mask = np.zeros(count, dtype=np.bool_)
    mask[edges[uses == 1]] = True
    return mask


def _area(vertices: Floats, faces: Ints) -> float:
    return float(face_areas(vertices, faces).sum())
