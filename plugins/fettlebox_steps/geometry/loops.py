"""Which rims are holes to fill, and which are the opening that a base should close."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .topology import Floats, Ints, components, face_areas, vector_area

OPENING_SHARE = 0.03
"""An opening is at least this share of its piece's area: vector area, of which a long slit has none."""
OPENING_RATIO = 0.5
"""An opening is at least this large beside the largest rim of its piece."""
SAME_WAY = 0.3
"""Cosine over which two openings face the same way and can stand on one base."""


@dataclass(frozen=True)
class Rims:
    """Rims of a surface by what becomes of them.

    openings  rims that share one base, largest first; empty if nothing is wide enough
    holes     all others, to be filled
    aside     those of the holes that are as wide as an opening of the largest piece, but face another way
    outward   (3,) unit vector out of the material through the openings
    area_mm2  vector area of the openings
    """

    openings: list[Ints]
    holes: list[Ints]
    aside: list[Ints]
    outward: Floats
    area_mm2: float

    @property
    def narrow(self) -> list[Ints]:
        """The holes without those that are as wide as an opening."""
        aside = {id(loop) for loop in self.aside}
        return [loop for loop in self.holes if id(loop) not in aside]


def classify(vertices: Floats, faces: Ints, loops: list[Ints]) -> Rims:
    """Sort rims into one group of openings that face the same way, and holes.

    A surface with a gap lacks the vector area of the gap (the sum over a closed surface is zero), so
    the missing part points out of the material and its size is that of a flat lid. The largest piece's
    widest opening leads.
    """
    if not loops:
        return Rims([], [], [], np.zeros(3), 0.0)
    count, label = components(faces, len(vertices))
    piece_area = np.bincount(label, face_areas(vertices, faces), count)
    piece_of = np.zeros(len(vertices), np.int64)
    piece_of[faces.ravel()] = np.repeat(label, 3)
    out = -np.array([vector_area(vertices[loop]) for loop in loops])
    size = np.linalg.norm(out, axis=1)
    piece = piece_of[[loop[0] for loop in loops]]
    widest = np.zeros(count)
    np.maximum.at(widest, piece, size)
    wide = (size > 0) & (size >= OPENING_RATIO * widest[piece]) & (size >= OPENING_SHARE * piece_area[piece])
    lesser = piece != piece_area.argmax()
    ranked = np.lexsort((np.arange(len(loops)), -size, lesser))
    ranked = ranked[wide[ranked]]
    if not len(ranked):
        return Rims([], loops, [], np.zeros(3), 0.0)
    lead = out[ranked[0]] / size[ranked[0]]
    together = [int(i) for i in ranked if out[i] @ lead > SAME_WAY * size[i]]
    aside = [int(i) for i in ranked if int(i) not in together and not lesser[i]]
    total = out[together].sum(axis=0)
    return Rims(
        openings=[loops[i] for i in together],
        holes=[loop for i, loop in enumerate(loops) if i not in together],
        aside=[loops[i] for i in aside],
        outward=total / np.linalg.norm(total),
        area_mm2=float(np.linalg.norm(total)),
    )
