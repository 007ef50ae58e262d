"""Filtering a surface by wavelength, with weights that do not depend on how it is cut into triangles."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from .noise import weighted_quantile
from .surface_links import Links, links_of

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]
Mask = NDArray[np.bool_]
Response = Callable[[Floats], Floats]
"""What of an eigencomponent stays, by its eigenvalue."""

BEYOND_USUAL = 2.0
"""Rows that reach eigenvalues this many times beyond those of all but SLIVERS of the surface are slowed, so
that a few tiny or narrow triangles do not make the whole mesh take longer: passes grow as the root of the
largest."""

SLIVERS = 0.01
"""Share of the surface that "a few" triangles lie on."""

STEEPEST_COTANGENT = 5.0
"""Cotangents beyond this belong to needles (under 11 degrees), whose weight would drown their neighbours'."""

NEGLIGIBLE = 1e-6
"""Chebyshev coefficients below this share of a displacement are not worth another pass."""


@dataclass(frozen=True)
class Operator:
    """The Laplacian L of a surface in CSR form: (L f)_i = Σ w_ij (f_i - f_j), in 1/length², with f
    given at the vertices. `top` bounds its eigenvalues from above.
    """

    start: Ints
    other: Ints
    weight: Floats
    top: float


def surface_laplacian(
    vertices: Floats, faces: Ints, pinned: Mask, most: float | None = np.inf, links: Links | None = None
) -> Operator:
    """Cotangent Laplacian with lumped areas (M. Meyer et al., "Discrete differential-geometry operators for
    triangulated 2-manifolds", 2002), in 1/mm²; its eigenvalue for a wave of length l is (2π/l)².

    pinned  (n,) vertices whose rows are zero: a filter leaves them where they are
    most    rows that would reach eigenvalues beyond this are slowed to it; None: twice what nearly all of
            the surface reaches
    links   of these faces, if they are known
    """
    links = links or links_of(faces, len(vertices))
    weight, total, mass = _cotangent_weights(vertices, faces, links.start, links.other)
    return _operator(links, weight, total, mass, pinned, most)


def uniform_laplacian(faces: Ints, count: int) -> Operator:
    """The umbrella operator: every neighbour counts the same; eigenvalues 0 to 2 (Taubin 1995)."""
    links = links_of(faces, count)
    degree = np.diff(links.start).astype(np.float64)
    return _operator(links, np.ones(len(links.other)), degree, degree, np.zeros(count, np.bool_), np.inf)


def filtered(values: Floats, operator: Operator, response: Response, degree: int | None = None) -> Floats:
    """Values (n,k) with every eigencomponent multiplied by `response` of its eigenvalue.

    A Chebyshev series of the response on [0, top] (G. Taubin, T. Zhang, G. Golub, "Optimal surface smoothing
    as filter design", ECCV 1996): exact for a polynomial of at most `degree`; without `degree`, as long as
    terms matter. `response` must be 1 at 0, or values would drift.
    """
    return np.asarray(filtered_each(values, operator, [[response] * values.shape[1]], degree)[0])


def filtered_each(
    values: Floats, operator: Operator, responses: Sequence[Sequence[Response]], degree: int | None = None
) -> Floats:
    """As `filtered`, several answers (j,n,k) in one go: `responses[j][c]` is what column c is filtered with
    in answer j. The passes over the surface, which take the time, are the same for all.
    """
    made = {response: _chebyshev(response, operator.top, degree) for row in responses for response in row}
    terms = max(len(series) for series in made.values())
    series = np.zeros((len(responses), terms, values.shape[1]))
    for j, row in enumerate(responses):
        for c, response in enumerate(row):
            series[j, : len(made[response]), c] = made[response]
    # The map of [0, top] on to [-1, 1] is put into the weights, once.
    weight = operator.weight * (2.0 / operator.top)
    passes = _passes_of_three if values.shape[1] == 3 else _passes
    return np.asarray(
        passes(np.ascontiguousarray(values, np.float64), operator.start, operator.other, weight, series)
    )


def _chebyshev(response: Response, top: float, degree: int | None) -> Floats:
    """(t,) coefficients of the response on [0, top]."""
    from scipy.fft import dct

    terms = (degree if degree is not None else 1023) + 1
    nodes = np.cos(np.pi * (np.arange(terms) + 0.5) / terms)
    series = np.asarray(dct(response((nodes + 1.0) * top / 2.0), type=2) / terms)
    series[0] /= 2.0
    if degree is None:
        tail = np.cumsum(np.abs(series[::-1]))[::-1]
        series = series[: max(2, int(np.count_nonzero(tail > NEGLIGIBLE)))]
    # Held to exactly 1 at zero frequency, so that what lies still does not move by the terms left out.
    series[0] += 1.0 - float(np.sum(series * (-1.0) ** np.arange(len(series))))
    return series


def keeps_longer_than(wavelength: float, steepness: int = 2) -> Response:
    """Response exp(-(wavelength/l)^(2·steepness)): with 2, what many passes of Taubin's pair λ, -λ tend to.
    Waves of twice the length keep 94 %, of the length itself 37 %, of two thirds of it 0.6 %.
    """
    cut = (2.0 * np.pi / wavelength) ** 2
    return lambda eigenvalue: np.exp(-((eigenvalue / cut) ** steepness))


def blur(width_mm: float) -> Response:
    """Response of a Gaussian blur (the heat equation) of this deviation in mm."""
    return lambda eigenvalue: np.exp(-eigenvalue * (width_mm * width_mm / 2.0))


