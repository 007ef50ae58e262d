"""What comes before a scan is closed: what to keep, which rims are holes, where the base will be."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from .base import Frame, base_frame
from .clean import clean, pieces_of, without_fringe
from .holes import Filled, fill
from .loops import Rims, classify
from .pieces import Pieces, account, crumbs_among, dropped_warnings, second_layers, survey
from .topology import Flags, Floats, Ints, boundary_loops, compact, vector_area

TILT_LIMIT = 0.3
"""Cosine of the widest angle between an opening and the way its base is asked to face (about 72 degrees)."""


class CannotCloseError(ValueError):
    """No rung gave a sound solid, or the base was asked for on a side without an opening."""


@dataclass(frozen=True)
class Work:
    """The cleaned surface, what was left out, and what is to be said about it."""

    vertices: Floats
    faces: Ints
    assembly: bool
    pieces: int
    input_kept: Flags
    facts: dict[str, Any]
    evidence: dict[str, Any]
    warnings: tuple[str, ...]


def prepare(vertices: Floats, faces: Ints, found: Pieces) -> Work:
    crumbs = crumbs_among(found)
    layers = second_layers(vertices, faces, found)
    warnings = dropped_warnings(found, crumbs) + dropped_warnings(found, layers, "second layer")
    crumbs |= layers
    kept = ~crumbs[found.label] if len(faces) else np.zeros(0, bool)
    cleaned = clean(vertices, faces[kept])
    if not len(cleaned.faces):
        raise CannotCloseError("the scan has no face left after doubled and collapsed ones were taken out")
    points, triangles, scraps = _without_scraps(cleaned.vertices, cleaned.faces, found.assembly)
    if not found.closed[~crumbs].all() and not found.assembly:
        points, triangles = without_fringe(points, triangles)
        points, triangles, more = _without_scraps(points, triangles, found.assembly)
        scraps = scraps + more
    if not len(triangles):
        raise CannotCloseError("the scan is all fringe: no face hangs together with others on two sides")
    count, _, _ = pieces_of(points, triangles)
    facts = account(found, crumbs)
    evidence = {
        "cleaned": cleaned.counts,
        "assembly": found.assembly,
        "second_layers": int(layers.sum()),
        "scraps_torn_off": len(scraps),
        "largest_scrap_share": max(scraps, default=0.0),
    }
    return Work(points, triangles, found.assembly, count, kept, facts, evidence, warnings)


def _without_scraps(vertices: Floats, faces: Ints, assembly: bool) -> tuple[Floats, Ints, list[float]]:
    """Without what came loose in cleaning: fins, and flaps that hung by one vertex."""
    loose = survey(vertices, faces, by_position=False)
    scrap = crumbs_among(loose)
    if assembly:
        scrap &= ~loose.closed
    kept, trimmed, _ = compact(vertices, faces[~scrap[loose.label]])
    return kept, trimmed, [float(s) for s in loose.share[scrap]]


@dataclass(frozen=True)
class Plan:
    """Holes filled, and the openings that a base is to close."""

    filled: Filled
    openings: list[Ints]
    frame: Frame | None
    facts: dict[str, Any]
    warnings: tuple[str, ...]


def plan_closing(work: Work, flat_base: bool, extra_mm: float, towards: Floats | None) -> Plan:
    v, f = work.vertices, work.faces
    loops = boundary_loops(f, len(v))
    rims = classify(v, f, loops)
    if work.assembly or not flat_base:
        rims = Rims([], loops, [], np.zeros(3), 0.0)
    frame = None
    if rims.openings:
        way = rims.outward if towards is None else np.asarray(towards, np.float64)
        if way @ rims.outward < TILT_LIMIT:
            angle = np.degrees(np.arccos(np.clip(way @ rims.outward, -1, 1)))
            raise CannotCloseError(
                f"the scan's opening faces {angle:.0f} degrees away from where its base was asked for; "
                "let the base follow the opening (axis: auto) or turn the part first"
            )
        frame = base_frame(v, rims.openings, way, extra_mm)
    filled = fill(v, f, rims.holes)
    hole_area = [float(np.linalg.norm(vector_area(v[loop]))) for loop in rims.holes]
    facts = {
        "holes_filled": len(rims.holes),
        "hole_area_mm2": float(sum(hole_area)),
        "largest_hole_mm2": max(hole_area, default=0.0),
        "opening_area_mm2": rims.area_mm2,
        "openings": len(rims.openings),
        "base_extra_mm": extra_mm if frame is not None else 0.0,
    }
    warnings = tuple(
        f"a second opening of {np.linalg.norm(vector_area(v[loop])):.0f} mm2 faces another way than "
        "the base; it was closed like a hole"
        for loop in rims.aside
    )
    return Plan(filled, rims.openings, frame, facts, warnings)
