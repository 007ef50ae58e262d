"""Which way is up: evidence on a surface without a declared up axis, and what it adds up to.

Arrays in, arrays out; any unit of length. Each kind of evidence gives every candidate direction a
likelihood, and Bayes' rule makes one probability of them. How often a kind of evidence misleads is common
practice, no published source; each is a named constant here.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from .measures import Faces, Floats, area_vectors, edges_by_use, surface_centroid
from .resting import centre_of_mass, hull, resting_faces
from .symmetry import MirrorPlane, mirror_planes

AXES: Mapping[str, tuple[float, float, float]] = {
    "+x": (1.0, 0.0, 0.0),
    "-x": (-1.0, 0.0, 0.0),
    "+y": (0.0, 1.0, 0.0),
    "-y": (0.0, -1.0, 0.0),
    "+z": (0.0, 0.0, 1.0),
    "-z": (0.0, 0.0, -1.0),
}

SNAP_DEG = 15.0
"""Scanners keep their axes upright to a degree or two, while a neck is trimmed by hand and slopes by ten or
more: an opening within this of an axis means the axis. A flat base is what the subject stands on and is
followed exactly."""

FADES_DEG = 40.0
"""An opening or base this far from a direction says nothing for it; between SNAP_DEG and this it fades."""

OPENING_MISLEADS = 0.005
"""How often the only opening of a scan is not underneath (a cup, a vase)."""

BASE_MISLEADS = 0.01
"""How often the largest flat face is not underneath (a relief's back, a book's cover)."""

MIRROR_MISLEADS = 0.1
"""How often the best mirror plane does not contain the up direction (a plate, a bone, an animal's trunk)."""

CLEARLY_WORSE = 0.005
"""Residual over that of the best mirror plane at which another one counts for 61 %: half of what counts as a
true mirror at all."""

VIEW_MISLEADS = 0.02
"""How often a scan from one side looks down on its subject rather than at it."""

OUTLINE_MISLEADS = 0.15
"""How often a face seen from the front is wider at the chin than at the brow (beards, hair, caps)."""

SCANNER: Mapping[str, float] = {"+y": 0.38, "+z": 0.38, "+x": 0.06, "-x": 0.06, "-y": 0.06, "-z": 0.06}
"""Up axes of scans that declare none. Phones and photogrammetry write +Y, printing and drawing tools +Z.
Some 6 to 1 for either over its opposite: habit alone is far from the 90 % that a step asks for."""

TILTED = 0.06
"""The same for a direction that is no axis (a hand-held scanner without a sense of gravity)."""

SHEET = 0.40
"""Vector area over area: 0 for a closed surface, 1 for a flat sheet, 0.5 for half a sphere; a head with an
open neck has under 0.2. From here up the surface is a view from one side, with its opening behind."""

NO_SHEET = 0.25
"""Up to here an opening is a neck, a bottom, a hole. Between this and SHEET it counts less and less."""

NO_BASE = 0.06
"""Size of a flat face up to which it is no base: what curved surfaces reach by the tolerance alone."""

BASE = 0.085
"""Size from which a flat face is a base without doubt: a ring under a figure, two soles, a plinth."""

NEAT = 0.09
"""Raggedness up to which an opening is one cut; scanned rims wave by up to a tenth of their width."""

VESSEL = -0.7
"""Cosine under which a flat face is opposite to an opening: a vessel's bottom, whose opening is on top."""

RAGGED = 0.14
"""Raggedness from which an opening has no direction: it runs on from the neck up the back, say."""

FLAT_TOLERANCE = 0.002
"""Of the diagonal: how far a flat face may be from flat. Half a millimetre on a head."""


@dataclass(frozen=True, eq=False)
class Evidence:
    """Likelihood of every candidate (k,), highest 1, from one kind of evidence; `found` says from what."""

    kind: str
    likelihood: Floats
    found: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, eq=False)
class Stance:
    """What is known of how the surface stands.

    candidates  (k,3) unit up directions, names beside them; probability (k,) of each, sum 1
    view        unit direction from which a one-sided scan was taken, or None
    mirrors     mirror planes, best first
    """

    candidates: Floats
    names: tuple[str, ...]
    probability: Floats
    evidence: tuple[Evidence, ...]
    view: Floats | None
    mirrors: tuple[MirrorPlane, ...]

    @property
    def ranked(self) -> list[int]:
        return [int(k) for k in np.argsort(-self.probability, kind="stable")]


