"""How much of a solid lies on one side of a plane, without cutting it."""

from __future__ import annotations

import numpy as np

from .measures import Faces, Floats


def volume_behind(vertices: Floats, faces: Faces, point: Floats, normal: Floats) -> float:
    """mm3 of a closed outward surface, (n,3) vertices and (m,3) faces, on the side that the unit normal (3,)
    of the plane through `point` (3,) looks away from.

    Gauss: the sum of tetrahedra from a point of the plane to the surface behind it. The cut face adds none,
    since that point lies in it, so it need not be made.
    """
    corners = (vertices - point)[faces]
    height = corners @ normal
    beyond = height > 0
    count = beyond.sum(axis=1)
    whole = _six_volumes(corners[count == 0])
    # One corner alone on its side of the plane: first, and the others in their order.
    for alone, share in ((2, 1.0), (1, -1.0)):
        some = np.flatnonzero(count == alone)
        first = (beyond[some] != (alone == 2)).argmax(axis=1)
        order = (first[:, None] + np.arange(3)) % 3
        tips = np.take_along_axis(corners[some], order[..., None], axis=1)
        tall = np.take_along_axis(height[some], order, axis=1)
        reach = tall[:, :1] / (tall[:, :1] - tall[:, 1:])
        cut_off = tips.copy()
        cut_off[:, 1:] = tips[:, :1] + reach[..., None] * (tips[:, 1:] - tips[:, :1])
        whole += share * _six_volumes(cut_off)
        if alone == 1:
            whole += _six_volumes(tips)
    return whole / 6.0


def _six_volumes(corners: Floats) -> float:
    """Six times the signed volume between the origin and triangles (k,3,3)."""
    return float(np.einsum("ij,ij->", corners[:, 0], np.cross(corners[:, 1], corners[:, 2])))
