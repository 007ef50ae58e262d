"""Slivers that stand up along the outline of a scan taken from one side, as something behind it leaves them.

A wall set on such a sliver's far side makes a blade of the two, thinner than anything prints.
"""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from .base import Frame
from .topology import Flags, Floats, Ints, components, diagonal, face_areas, face_vectors

NEAR_SHARE = 0.006
"""What stands up nearer to the outline than this share of the scan's diagonal is a blade: 1.5 mm on a face in
life size, 0.4 mm on its print at quarter size, where an everyday printer draws lines of 0.4 mm."""

LOOKED_AT = 3.0
"""What stands up within so many times that distance is looked at: if it is wider than a blade it is none."""

STANDS = 0.9
"""Sine of the slope from which a surface stands: 64 degrees. A wall beside it leaves an edge of 26."""

LARGEST_SHARE = 0.005
"""A blade with more than this share of the surface is shape, as the side of a bowl is; that stays."""

MOST_SHARE = 0.02
"""Blades that together would take more than this share of the surface are shape, or it is no scan."""


def blades(vertices: Floats, faces: Ints, rim: Floats, frame: Frame) -> Flags:
    """(m,) faces at the upper ends of what stands up towards the outline, close by it.

    vertices (n,3) mm, faces (m,3); rim (r,3), points along the outline, as close as its edges; `frame`, whose
    `out` is the way the viewer looks.
    """
    flat = frame.flat(vertices)
    normals = face_vectors(flat, faces)
    downhill = normals[:, :2] / np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-300)
    steep = np.flatnonzero(np.linalg.norm(downhill, axis=1) > STANDS)
    middle = flat[faces[steep], :2].mean(axis=1)
    outline = frame.flat(rim)[:, :2]
    reach_mm = NEAR_SHARE * diagonal(vertices)
    found = cKDTree(outline).query(middle, distance_upper_bound=LOOKED_AT * reach_mm)
    away_mm, nearest = np.asarray(found[0]), np.asarray(found[1])
    near = np.isfinite(away_mm)
    steep, middle, nearest, away_mm = steep[near], middle[near], nearest[near], away_mm[near]
    inward = ((outline[nearest] - middle) * downhill[steep]).sum(axis=1) < 0
    steep, away_mm = steep[inward], away_mm[inward]
    count, label = components(faces[steep], len(vertices))
    widest_mm = np.zeros(count)
    np.maximum.at(widest_mm, label, away_mm)
    area = face_areas(vertices, faces)
    share = np.bincount(label, area[steep], count) / area.sum()
    standing = faces[steep[((widest_mm <= reach_mm) & (share <= LARGEST_SHARE))[label]]]
    upper = np.zeros(len(vertices), bool)
    upper[standing[np.arange(len(standing)), flat[standing, 2].argmin(axis=1)]] = True
    cut = np.asarray(upper[faces].any(axis=1))
    few = float(area[cut].sum()) <= MOST_SHARE * float(area.sum())
    return cut if few else np.zeros(len(faces), bool)