@dataclass(frozen=True, eq=False)
class Flat:
    """An opening or a flat face: outward unit direction, relative size, and how far from flat it is.

    ragged   of an opening: root mean square distance of its rim from its plane, over the root of its area
    """

    outward: Floats
    size: float
    ragged: float = 0.0


def openings(vertices: Floats, faces: Faces) -> list[Flat]:
    """Groups of connected rim edges as openings, largest first; size is area over that of the surface.

    A surface lacks the vector area of its gaps (the sum over a closed surface is zero), so a gap's own is
    minus that of its rim, taken in the direction in which the faces run along it.
    """
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    directed = np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]])
    edges, counts = edges_by_use(faces)
    n = len(vertices)
    alone = edges[counts == 1].astype(np.int64) @ (n, 1)
    if not len(alone):
        return []
    key = np.sort(directed, axis=1).astype(np.int64) @ (n, 1)
    rim = directed[alone[np.minimum(np.searchsorted(alone, key), len(alone) - 1)] == key]
    graph = coo_matrix((np.ones(len(rim), dtype=np.int8), (rim[:, 0], rim[:, 1])), shape=(n, n))
    _, labels = connected_components(graph, directed=False)
    groups = np.unique(labels[rim[:, 0]], return_inverse=True)[1]
    middle = vertices.mean(axis=0)
    crosses = np.cross(vertices[rim[:, 0]] - middle, vertices[rim[:, 1]] - middle) / 2.0
    lacks = -np.column_stack([np.bincount(groups, crosses[:, k]) for k in range(3)])
    sizes = np.linalg.norm(lacks, axis=1)
    area = float(np.linalg.norm(area_vectors(vertices, faces), axis=1).sum())
    found = []
    for k in np.argsort(-sizes, kind="stable"):
        if sizes[k] <= 1e-6 * area:
            break
        outward = lacks[k] / sizes[k]
        ragged = float(np.std(vertices[rim[groups == k, 0]] @ outward) / np.sqrt(sizes[k]))
        found.append(Flat(outward, float(sizes[k] / area), ragged))
    return found


def flat_faces(vertices: Floats, faces: Faces) -> list[Flat]:
    """Steady flat faces on the convex hull, largest first.

    Size is the mean of contact and foot (geometric), over the mean shadow of the hull, a quarter of its
    area (A. Cauchy, 1841). A sphere scores 0.03 by the tolerance alone.
    """
    diagonal = float(np.linalg.norm(np.ptp(vertices, axis=0)))
    try:
        centre, _ = centre_of_mass(vertices, faces)
        hull_vertices, hull_faces = hull(vertices[np.unique(faces)])
        rests = resting_faces(vertices, faces, centre, FLAT_TOLERANCE * diagonal, tried=40)
    except ValueError:
        return []
    shadow = float(np.linalg.norm(area_vectors(hull_vertices, hull_faces), axis=1).sum()) / 4.0
    found = [
        Flat(rest.normal, float(np.sqrt(rest.contact_area * rest.foot_area)) / shadow)
        for rest in rests
        if rest.margin > 0.0
    ]
    found.sort(key=lambda flat: -flat.size)
    kept: list[Flat] = []
    for flat in found:
        if all(flat.outward @ other.outward < np.cos(np.radians(SNAP_DEG)) for other in kept):
            kept.append(flat)
    return [flat for flat in kept if flat.size > NO_BASE]


def judge_up(vertices: Floats, faces: Faces, kinds: Sequence[str], prior: Mapping[str, float]) -> Stance:
    """Weigh the evidence of the given kinds: opening, base, symmetry, outline. `prior` names axes.

    The surface should come without debris and with its vertices welded.
    """
    total = area_vectors(vertices, faces).sum(axis=0)
    area = float(np.linalg.norm(area_vectors(vertices, faces), axis=1).sum())
    onesided = float(np.linalg.norm(total)) / area
    view = total / np.linalg.norm(total) if onesided >= SHEET else None
    gaps = [] if view is not None else openings(vertices, faces)
    flats = flat_faces(vertices, faces) if "base" in kinds and view is None else []
    mirrors = mirror_planes(vertices, faces) if "symmetry" in kinds else []

    directions, names = _candidates(gaps if "opening" in kinds else [], flats)
    evidence = [
        Evidence("prior", np.array([prior.get(name, TILTED) for name in names]), {"prior": dict(prior)})
    ]
    if "opening" in kinds:
        evidence.append(
            _from_view(directions, view, onesided)
            if view is not None
            else _from_openings(directions, gaps, flats, onesided)
        )
    if flats:
        evidence.append(_from_base(directions, flats))
    if mirrors:
        evidence.append(_from_mirrors(directions, mirrors))
    if view is not None and mirrors and "outline" in kinds:
        evidence.append(_from_outline(directions, vertices, faces, view, mirrors))
    weight = np.prod([item.likelihood for item in evidence], axis=0)
    return Stance(directions, names, weight / weight.sum(), tuple(evidence), view, tuple(mirrors))


