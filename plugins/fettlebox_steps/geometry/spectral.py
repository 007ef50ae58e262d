"""Filtering a surface by wavelength, with weights that do not depend on how it is cut into triangles."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]
Mask = NDArray[np.bool_]

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


def surface_laplacian(vertices: Floats, faces: Ints, pinned: Mask, most: float | None = np.inf) -> Operator:
    """Cotangent Laplacian with lumped areas (M. Meyer et al., "Discrete differential-geometry operators for
    triangulated 2-manifolds", 2002), in 1/mm²; its eigenvalue for a wave of length l is (2π/l)².

    pinned  (n,) vertices whose rows are zero: a filter leaves them where they are
    most    rows that would reach eigenvalues beyond this are slowed to it; None: twice what nearly all of
            the surface reaches
    """
    count = len(vertices)
    corners = vertices[faces]
    weights, areas = _cotangents(corners)
    pairs = np.concatenate([faces[:, [1, 2]], faces[:, [2, 0]], faces[:, [0, 1]]])
    mass = np.bincount(faces.ravel(), np.repeat(areas / 3.0, 3), minlength=count).astype(np.float64)
    row = np.concatenate([pairs[:, 0], pairs[:, 1]])
    column = np.concatenate([pairs[:, 1], pairs[:, 0]])
    return _operator(row, column, np.concatenate([weights.T.ravel()] * 2), mass, pinned, most)


def uniform_laplacian(faces: Ints, count: int) -> Operator:
    """The umbrella operator: every neighbour counts the same; eigenvalues 0 to 2 (Taubin 1995)."""
    pairs = np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]])
    pairs = np.unique(np.sort(pairs, axis=1), axis=0)
    row, column = np.concatenate([pairs[:, 0], pairs[:, 1]]), np.concatenate([pairs[:, 1], pairs[:, 0]])
    degree = np.bincount(row, minlength=count).astype(np.float64)
    return _operator(row, column, np.ones(len(row)), degree, np.zeros(count, np.bool_), np.inf)


def filtered(
    values: Floats, operator: Operator, response: Callable[[Floats], Floats], degree: int | None = None
) -> Floats:
    """Values (n,k) with every eigencomponent multiplied by `response` of its eigenvalue.

    A Chebyshev series of the response on [0, top] (G. Taubin, T. Zhang, G. Golub, "Optimal surface smoothing
    as filter design", ECCV 1996): exact for a polynomial of at most `degree`; without `degree`, as long as
    terms matter. `response` must be 1 at 0, or values would drift.
    """
    terms = (degree if degree is not None else 1023) + 1
    nodes = np.cos(np.pi * (np.arange(terms) + 0.5) / terms)
    sampled = response((nodes + 1.0) * operator.top / 2.0)
    from scipy.fft import dct

    series = np.asarray(dct(sampled, type=2) / terms)
    series[0] /= 2.0
    if degree is None:
        tail = np.cumsum(np.abs(series[::-1]))[::-1]
        series = series[: max(2, int(np.count_nonzero(tail > NEGLIGIBLE)))]
    # Held to exactly 1 at zero frequency, so that what lies still does not move by the terms left out.
    series[0] += 1.0 - float(np.sum(series * (-1.0) ** np.arange(len(series))))
    # The map of [0, top] on to [-1, 1] is put into the weights, once.
    weight = operator.weight * (2.0 / operator.top)
    lengths = np.diff(operator.start)
    here = np.bincount(np.repeat(np.arange(len(lengths)), lengths), weight, len(lengths)) - 1.0
    if values.shape[1] == 3:
        return np.asarray(
            _series_of_points(
                np.ascontiguousarray(values), operator.start, operator.other, weight, here, series
            )
        )
    columns = [
        _series(np.ascontiguousarray(column), operator.start, operator.other, weight, here, series)
        for column in values.T
    ]
    return np.stack(columns, axis=1)


def keeps_longer_than(wavelength: float, steepness: int = 2) -> Callable[[Floats], Floats]:
    """Response exp(-(wavelength/l)^(2·steepness)): with 2, what many passes of Taubin's pair λ, -λ tend to.
    Waves of twice the length keep 94 %, of the length itself 37 %, of two thirds of it 0.6 %.
    """
    cut = (2.0 * np.pi / wavelength) ** 2
    return lambda eigenvalue: np.exp(-((eigenvalue / cut) ** steepness))


def blur(width_mm: float) -> Callable[[Floats], Floats]:
    """Response of a Gaussian blur (the heat equation) of this deviation in mm."""
    return lambda eigenvalue: np.exp(-eigenvalue * (width_mm * width_mm / 2.0))


def _cotangents(corners: Floats) -> tuple[Floats, Floats]:
    """(m,3) half the cotangent at each corner, from 0 to STEEPEST_COTANGENT/2, and (m,) areas."""
    ahead = np.roll(corners, -1, axis=1) - corners
    behind = np.roll(corners, 1, axis=1) - corners
    double_area = np.linalg.norm(np.cross(ahead[:, 0], behind[:, 0]), axis=1)
    dot = np.einsum("fij,fij->fi", ahead, behind)
    safe = np.maximum(double_area, 1e-12 * np.abs(dot).max(axis=1))[:, None]
    cotangent = dot / np.where(safe > 0, safe, 1.0)
    return np.clip(cotangent, 0.0, STEEPEST_COTANGENT) / 2.0, double_area / 2.0


def _operator(
    row: Ints, column: Ints, weight: Floats, mass: Floats, pinned: Mask, most: float | None
) -> Operator:
    from scipy.sparse import coo_array

    count = len(mass)
    matrix = coo_array((weight, (row, column)), shape=(count, count)).tocsr()
    matrix.sort_indices()
    total: Floats = np.asarray(matrix.sum(axis=1)).ravel()
    # By Gershgorin's circles no eigenvalue is beyond twice the largest row.
    if most is None:
        reached = np.divide(2.0 * total, mass, out=np.zeros_like(mass), where=mass > 0)
        order = np.argsort(reached, kind="stable")
        share = np.cumsum(mass[order])
        usual = np.searchsorted(share, (1.0 - SLIVERS) * share[-1]) if count else 0
        most = BEYOND_USUAL * float(reached[order][usual]) if count else np.inf
        most = most if most > 0 else np.inf
    divisor = np.maximum(mass, 2.0 * total / most)
    scale = np.where(pinned | (divisor <= 0), 0.0, 1.0 / np.where(divisor > 0, divisor, 1.0))
    lengths = np.diff(matrix.indptr)
    top = float((2.0 * total * scale).max(initial=0.0))
    return Operator(
        matrix.indptr.astype(np.int32),
        matrix.indices.astype(np.int32),
        matrix.data * np.repeat(scale, lengths),
        top if top > 0 else 1.0,
    )


@njit(cache=True)
def _series(values, start, other, weight, here, series):
    """Σ c_k T_k(M) values (n,), by Chebyshev's recurrence, with (M f)_i = here_i f_i - Σ weight_ij f_j."""
    count = len(values)
    before, now, result = values.copy(), np.empty(count), np.empty(count)
    for i in range(count):
        total = 0.0
        for at in range(start[i], start[i + 1]):
            total += weight[at] * before[other[at]]
        now[i] = here[i] * before[i] - total
        result[i] = series[0] * before[i] + series[1] * now[i]
    for k in range(2, len(series)):
        for i in range(count):
            total = 0.0
            for at in range(start[i], start[i + 1]):
                total += weight[at] * now[other[at]]
            before[i] = 2.0 * (here[i] * now[i] - total) - before[i]
            result[i] += series[k] * before[i]
        before, now = now, before
    return result


@njit(cache=True)
def _series_of_points(points, start, other, weight, here, series):
    """As `_series`, for (n,3): each weight is read once for the three, which is what takes the time."""
    count = len(points)
    before, now, result = points.copy(), np.empty((count, 3)), np.empty((count, 3))
    for k in range(1, len(series)):
        source = before if k == 1 else now
        for i in range(count):
            x, y, z = 0.0, 0.0, 0.0
            for at in range(start[i], start[i + 1]):
                j, w = other[at], weight[at]
                x += w * source[j, 0]
                y += w * source[j, 1]
                z += w * source[j, 2]
            x = here[i] * source[i, 0] - x
            y = here[i] * source[i, 1] - y
            z = here[i] * source[i, 2] - z
            if k == 1:
                now[i, 0], now[i, 1], now[i, 2] = x, y, z
                for c in range(3):
                    result[i, c] = series[0] * before[i, c] + series[1] * now[i, c]
            else:
                before[i, 0] = 2.0 * x - before[i, 0]
                before[i, 1] = 2.0 * y - before[i, 1]
                before[i, 2] = 2.0 * z - before[i, 2]
                for c in range(3):
                    result[i, c] += series[k] * before[i, c]
        if k > 1:
            before, now = now, before
    return result