def _operator(
    links: Links, weight: Floats, total: Floats, mass: Floats, pinned: Mask, most: float | None
) -> Operator:
    count = len(mass)
    # By Gershgorin's circles no eigenvalue is beyond twice the largest row.
    if most is None:
        reached = np.divide(2.0 * total, mass, out=np.zeros_like(mass), where=mass > 0)
        most = BEYOND_USUAL * weighted_quantile(reached, mass, 1.0 - SLIVERS) if count else np.inf
        most = most if most > 0 else np.inf
    divisor = np.maximum(mass, 2.0 * total / most)
    scale = np.where(pinned | (divisor <= 0), 0.0, 1.0 / np.where(divisor > 0, divisor, 1.0))
    top = float((2.0 * total * scale).max(initial=0.0))
    return Operator(
        links.start,
        links.other,
        weight * np.repeat(scale, np.diff(links.start)),
        top if top > 0 else 1.0,
    )


@njit(cache=True)
def _cotangent_weights(vertices, faces, start, other):
    """Half the cotangents opposite every edge, from 0 to STEEPEST_COTANGENT/2, summed over its faces; their
    sums over each row; a third of the area around each vertex.
    """
    n = len(start) - 1
    weight, total, mass = np.zeros(len(other)), np.zeros(n), np.zeros(n)
    arm = np.empty((3, 3))
    for f in range(len(faces)):
        for k in range(3):
            for c in range(3):
                arm[k, c] = vertices[faces[f, (k + 2) % 3], c] - vertices[faces[f, (k + 1) % 3], c]
        x = arm[0, 1] * arm[1, 2] - arm[0, 2] * arm[1, 1]
        y = arm[0, 2] * arm[1, 0] - arm[0, 0] * arm[1, 2]
        z = arm[0, 0] * arm[1, 1] - arm[0, 1] * arm[1, 0]
        double_area = np.sqrt(x * x + y * y + z * z)
        dots = np.empty(3)
        longest = 0.0
        for k in range(3):
            one, two = arm[(k + 1) % 3], arm[(k + 2) % 3]
            dots[k] = -(one[0] * two[0] + one[1] * two[1] + one[2] * two[2])
            longest = max(longest, abs(dots[k]))
        safe = max(double_area, 1e-12 * longest)
        for k in range(3):
            mass[faces[f, k]] += double_area / 6.0
            half = min(max(dots[k] / (safe if safe > 0 else 1.0), 0.0), STEEPEST_COTANGENT) / 2.0
            a, b = faces[f, (k + 1) % 3], faces[f, (k + 2) % 3]
            if a != b:
                weight[_place(start, other, a, b)] += half
                weight[_place(start, other, b, a)] += half
    for i in range(n):
        for at in range(start[i], start[i + 1]):
            total[i] += weight[at]
    return weight, total, mass


@njit(inline="always")
def _place(start, other, a, b):
    at = start[a]
    while other[at] != b:
        at += 1
    return at


@njit(cache=True)
def _passes(values, start, other, weight, series):
    """Answers j of Σ c_jk T_k(M) values (j,n,columns), by Chebyshev's recurrence, column by column, with
    (M f)_i = Σ weight_ij (f_i - f_j) - f_i. Neighbours are made unsigned, or each would be looked at for
    counting from the end.
    """
    n = len(values)
    answers, terms, columns = series.shape
    result = np.empty((answers, n, columns))
    here = _here(start, weight)
    for c in range(columns):
        before, now = values[:, c].copy(), np.zeros(n)
        for i in range(n):
            for j in range(answers):
                result[j, i, c] = series[j, 0, c] * before[i]
        for k in range(1, terms):
            source = before if k == 1 else now
            for i in range(n):
                total = 0.0
                for at in range(start[i], start[i + 1]):
                    total += weight[at] * source[np.uint32(other[at])]
                value = here[i] * source[i] - total
                if k == 1:
                    now[i] = value
                else:
                    value = 2.0 * value - before[i]
                    before[i] = value
                for j in range(answers):
                    result[j, i, c] += series[j, k, c] * value
            if k > 1:
                before, now = now, before
    return result


@njit(cache=True)
def _passes_of_three(points, start, other, weight, series):
    """As `_passes`, for (n,3): each weight is read once for the three, which is what takes the time."""
    n = len(points)
    answers, terms, _ = series.shape
    before, now, result = points.copy(), np.empty((n, 3)), np.empty((answers, n, 3))
    here = _here(start, weight)
    for i in range(n):
        for j in range(answers):
            for c in range(3):
                result[j, i, c] = series[j, 0, c] * points[i, c]
    for k in range(1, terms):
        source = before if k == 1 else now
        for i in range(n):
            x, y, z = 0.0, 0.0, 0.0
            for at in range(start[i], start[i + 1]):
                o, w = np.uint32(other[at]), weight[at]
                x += w * source[o, 0]
                y += w * source[o, 1]
                z += w * source[o, 2]
            x = here[i] * source[i, 0] - x
            y = here[i] * source[i, 1] - y
            z = here[i] * source[i, 2] - z
            if k == 1:
                now[i, 0], now[i, 1], now[i, 2] = x, y, z
            else:
                x, y, z = 2.0 * x - before[i, 0], 2.0 * y - before[i, 1], 2.0 * z - before[i, 2]
                before[i, 0], before[i, 1], before[i, 2] = x, y, z
            for j in range(answers):
                result[j, i, 0] += series[j, k, 0] * x
                result[j, i, 1] += series[j, k, 1] * y
                result[j, i, 2] += series[j, k, 2] * z
        if k > 1:
            before, now = now, before
    return result


@njit(cache=True)
def _here(start, weight):
    here = np.full(len(start) - 1, -1.0)
    for i in range(len(here)):
        for at in range(start[i], start[i + 1]):
            here[i] += weight[at]
    return here