def _candidates(gaps: list[Flat], flats: list[Flat]) -> tuple[Floats, tuple[str, ...]]:
    """Up directions to choose from. A base near an axis replaces it; an opening near one means it."""
    snap = np.cos(np.radians(SNAP_DEG))
    directions = [np.array(axis) for axis in AXES.values()]
    names = list(AXES)
    for k, flat in enumerate(flats[:3]):
        near = [j for j, d in enumerate(directions[:6]) if -flat.outward @ d >= snap]
        if near:
            directions[near[0]] = -flat.outward
        else:
            directions.append(-flat.outward)
            names.append(f"off base {k + 1}")
    for k, gap in enumerate(gaps[:3]):
        if gap.size >= 0.01 and all(-gap.outward @ d < snap for d in directions):
            directions.append(-gap.outward)
            names.append(f"off opening {k + 1}")
    return np.array(directions), tuple(names)


def _nearness(directions: Floats, target: Floats) -> Floats:
    """1 within SNAP_DEG of the target, 0 beyond FADES_DEG, linear in between."""
    angle = np.degrees(np.arccos(np.clip(directions @ target, -1.0, 1.0)))
    return np.asarray(np.clip((FADES_DEG - angle) / (FADES_DEG - SNAP_DEG), 0.0, 1.0), dtype=np.float64)


def _mixed(directions: Floats, flats: list[Flat], misleads: float, counts: float) -> Floats:
    """Each face speaks for the direction away from it, with a share by its size.

    `counts` (0 to 1) is how far the whole is to be believed; at 0 every candidate is as likely.
    """
    # A third as large is large enough: between two of a kind the rest of the evidence decides.
    sizes = np.array([flat.size for flat in flats])
    sizes = np.minimum(sizes, sizes.max() / 3.0) ** 3
    speaks = sum(
        (
            share * _nearness(directions, -flat.outward)
            for share, flat in zip(sizes / sizes.sum(), flats, strict=True)
        ),
        np.zeros(len(directions)),
    )
    likelihood = counts * (misleads + (1.0 - misleads) * speaks) + (1.0 - counts)
    return np.asarray(likelihood / likelihood.max(), dtype=np.float64)


def _from_openings(directions: Floats, gaps: list[Flat], flats: list[Flat], onesided: float) -> Evidence:
    if not gaps:
        return Evidence("opening", np.ones(len(directions)), {"openings": 0})
    # Under 1 % of the area a gap is a hole, from 3 % it is an opening.
    large = np.clip((gaps[0].size - 0.01) / 0.02, 0.0, 1.0)
    neck = np.clip((SHEET - onesided) / (SHEET - NO_SHEET), 0.0, 1.0)
    cut = np.clip((RAGGED - gaps[0].ragged) / (RAGGED - NEAT), 0.0, 1.0)
    bottom = max((_is_base(f) for f in flats if f.outward @ gaps[0].outward < VESSEL), default=0.0)
    found = {
        "openings": len(gaps),
        "largest_ratio": gaps[0].size,
        "largest_outward": [float(v) for v in gaps[0].outward],
        "largest_ragged_ratio": gaps[0].ragged,
        "flat_bottom_opposite": bool(bottom > 0.0),
        "onesided_ratio": onesided,
    }
    counts = float(large * neck * cut * (1.0 - bottom))
    return Evidence("opening", _mixed(directions, gaps, OPENING_MISLEADS, counts), found)


def _from_view(directions: Floats, view: Floats, onesided: float) -> Evidence:
    """A view from one side was taken from the front or the side: up is across it."""
    lean = np.degrees(np.arcsin(np.clip(np.abs(directions @ view), 0.0, 1.0)))
    across = np.clip((60.0 - lean) / 35.0, 0.0, 1.0)
    likelihood = VIEW_MISLEADS + (1.0 - VIEW_MISLEADS) * across
    found = {"seen_from": [float(v) for v in view], "onesided_ratio": onesided}
    return Evidence("view", np.asarray(likelihood, dtype=np.float64), found)


