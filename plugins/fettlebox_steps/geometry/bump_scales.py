"""Where something of a bump's width stands out of a surface, up or down: places worth a closer look."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from .measures import face_areas
from .noise import grain_mm
from .smoothing import typical_edge, vertex_normals
from .spectral import Operator, blur, filtered, filtered_each, surface_laplacian

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]
Mask = NDArray[np.bool_]

BASE_SHARE = 0.5
"""The base is the surface blurred by this share of the widest bump: what is left shows every bump whole."""

SCALES = (0.075, 0.125, 0.2, 0.32)
"""Blurs that the height is looked at with, as shares of the widest bump. A bump of foot radius r answers
most to a blur of about 0.4·r."""

NEXT_BLUR = 1.8
"""A scale is what one blur keeps and the blur this much wider takes away (T. Lindeberg, "Feature detection
with automatic scale selection", 1998; differences of Gaussians stand in for his Laplacian)."""

LEAST_ANSWER = 0.22
"""A bump answers with a third to a half of its height at its own scale; less than this share is no bump of
the height asked for."""

FASTEST = 32.0
"""Over the edge squared, the largest frequency of the Laplacian that is kept exact: regular triangles reach
12 at most. Needles would reach hundreds, and a blur takes as many passes as the root of that."""

OVER_GRAIN = 3.2
"""A place must stand out from all others of the scale by this many robust deviations, or every grain of
sand would be looked at closely."""

TEXTURE_SCALES = (0.125, 0.2)
"""Of the same blurs, those that elements of a texture as wide as bumps answer to; the wider ones answer to
brows and lips as well."""

AS_A_BUMP = 0.075
"""Where the surface answers with this share of the height asked for, something stands out there. Waves answer
with two fifths of half their depth at most: those that this counts are three eighths as deep as the height
asked for. With less, a smooth blend of balls counts as texture; with more, worn hair and leather do not."""

GRAIN_ANSWER, OVER_GRAIN_ANSWER = 0.16, 2.0
"""Of independent grain of deviation 1 at vertices of edge 1, what a scale of blur 1 answers: by Parseval's
theorem √(0.866·0.365/4π), 0.866 the area of a vertex; and how many deviations of it are no texture yet."""

MOST_PLACES = 3000
"""More places than this are a texture; the strongest are looked at."""


@dataclass(frozen=True)
class Relief:
    """How a surface stands over its blurred self.

    normal (n,3) of the base; height (n,) over it, mm; stands (n,): whether something stands out there, up or
    down, more than grain would; answers: of each of TEXTURE_SCALES that the edges allow, how much (n,), mm,
    and the vertices (p,) that stand out more than their neighbours and than grain; area (n,) mm² of each
    vertex, 0 where nothing is looked for; grain_mm robust deviation of the finest part; edge_mm; start,
    other: neighbours in CSR form.
    """

    normal: Floats
    height: Floats
    stands: Mask
    answers: tuple[tuple[Floats, Ints], ...]
    area: Floats
    grain_mm: float
    edge_mm: float
    start: Ints
    other: Ints


@dataclass(frozen=True)
class Place:
    """A vertex that something stands out at; sign +1 out of the surface, -1 into it."""

    vertex: int
    sign: int
    answer: float


def relief_and_places(
    vertices: Floats, faces: Ints, pinned: Mask, over_mm: float, widest_mm: float
) -> tuple[Relief, list[Place]]:
    """The relief of a surface and the places to look at, strongest first."""
    edge_mm = typical_edge(vertices, faces)
    operator = surface_laplacian(vertices, faces, pinned, FASTEST / edge_mm**2)
    base = filtered(vertices, operator, blur(BASE_SHARE * widest_mm))
    normal = vertex_normals(base, faces)
    height = np.einsum("ij,ij->i", vertices - base, normal)
    shares = np.repeat(face_areas(vertices, faces) / 3.0, 3)
    area = np.where(pinned, 0.0, np.bincount(faces.ravel(), shares, len(vertices)))
    shares_seen = [share for share in SCALES if share * widest_mm >= 0.35 * edge_mm]
    widths_mm = [max(1.2 * edge_mm, SCALES[0] * widest_mm)]
    for share in shares_seen:
        widths_mm += [share * widest_mm, NEXT_BLUR * max(share * widest_mm, 0.8 * edge_mm)]
    blurred = filtered_each(height[:, None], operator, [[blur(width_mm)] for width_mm in widths_mm])[:, :, 0]
    grain = grain_mm(height - blurred[0], area)
    stands = np.zeros(len(vertices), np.bool_)
    answers: list[tuple[Floats, Ints]] = []
    found: dict[tuple[int, int], float] = {}
    for k, share in enumerate(shares_seen):
        narrow = share * widest_mm
        answer = (height if narrow < 0.6 * edge_mm else blurred[1 + 2 * k]) - blurred[2 + 2 * k]
        answer[pinned] = 0.0
        if share in TEXTURE_SCALES:
            grainy = GRAIN_ANSWER * grain * edge_mm / narrow
            size = np.abs(answer)
            stands |= size > max(AS_A_BUMP * over_mm, OVER_GRAIN_ANSWER * grainy)
            enough = max(AS_A_BUMP * over_mm, OVER_GRAIN * grainy)
            peaks = [_peaks(sign * answer, operator, enough) for sign in (1, -1)]
            answers.append((size, np.concatenate(peaks)))
        least = max(LEAST_ANSWER * over_mm, OVER_GRAIN * grain_mm(answer, area))
        for sign in (1, -1):
            for vertex in _peaks(sign * answer, operator, least):
                key = (int(vertex), sign)
                found[key] = max(found.get(key, 0.0), float(sign * answer[vertex]))
    places = [Place(vertex, sign, value) for (vertex, sign), value in found.items()]
    places.sort(key=lambda place: (-place.answer, place.vertex, -place.sign))
    relief = Relief(
        normal, height, stands, tuple(answers), area, grain, edge_mm, operator.start, operator.other
    )
    return relief, places[:MOST_PLACES]


def _peaks(values: Floats, operator: Operator, least: float) -> Ints:
    """Vertices of at least `least` that no neighbour exceeds."""
    return np.asarray(_unbeaten(values, operator.start, operator.other, least))


@njit(cache=True)
def _unbeaten(values, start, other, least):
    found = np.empty(len(values), np.int32)
    count = 0
    for i in range(len(values)):
        if values[i] < least:
            continue
        for at in range(start[i], start[i + 1]):
            if values[other[at]] > values[i]:
                break
        else:
            found[count] = i
            count += 1
    return found[:count].copy()
