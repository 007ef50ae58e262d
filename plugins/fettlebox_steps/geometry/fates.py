"""What became of every piece of a scan: kept, united, enclosed, dropped, or, if something failed, lost."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.spatial import cKDTree

from .pieces import REPORTED_SHARE, Pieces, account
from .topology import Flags, Floats, Ints, components, diagonal

SAMPLES = 200
"""Points of a piece that are looked for in the result."""
NEAR_SHARE = 0.01
"""A piece is there if half its points are within this share of the diagonal of the result: 3 mm on a head."""


@dataclass(frozen=True)
class Fates:
    """fate (k,) of each piece, by name; body (k,) of the result that it is part of, -1 if of none."""

    fate: list[str]
    body: Ints

    def lost(self) -> list[int]:
        return [i for i, fate in enumerate(self.fate) if fate == "lost"]


def fates(
    pieces: Pieces, dropped: Flags, vertices: Floats, faces: Ints, solid_vertices: Floats, solid_faces: Ints
) -> Fates:
    """Every piece looked for in the result. Small ones that were not dropped go by their body too."""
    count, label = components(solid_faces, len(solid_vertices))
    body_of = np.zeros(len(solid_vertices), np.int64)
    body_of[solid_faces.ravel()] = np.repeat(label, 3)
    tree = cKDTree(solid_vertices, balanced_tree=False, compact_nodes=False)  # few questions, many vertices
    near_mm = NEAR_SHARE * diagonal(solid_vertices)
    order = np.argsort(pieces.label, kind="stable")
    start = np.searchsorted(pieces.label[order], np.arange(pieces.count + 1))
    body = np.full(pieces.count, -1, np.int64)
    fate = ["dropped"] * pieces.count
    for i in np.flatnonzero(~dropped):
        own = order[start[i] : start[i + 1]]
        points = vertices[faces[own[:: max(1, len(own) // SAMPLES)]]].mean(axis=1)
        reach_mm = near_mm + _edge(vertices, faces[own])
        distance, nearest = tree.query(points)
        if np.median(distance) <= reach_mm:
            body[i] = np.bincount(body_of[nearest], minlength=count).argmax()
            fate[i] = "kept"
        else:
            fate[i] = "enclosed" if _inside(points, solid_vertices, solid_faces) else "lost"
    members = np.bincount(body[body >= 0], minlength=count)
    for i in np.flatnonzero(body >= 0):
        if members[body[i]] > 1:
            fate[i] = "united"
    return Fates(fate, body)


def _edge(vertices: Floats, faces: Ints) -> float:
    return float(np.median(np.linalg.norm(vertices[faces[:, 0]] - vertices[faces[:, 1]], axis=1)))


def _inside(points: Floats, vertices: Floats, faces: Ints) -> bool:
    from .winding import WindingTree

    return bool(np.median(WindingTree.of(vertices, faces).at(points)) > 0.5)


def told(pieces: Pieces, found: Fates) -> dict[str, Any]:
    """Facts that add up: found = kept + dropped, and of the kept ones, how many were made one with others."""
    fate = np.array(found.fate)
    dropped = fate == "dropped"
    facts = account(pieces, dropped)
    for name in ("united", "enclosed", "lost"):
        facts[f"pieces_{name}"] = int((fate == name).sum())
        facts[f"{name}_area_share"] = float(pieces.share[fate == name].sum())
    facts["kept_area_share"] = float(pieces.share[~dropped].sum())
    return facts


def roll(pieces: Pieces, found: Fates) -> list[dict[str, Any]]:
    """One line for each piece with more than REPORTED_SHARE of the area, the largest first."""
    return [
        {"area_share": float(pieces.share[i]), "across_mm": float(pieces.diagonal_mm[i]), "fate": fate}
        for i, fate in enumerate(found.fate)
        if pieces.share[i] > REPORTED_SHARE
    ]