def _from_base(directions: Floats, flats: list[Flat]) -> Evidence:
    found = {
        "flat_faces": len(flats),
        "largest_ratio": flats[0].size,
        "largest_outward": [float(v) for v in flats[0].outward],
    }
    # Only what a face has beyond a curved surface speaks for it.
    beyond = [replace(flat, size=flat.size - NO_BASE) for flat in flats]
    return Evidence("base", _mixed(directions, beyond, BASE_MISLEADS, _is_base(flats[0])), found)


def _is_base(flat: Flat) -> float:
    return float(np.clip((flat.size - NO_BASE) / (BASE - NO_BASE), 0.0, 1.0))


def _from_mirrors(directions: Floats, mirrors: list[MirrorPlane]) -> Evidence:
    speaks = np.zeros(len(directions))
    for mirror in mirrors:
        off = np.degrees(np.arcsin(np.clip(np.abs(directions @ mirror.normal), 0.0, 1.0)))
        inside = np.clip((FADES_DEG - off) / (FADES_DEG - SNAP_DEG), 0.0, 1.0)
        # A plane that is clearly worse than the best one mirrors by likeness, not by nature.
        beside = np.exp(-0.5 * ((mirror.residual - mirrors[0].residual) / CLEARLY_WORSE) ** 2)
        speaks = np.maximum(speaks, mirror.quality * beside * inside)
    likelihood = MIRROR_MISLEADS + (1.0 - MIRROR_MISLEADS) * speaks
    found = {
        "planes": [
            {"normal": [float(v) for v in m.normal], "quality_ratio": m.quality, "residual_ratio": m.residual}
            for m in mirrors
        ]
    }
    return Evidence("symmetry", np.asarray(likelihood / likelihood.max(), dtype=np.float64), found)


def _from_outline(
    directions: Floats, vertices: Floats, faces: Faces, view: Floats, mirrors: list[MirrorPlane]
) -> Evidence:
    """A face narrows to the chin: of the two ways along its mirror plane, up is where it stays wide."""
    ones = np.ones(len(directions))
    across = next((m.normal for m in mirrors if abs(m.normal @ view) < np.sin(np.radians(FADES_DEG))), None)
    if across is None or mirrors[0].quality < 0.5:
        return Evidence("outline", ones)
    along = np.cross(across, view)
    along /= np.linalg.norm(along)
    centre = surface_centroid(vertices, faces)
    height, side = (vertices - centre) @ along, np.abs((vertices - centre) @ across)
    low, high = np.quantile(height, [0.01, 0.99])
    third = (high - low) / 3.0
    wide_low = float(np.quantile(side[height < low + third], 0.95))
    wide_high = float(np.quantile(side[height > high - third], 0.95))
    if abs(wide_low - wide_high) < 0.1 * max(wide_low, wide_high):
        return Evidence("outline", ones, {"wide_one_end": wide_high, "wide_other_end": wide_low})
    up = along if wide_high > wide_low else -along
    likelihood = OUTLINE_MISLEADS + (1.0 - OUTLINE_MISLEADS) * np.clip(_nearness(directions, up), 0.0, 1.0)
    found = {
        "wide_end": [float(v) for v in up],
        "wide": max(wide_low, wide_high),
        "narrow": min(wide_low, wide_high),
    }
    return Evidence("outline", np.asarray(likelihood, dtype=np.float64), found)


def level_front(stance: Stance, up: Floats) -> Floats | None:
    """Horizontal unit direction that a one-sided scan was taken from; None for any other surface.

    With a mirror plane that contains up the front lies in that plane exactly, else along the view. An axis
    within SNAP_DEG is taken instead: a scanner is set up square to its subject better than this can tell.
    """
    if stance.view is None:
        return None
    front = stance.view
    for mirror in stance.mirrors:
        contains_up = abs(mirror.normal @ up) < np.sin(np.radians(SNAP_DEG))
        if contains_up and abs(mirror.normal @ stance.view) < np.sin(np.radians(FADES_DEG)):
            front = np.cross(mirror.normal, up)
            front = front if front @ stance.view >= 0.0 else -front
            break
    front = front - (front @ up) * up
    length = float(np.linalg.norm(front))
    if length < np.sin(np.radians(SNAP_DEG)):
        return None
    front /= length
    for axis in AXES.values():
        if front @ np.array(axis) >= np.cos(np.radians(SNAP_DEG)):
            return np.array(axis)
    return np.asarray(front, dtype=np.float64)
