"""Taking the grain off a surface while lips, eyelids, hair and edges stay."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from .crossings import crossing_faces, search_order
from .measures import area_vectors, face_areas
from .noise import grain_mm
from .spectral import Operator, Response, blur, filtered, filtered_each, keeps_longer_than, surface_laplacian
from .surface_links import Links, links_of

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]
Longs = NDArray[np.int64]
Mask = NDArray[np.bool_]

LEAST_EDGES, MOST_EDGES, MOST_SIZE = 6.0, 7.0, 0.025
"""Waves shorter than seven edges count as grain: a scanner's errors at neighbouring points go together, as
the lines of a raking picture show. On coarse meshes that would reach into the shape, so not more than
2.5 % of the part's size; but at least six edges, below which independent errors would stay."""

NARROW, STEEP = 0.5, 6
"""Where something stands out, only waves under this share of the finest length go: three and a half edges,
which nearly halves the errors of independent points, and the least that a feature of two and a half edges
lives through. Steeper than the other filters, so that it costs features as little as can be."""

FINEST_SHARE = 0.35
"""What of independent errors of the points is in waves under NARROW, deviation over the surface to deviation
of the points: 0.33 to 0.38 measured on triangles of one size with errors of 0.05 to 0.6 edges, up to 0.5 on
those of marching cubes, and with a finest length of more than six edges."""

BROAD = 2.0
"""Features are looked for in waves up to this many times the finest length. One of two and a half edges has
more than half of its strength in waves longer than the finest; without them, one of a millimetre in grain of
0.6 mm could not be told from the grain."""

LOOKED_AT = 0.155
"""Blur that features are looked for with, as a share of the finest length: grain averages out, and a feature
of two and a half edges, the hardest to tell, has that shape (the matched filter: D. North, 1943, reprinted
1963). Wider ones answer to it too."""

FEATURE_AT, SURELY_AT, BETWEEN = 2.3, 5.0, 0.7
"""Deviations of grain, so blurred, beyond which the surface is a feature; below them it is partly one, and
from BETWEEN below on it is grain. Low where grain is strong: a feature taken for grain is lost, grain taken
for a feature is still lessened. High where a feature that is worth keeping stands out by more than that
anyhow: there, smooth skin comes out without spots."""

BROAD_PER_FINE, MOST_PER_ERROR = 1.4, 0.8
"""Grain, so blurred, deviates by that of the fine part times 1.4 (1.38 to 1.42 measured on planted grain): in
the broader one, form would count as grain, and features of a carved head would be lost. It is a quarter of
what the points err by (0.23 to 0.26), or three times as much where errors of neighbours go together as on a
real range scan; what is more is texture, and likeness."""

SHARPER_PER_FINE = 1.1
"""As BROAD_PER_FINE, with the narrower blur that steep features are looked for with."""

WORTH_KEEPING, WORTH_KEEPING_MM = 0.05, 0.35
"""What such a feature answers with, as a share of the finest length: a third of a millimetre at edges
of one, and no more on coarser scans, where locks and lips are no wider in triangles than that."""

SHARPER_LOOK, SURELY_STEEP, AROUND_STEEP, COARSER = 0.11, 7.0, 6.0, (2.0, 4.0)
"""What is only two edges wide, or has steep sides, fills a narrower blur better: it is looked for with that
too, counts from seven deviations on, which grain does not reach even where triangles are uneven, and whole
where a sixth of the neighbourhood is found. Its finest waves, a third of it, stay where their mean square is
four times the grain's, in part from twice on."""

AROUND = 4.0
"""A feature is wider than the part of it that stands out: what was found is blurred like the surface was, and
counts whole where more than a quarter of the neighbourhood is found."""

SHARP_OVER, SHARP_AT, SHARP_SHARE = 10.0, 20.0, 0.14
"""Edges and creases are sharper than a blur shows. Where the mean square of the finest waves, over this share
of the finest length, is this many times the grain's, they are shape; in between, partly."""

CRUMPLED = 0.97
"""Lengths are taken afresh when smoothing took more than 3 % of the area, and grain about as much of the
wavelength."""

CRUMPLED_ROUNDS = 4
BACK_OFF_ROUNDS = 24
HALVINGS = 5

FLAT, MOST_FLAT = 3e-4, 0.8
"""Sine of an angle (a sixtieth of a degree) under which two triangles are in one plane, far above the
rounding of files, far below what a curved surface has; and the largest share of such edges that is made
something of, which is that of triangles cut into twenty-five."""

FOLDED = -0.98
"""Cosine between the normals of neighbours beyond which one lies folded upon the other."""

