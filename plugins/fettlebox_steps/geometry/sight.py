"""How far rays go before they meet a surface, in double precision."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .thickness import Surface

Floats = NDArray[np.float64]


def first_met(surface: Surface, start: Floats, way: Floats) -> tuple[Floats, Floats]:
    """Distance (k,) in mm from each start (k,3) along its unit way (k,3), infinite where nothing is met, and
    the outward normal (k,3) of what is met, zero without.

    The ray tracer finds the triangle in single precision; where the ray meets its plane is worked out anew.
    """
    hit = surface.first_hit(start, way)
    far = np.full(len(start), np.inf)
    normal = np.zeros((len(start), 3))
    met = np.flatnonzero(hit >= 0)
    normal[met] = surface.normals_of(hit[met])
    along = np.einsum("ij,ij->i", normal[met], way[met])
    corner = surface.points[surface.corners[hit[met], 0]]
    offset = np.einsum("ij,ij->i", normal[met], corner - start[met])
    level = np.abs(along) < 1e-9
    far[met] = np.where(level, 0.0, offset / np.where(level, 1.0, along))
    return far, normal
