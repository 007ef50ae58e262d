"""The side from which a scan was taken, if it was taken from one side: from there, all of it is seen."""

from __future__ import annotations

import numpy as np
from numba import njit

from .topology import Floats, Ints, face_vectors

SEEN_SHARE = 0.002
"""A surface of which no more than this share looks away is seen from one side. Noise turns some triangles
round where the surface is seen on edge."""

TURNED_SHARE = 0.04
"""As much may look away where a grainy surface is seen on edge; more does so of a surface that turns away."""

AWAY_SHARE = 0.15
"""As much may look away from where a rim faces on the whole, before a better way is looked for."""

MARGIN = 0.1
"""Cosine by which faces are asked to look towards the viewer: 6 degrees from being seen on edge."""

STEPS = 200
TURNS = 8
"""As many directions are tried between the rim's own and the one that sees most."""


def seen_from(vertices: Floats, faces: Ints, lead: Floats, exact: bool = False) -> Floats | None:
    """(3,) unit vector towards a viewer who sees the whole surface, the nearest to `lead`, or None.

    vertices (n,3) mm, faces (m,3); lead (3,), of any length, is where the surface faces as a whole. With
    `exact`, no other way than that is taken.
    """
    normals = face_vectors(vertices, faces)
    whole = float(np.linalg.norm(normals, axis=1).sum())
    lead = lead / np.linalg.norm(lead)
    away = _hidden(normals, lead, whole)
    if away == 0 or exact:
        return lead if away <= SEEN_SHARE else None
    if away > AWAY_SHARE:
        return None
    best = _towards_all(normals, lead, whole)
    tried = [lead + (best - lead) * share for share in np.linspace(0, 1, TURNS + 1)]
    tried = [way / np.linalg.norm(way) for way in tried]
    hidden = [_hidden(normals, way, whole) for way in tried]
    least = int(np.argmin(hidden))
    return tried[least] if hidden[least] <= SEEN_SHARE else None


def facing_most(vertices: Floats, faces: Ints, lead: Floats, exact: bool = False) -> Floats | None:
    """(3,) unit vector towards a viewer whom the most of the surface faces; None if far too much does not.

    As for `seen_from`, of which this asks less.
    """
    normals = face_vectors(vertices, faces)
    whole = float(np.linalg.norm(normals, axis=1).sum())
    lead = lead / np.linalg.norm(lead)
    if _hidden(normals, lead, whole) > AWAY_SHARE:
        return None
    best = lead if exact else _towards_all(normals, lead, whole)
    return best if _hidden(normals, best, whole) <= TURNED_SHARE else None


def _hidden(normals: Floats, way: Floats, whole: float) -> float:
    """The share of the surface that looks away from a viewer."""
    across = normals @ way
    area = np.linalg.norm(normals[across <= 0], axis=1)
    return float(area.sum()) / whole


def _towards_all(normals: Floats, lead: Floats, whole: float) -> Floats:
    """The way in which least of the surface is seen on edge or not at all, by how much it lacks: a hinge
    loss, as a linear classifier has it, descended in shrinking steps.
    """
    least_seen = MARGIN * np.linalg.norm(normals, axis=1)
    short = np.empty(len(normals))
    way, best, least = lead, lead, np.inf
    for step in range(STEPS):
        count, pull = _lacking(normals, least_seen, normals @ way, short)
        loss = float(short[:count].sum()) / whole
        if loss < least:
            best, least = way, loss
        if not count:
            break
        way = way + pull / max(float(np.linalg.norm(pull)), 1e-300) * (0.2 / (1 + step) ** 0.7)
        way = way / np.linalg.norm(way)
    return best


@njit(cache=True)
def _lacking(normals, least, seen, short):
    """How many normals (n,3) are seen (n,) by less than the least (n,), by how much each, written to the
    beginning of `short`, and the sum (3,) of them.
    """
    count = 0
    pull = np.zeros(3)
    for i in range(len(normals)):
        by = least[i] - seen[i]
        if by > 0:
            short[count] = by
            count += 1
            for k in range(3):
                pull[k] += normals[i, k]
    return count, pull