NO_AREA = 1e-12
"""Triangles under this share of the part's size squared have no area that a file would keep."""


@dataclass(frozen=True)
class Fine:
    """The fine part of a surface: what a filter takes off that keeps waves longer than some length.

    normal (n,3) of the surface without it; residual (n,) along that normal, mm; of that, slow (n,) is what no
    feature can spare; broad (n,) is residual with waves up to BROAD times the length; free (n,); grain_mm
    robust deviation of the residual over the surface; broad_mm the same of `broad`; points_err_mm how far
    points err that err independently, judged by the finest waves alone, which hardly any texture or form has;
    faces (m,3) and their areas (m,), 0 where no corner is free; operator: the Laplacian of the surface
    without its fine part.
    """

    finest_mm: float
    normal: Floats
    residual: Floats
    slow: Floats
    broad: Floats
    free: Mask
    grain_mm: float
    broad_mm: float
    points_err_mm: float
    faces: Ints
    areas: Floats
    operator: Operator


def typical_edge(vertices: Floats, faces: Ints) -> float:
    """Edge of the equilateral triangle that half of the triangles are smaller than.

    By number, not by area: a base closed with few large triangles says nothing about the scan.
    """
    return float(np.sqrt(np.median(face_areas(vertices, faces)) * 4.0 / np.sqrt(3.0)))


def facet_edge(vertices: Floats, faces: Ints, links: Links | None = None) -> float:
    """The typical edge of the facets that triangles in one plane make up.

    A scan that was cut into smaller triangles on its way has the grain of the larger ones. A triangle cut
    into k² has k times as many edges, all of them flat but one in k.
    """
    edge = typical_edge(vertices, faces)
    links = links or links_of(faces, len(vertices))
    flat = _flat_edges(area_vectors(vertices, faces), links.left, links.right)
    share = flat / len(links.left) if len(links.left) else 0.0
    return edge / (1.0 - min(share, MOST_FLAT))


def usual_finest(vertices: Floats, faces: Ints, links: Links | None = None, reach: float = 1.0) -> float:
    """Wavelength in mm below which waves are grain, for a scan of these triangles, whose errors go together
    over `reach` edges.
    """
    edge = reach * facet_edge(vertices, faces, links)
    size = float(np.ptp(vertices[np.unique(faces)], axis=0).max())
    return max(LEAST_EDGES * edge, min(MOST_EDGES * edge, MOST_SIZE * size))


def fine_part(
    vertices: Floats, faces: Ints, pinned: Mask, finest_mm: float, links: Links | None = None
) -> Fine:
    """Split off waves shorter than `finest_mm`, along the normals of what is left.

    Grain crumples the surface and so lengthens the way along it; where it does, the split is made
    again with lengths taken from the smooth surface, until the area settles.
    """
    links = links or links_of(faces, len(vertices))
    shape, area_mm2 = vertices, _area(vertices, faces)
    responses = (
        keeps_longer_than(finest_mm),
        keeps_longer_than(BROAD * finest_mm),
        keeps_longer_than(NARROW * finest_mm, STEEP),
    )
    keeps = [[response] * 3 for response in responses]
    operator = surface_laplacian(shape, faces, pinned, None, links)
    shape = filtered_each(vertices, operator, keeps[:1])[0]
    before, area_mm2 = area_mm2, _area(shape, faces)
    if area_mm2 > CRUMPLED * before:
        broad_shape, slow_shape = filtered_each(vertices, operator, keeps[1:])
    else:
        for _ in range(CRUMPLED_ROUNDS - 1):
            operator = surface_laplacian(shape, faces, pinned, None, links)
            shape, broad_shape, slow_shape = filtered_each(vertices, operator, keeps)
            before, area_mm2 = area_mm2, _area(shape, faces)
            if area_mm2 > CRUMPLED * before:
                break
    normal = vertex_normals(shape, faces)
    residual = np.einsum("ij,ij->i", vertices - shape, normal)
    # The shape has no waves that are too short for the slow part.
    slow = np.einsum("ij,ij->i", slow_shape - shape, normal)
    broad = np.einsum("ij,ij->i", vertices - broad_shape, normal)
    areas = np.where(pinned[faces].all(axis=1), 0.0, face_areas(shape, faces))
    free = (np.bincount(faces.ravel(), np.repeat(areas, 3), len(vertices)) > 0.0) & ~pinned
    grain, wide = deviation(residual, faces, areas), deviation(broad, faces, areas)
    err_mm = deviation(residual - slow, faces, areas) / FINEST_SHARE
    return Fine(finest_mm, normal, residual, slow, broad, free, grain, wide, err_mm, faces, areas, operator)


def grain_of(fine: Fine) -> Floats:
    """(n,) the part of the residual that is the scanner's grain and no feature, mm.

    Where nothing stands out, that is all of it. Where something does, in the light of the grain around, it
    is only what is too fine to be part of a feature that wide; and of sharp edges and of what is narrow or
    steep, nothing.
    """
    slow, finest = fine.slow, fine.residual - fine.slow
    blurring, sharper = blur(LOOKED_AT * fine.finest_mm), blur(SHARPER_LOOK * fine.finest_mm)
    square, answer, grain = filtered_each(
        np.column_stack([np.square(finest), fine.broad, fine.residual]),
        fine.operator,
        [[blur(SHARP_SHARE * fine.finest_mm), blurring, blurring]],
    )[0].T
    # Hardly any where there is no grain at all: then all is feature.
    hardly_mm = 1e-9 * fine.finest_mm
    coarse = square / max(FINEST_SHARE * fine.points_err_mm, hardly_mm) ** 2
    deviation_mm = min(
        BROAD_PER_FINE * max(deviation(grain, fine.faces, fine.areas), hardly_mm),
        MOST_PER_ERROR * max(fine.points_err_mm, hardly_mm),
    )
    worth_mm = min(WORTH_KEEPING * fine.finest_mm, WORTH_KEEPING_MM)
    enough = float(np.clip(worth_mm / deviation_mm, FEATURE_AT, SURELY_AT))
    found = _between(np.abs(answer) / deviation_mm, enough - BETWEEN, enough)
    # In the residual alone: folds and crowns, which are longer, would count as steep, and stay grainy.
    answer = filtered(fine.residual[:, None], fine.operator, sharper)[:, 0]
    deviation_mm = SHARPER_PER_FINE * max(deviation(answer, fine.faces, fine.areas), hardly_mm)
    steep = _between(np.abs(answer) / deviation_mm, SURELY_STEEP - BETWEEN, SURELY_STEEP)
    steep = _with_surroundings(steep, fine, sharper, AROUND_STEEP)
    standing_out = np.maximum(_with_surroundings(found, fine, blurring, AROUND), steep)
    sharp = np.maximum(_between(coarse, SHARP_OVER, SHARP_AT), steep * _between(coarse, *COARSER))
    # Rounding in the filter leaves pinned vertices a hair of residual; they must not move at all.
    return np.where(fine.free, (1.0 - sharp) * finest + (1.0 - standing_out) * slow, 0.0)


def _with_surroundings(found: Floats, fine: Fine, blurring: Response, times: float) -> Floats:
    around = filtered(found[:, None], fine.operator, blurring)[:, 0]
    return np.maximum(found, np.clip(times * around, 0.0, 1.0))


def taken_off(fine: Fine, strength: float, guard_mm: float) -> Floats:
    """(n,) how far to move each vertex along `fine.normal`: `strength` of its grain, at most `guard_mm`."""
    return np.clip(-strength * grain_of(fine), -guard_mm, guard_mm)


def grain_left(fine: Fine, moved: Floats) -> float:
    """How grainy the surface of `fine` is when its vertices have been moved so far (n,) along their normals:
    the robust deviation over it, mm, of waves up to BROAD times the finest length.

    What smoothing leaves is mostly longer than the finest length, and so is not seen by splitting at it. Of
    independent errors of the points, waves up to twice that length hold all but a quarter of what is left,
    which makes it a seventh too little; form and texture of that size are in it too.
    """
    kept = filtered(moved[:, None], fine.operator, keeps_longer_than(BROAD * fine.finest_mm))[:, 0]
    return deviation(fine.broad + moved - kept, fine.faces, fine.areas)


def deviation(values: Floats, faces: Ints, areas: Floats) -> float:
    """Robust deviation over the surface of values (n,) given at the corners of faces (m,3) of areas (m,).

    Taken inside the triangles, at the points that integrate a quadratic exactly (P. Hammer, A. Stroud,
    "Numerical integration over simplexes", 1956), not at the vertices, where values that go up and down
    between neighbours are largest: the same surface in smaller triangles has the same deviation. Where
    neighbours err independently by s, the flat triangles between them are s·√½ off in the mean square.
    """
    return grain_mm(_inside(values, faces), areas)


def _between(values: Floats, low: float, high: float) -> Floats:
    """0 up to `low`, 1 from `high` on."""
    return np.clip((values - low) / (high - low), 0.0, 1.0)


def moved_safely(
    vertices: Floats, faces: Ints, along: Floats, by: Floats, links: Links | None = None
) -> tuple[Floats, Floats]:
    """Vertices moved by `by` (n,) along unit `along` (n,3), and how far each was moved in the end.

    Where a move would make triangles cross, fold over or vanish that did not before, it is halved, then
    given up, in a neighbourhood that grows until nothing is spoiled. Triangles that did before stay just
    as they are: the slightest move could make a narrow fold a closed one.
    """
    by = by.copy()
    links = links or links_of(faces, len(vertices))
    order = search_order(vertices, faces)
    result = vertices + along * by[:, None]
    bad = _spoiled(result, links, order)
    if not bad.any():
        return result, by
    before = _spoiled(vertices, links, order)
    near = _corners_of(before, faces, len(vertices))
    by[near] = 0.0
    for round_ in range(BACK_OFF_ROUNDS):
        result = vertices + along * by[:, None]
        # Triangles of which no corner was put elsewhere cross each other no more than they did.
        bad = _spoiled(result, links, order, near[faces].any(axis=1) | bad) & ~before
        if not bad.any():
            return result, by
        near = _corners_of(bad, faces, len(vertices))
        for _ in range(round_):
            near[faces[near[faces].any(axis=1)]] = True
        by[near] *= 0.5 if round_ < HALVINGS else 0.0
    return vertices.copy(), np.zeros_like(by)


def _corners_of(chosen: Mask, faces: Ints, count: int) -> Mask:
    corners = np.zeros(count, dtype=np.bool_)
    corners[faces[chosen]] = True
    return corners


def _spoiled(vertices: Floats, links: Links, order: Longs, only: Mask | None = None) -> Mask:
    """(m,) triangles that cross (of those of `only`), are folded upon a neighbour or have no area."""
    span = float(np.ptp(vertices, axis=0).max())
    bad = _degenerate(area_vectors(vertices, links.faces), links.left, links.right, NO_AREA * span * span)
    return np.asarray(bad | crossing_faces(vertices, links.faces, only, order), dtype=np.bool_)


def vertex_normals(vertices: Floats, faces: Ints) -> Floats:
    """(n,3) unit normals, each face weighing as much as its area; zero where no face is."""
    normal = _summed(area_vectors(vertices, faces), faces, len(vertices))
    length = np.linalg.norm(normal, axis=1)
    return np.asarray(normal / np.where(length > 0, length, 1.0)[:, None])


def _area(vertices: Floats, faces: Ints) -> float:
    return float(face_areas(vertices, faces).sum())


@njit(cache=True)
def _inside(values, faces):
    """(3m,) what is linear on every face, at three points of each that integrate a quadratic exactly."""
    inside = np.empty(3 * len(faces))
    for f in range(len(faces)):
        a, b, c = values[faces[f, 0]], values[faces[f, 1]], values[faces[f, 2]]
        mean = (a + b + c) / 3.0
        inside[3 * f] = (a + mean) / 2.0
        inside[3 * f + 1] = (b + mean) / 2.0
        inside[3 * f + 2] = (c + mean) / 2.0
    return inside


@njit(cache=True)
def _flat_edges(vectors, left, right):
    """How many pairs of faces lie in one plane."""
    flat = 0
    for e in range(len(left)):
        p, q = vectors[left[e]], vectors[right[e]]
        x, y, z = p[1] * q[2] - p[2] * q[1], p[2] * q[0] - p[0] * q[2], p[0] * q[1] - p[1] * q[0]
        pp = p[0] * p[0] + p[1] * p[1] + p[2] * p[2]
        qq = q[0] * q[0] + q[1] * q[1] + q[2] * q[2]
        # A face without an area is in one plane with any.
        flat += pp * qq == 0.0 or x * x + y * y + z * z < FLAT * FLAT * pp * qq
    return flat


@njit(cache=True)
def _degenerate(vectors, left, right, least_area):
    """(m,) faces of no area, and both of a pair of which one lies folded upon the other."""
    size, bad = np.empty(len(vectors)), np.empty(len(vectors), np.bool_)
    for f in range(len(vectors)):
        p = vectors[f]
        size[f] = np.sqrt(p[0] * p[0] + p[1] * p[1] + p[2] * p[2])
        bad[f] = size[f] <= least_area
    for e in range(len(left)):
        p, q = vectors[left[e]], vectors[right[e]]
        if p[0] * q[0] + p[1] * q[1] + p[2] * q[2] < FOLDED * size[left[e]] * size[right[e]]:
            bad[left[e]] = True
            bad[right[e]] = True
    return bad


@njit(cache=True)
def _summed(vectors, faces, n):
    """At every vertex, the sum of its faces' vectors."""
    total = np.zeros((n, 3))
    for f in range(len(faces)):
        for k in range(3):
            for c in range(3):
                total[faces[f, k], c] += vectors[f, c]
    return total
