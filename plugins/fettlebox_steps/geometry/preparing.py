"""What comes before a scan is closed: what to keep, which rims are holes, where the base will be."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np

from .acceptance import judge
from .base import Frame, attach_base, base_frame
from .blades import blades
from .clean import clean, make_manifold, pieces_of, without_fins
from .fairing import bend_least
from .holes import Filled, fill
from .loops import Rims, classify
from .notches import without_notches
from .pieces import Pieces, crumbs_among, dropped_warnings, second_layers, survey
from .sheets import Sheet, cut_sheet, whole_sheet
from .topology import Flags, Floats, Ints, boundary_loops, compact, vector_area
from .webs import Webs

Close = Literal["flat", "follow", "none"]
Gather = Literal["auto", "largest", "unite", "keep"]
Surface = tuple[Floats, Ints]

TILT_LIMIT = 0.3
"""Cosine of the widest angle between an opening and the way its base is asked to face (about 72 degrees)."""

BLADE_ROUNDS = 3
"""Where a blade is cut, another may come to stand in its place; what is left after so many rounds stays."""

FEW_LOST = 0.001
"""Of the vertices. A scan that would lose more, seen from one side, is closed as any other if that can be."""

ALONG_RIM = -2
"""Among `Filled.patch`, a face that fills a notch of an opening's rim, or spans a gap of it: no hole's."""


class CannotCloseError(ValueError):
    """No rung gave a sound solid, or the base was asked for on a side without an opening."""


@dataclass(frozen=True)
class Work:
    """The cleaned surface, what was left out, and what is to be said about it.

    assembly    no piece is plainly the subject: all of them are
    apart       the result may be bodies that do not touch
    must_join   it may not, and gaps between bodies are to be bridged
    dropped     (k,) pieces of what was found
    scraps      what came loose in cleaning, vertices (s,3) and faces (t,3); left out
    """

    vertices: Floats
    faces: Ints
    assembly: bool
    apart: bool
    must_join: bool
    pieces: int
    dropped: Flags
    input_kept: Flags
    scraps: Surface
    evidence: dict[str, Any]
    warnings: tuple[str, ...]


def prepare(vertices: Floats, faces: Ints, found: Pieces, gather: Gather) -> Work:
    if gather == "largest":
        crumbs = np.arange(found.count) > 0
    else:
        crumbs = crumbs_among(found, found.assembly or gather == "keep")
    layers = second_layers(vertices, faces, found) & (gather in ("auto", "unite"))
    warnings = dropped_warnings(found, crumbs & ~layers) + dropped_warnings(found, layers, "second layer")
    crumbs |= layers
    kept = ~crumbs[found.label] if len(faces) else np.zeros(0, bool)
    assembly = found.assembly and gather != "largest"
    each_counts = assembly or gather == "keep"
    cleaned = clean(vertices, faces[kept])
    if not len(cleaned.faces):
        raise CannotCloseError("the scan has no face left after doubled and collapsed ones were taken out")
    if cleaned.counts["spikes_cut"]:
        warnings += (f"{cleaned.counts['spikes_cut']} spikes were cut off and their feet closed",)
    points, triangles, scraps, loose = _without_scraps(cleaned.vertices, cleaned.faces, each_counts)
    fins = 0
    if not found.closed[~crumbs].all() and not assembly:
        points, triangles, fins = without_fins(points, triangles)
        points, triangles, more, looser = _without_scraps(points, triangles, each_counts)
        scraps, loose = scraps + more, _together(loose, looser)
    if not len(triangles):
        raise CannotCloseError("the scan is all fins: no face hangs together with others on two sides")
    count, _, _ = pieces_of(points, triangles)
    evidence = {
        "cleaned": cleaned.counts | {"fins_cut": fins},
        "assembly": assembly,
        "second_layers": int(layers.sum()),
        "scraps_torn_off": len(scraps),
        "largest_scrap_share": max(scraps, default=0.0),
    }
    return Work(
        points,
        triangles,
        assembly,
        each_counts and gather != "unite",
        gather == "unite",
        count,
        crumbs,
        kept,
        loose,
        evidence,
        warnings,
    )


def _without_scraps(
    vertices: Floats, faces: Ints, each_counts: bool
) -> tuple[Floats, Ints, list[float], Surface]:
    """Without what came loose in cleaning: fins, and flaps that hung by one vertex. Also the shares of all
    that, and it.
    """
    loose = survey(vertices, faces, by_position=False)
    scrap = crumbs_among(loose, each_counts)
    if each_counts:
        scrap &= ~loose.closed
    kept, trimmed, _ = compact(vertices, faces[~scrap[loose.label]])
    shares = [float(s) for s in loose.share[scrap]]
    return kept, trimmed, shares, compact(vertices, faces[scrap[loose.label]])[:2]


def _together(one: Surface, other: Surface) -> Surface:
    return np.concatenate([one[0], other[0]]), np.concatenate([one[1], other[1] + len(one[0])])


@dataclass(frozen=True)
class Plan:
    """Holes filled, and the openings that a base is to close, or that are to stay.

    filled  the surface with its patches; an opening that `follow` closes is one of them
    frame   the base plane, None without a base
    stays   openings are left as they are
    proven  the surface with its bases attached, if that is known to be sound
    """

    filled: Filled
    openings: list[Ints]
    frame: Frame | None
    stays: bool
    facts: dict[str, Any]
    warnings: tuple[str, ...]
    proven: Surface | None = None


def plan_closing(
    work: Work, close: Close, extra_mm: float, towards: Floats | None, rounds: int = BLADE_ROUNDS
) -> tuple[Work, Plan]:
    """The work, without the blades along its outline if it was taken from one side, and how to close it."""
    v, f = work.vertices, work.faces
    loops = boundary_loops(f, len(v))
    rims = classify(v, f, loops)
    if work.assembly:
        rims = Rims([], loops, [], np.zeros(3), 0.0)
    hole_area = [float(np.linalg.norm(vector_area(v[loop]))) for loop in rims.holes]
    gap_area: list[float] = []
    aside_area = [float(np.linalg.norm(vector_area(v[loop]))) for loop in rims.aside]
    frame, sheet, leaning = None, None, None
    if rims.openings and close == "flat":
        way = rims.outward if towards is None else np.asarray(towards, np.float64)
        if way @ rims.outward < TILT_LIMIT:
            angle = np.degrees(np.arccos(np.clip(way @ rims.outward, -1, 1)))
            raise CannotCloseError(
                f"the scan's opening faces {angle:.0f} degrees away from where its base was asked for; "
                "let the base follow the opening (axis: auto) or turn the part first"
            )
        frame = base_frame(v, rims.openings, way, extra_mm)
        sheet = whole_sheet(v, f, rims, way, extra_mm, exact=towards is not None)
        if sheet is not None and rounds:
            cut = blades(v, f, np.concatenate([v, sheet.webs.points])[sheet.webs.rim], sheet.frame)
            if cut.any():
                return plan_closing(_without(work, cut), close, extra_mm, towards, rounds - 1)
        if sheet is None:
            sheet = cut_sheet(v, f, way, extra_mm, exact=towards is not None, flaps=work.scraps)
            if sheet is not None and sheet.lost_share > FEW_LOST:
                leaning = _closed_anyhow(v, f, rims, frame)
                sheet = None if leaning is not None else sheet
        if sheet is not None:
            work, v, f, frame = _as_seen(work, sheet), sheet.vertices, sheet.faces, sheet.frame
            gap_area = [float(np.linalg.norm(vector_area(v[loop]))) for loop in sheet.gaps]
            hole_area += gap_area
    if leaning is not None:
        filled = leaning.filled
    elif close == "follow":
        filled = _bent(fill(v, f, rims.holes + rims.openings), rims)
    elif sheet is not None:
        filled = _webs_and_patches(v, f, sheet.webs, sheet.holes)
    else:
        filled = fill(v, f, rims.holes if close == "flat" else rims.narrow)
    facts = {
        "holes_filled": len(hole_area),
        "holes_cut_open": len(gap_area),
        "hole_area_mm2": float(sum(hole_area)),
        "largest_hole_mm2": max(hole_area, default=0.0),
        "opening_area_mm2": rims.area_mm2,
        "openings": len(rims.openings),
        "base_extra_mm": extra_mm if frame is not None else 0.0,
    }
    warnings = tuple(
        f"a second opening of {area:.0f} mm2 faces another way than the base; it was closed like a hole"
        for area in aside_area
        if frame is not None
    )
    if work.assembly and loops and close == "flat":
        warnings += ("the scan is several bodies, so its openings were closed like holes, without a base",)
    openings = rims.openings if close != "follow" else []
    if leaning is not None:
        openings = [leaning.rim]
    elif sheet is not None:
        openings = [sheet.webs.rim]
    elif frame is not None:
        filled, openings = _evened(filled, openings)
    stays = close == "none" and bool(rims.openings)
    proven = None if leaning is None else leaning.solid
    return work, Plan(filled, openings, frame, stays, facts, warnings, proven)


@dataclass(frozen=True)
class _Leaning:
    """A surface with its holes filled, what is left of its one rim, and the sound solid that stands on it."""

    filled: Filled
    rim: Ints
    solid: Surface


def _closed_anyhow(vertices: Floats, faces: Ints, rims: Rims, frame: Frame) -> _Leaning | None:
    """Closed by a wall that leans as its one rim does, for which nothing is cut, if that is sound."""
    if len(rims.openings) != 1:
        return None
    filled, (rim,) = _evened(fill(vertices, faces, rims.holes), rims.openings)
    attached = attach_base(filled.vertices, rim, frame)
    if filled.unfilled or attached is None:
        return None
    points = np.concatenate([filled.vertices, attached[0]])
    solid = points, np.concatenate([filled.faces, attached[1]])
    return _Leaning(filled, rim, solid) if judge(*solid).sound else None


def _as_seen(work: Work, sheet: Sheet) -> Work:
    """The work without what the viewer does not see."""
    if sheet.vertices is work.vertices:
        return work
    evidence = work.evidence | {
        "hidden_cut": sheet.hidden,
        "blades_cut": work.evidence.get("blades_cut", 0) + sheet.blades,
        "scraps_torn_off": work.evidence["scraps_torn_off"] - sheet.flaps,
    }
    count, _, _ = pieces_of(sheet.vertices, sheet.faces)
    return replace(work, vertices=sheet.vertices, faces=sheet.faces, pieces=count, evidence=evidence)


def _without(work: Work, cut: Flags) -> Work:
    """The work without blades and what hung by them alone."""
    vertices, faces, _ = compact(work.vertices, work.faces[~cut])
    vertices, faces, _ = make_manifold(vertices, faces)
    vertices, faces, scraps, _ = _without_scraps(vertices, faces, False)
    evidence = work.evidence | {
        "blades_cut": work.evidence.get("blades_cut", 0) + int(cut.sum()),
        "scraps_torn_off": work.evidence["scraps_torn_off"] + len(scraps),
        "largest_scrap_share": max(work.evidence["largest_scrap_share"], *scraps, 0.0),
    }
    count, _, _ = pieces_of(vertices, faces)
    return replace(work, vertices=vertices, faces=faces, pieces=count, evidence=evidence)


def _webs_and_patches(vertices: Floats, faces: Ints, webs: Webs, holes: list[Ints]) -> Filled:
    filled = fill(np.concatenate([vertices, webs.points]), np.concatenate([faces, webs.faces]), holes)
    filled.patch[len(faces) : len(faces) + len(webs.faces)] = ALONG_RIM
    return filled


def _evened(filled: Filled, openings: list[Ints]) -> tuple[Filled, list[Ints]]:
    """The surface with the notches of its openings' rims filled, and the rims that are left."""
    more, left = [filled.faces], []
    for loop in openings:
        across, rest = without_notches(filled.vertices, filled.faces, loop)
        more.append(across)
        left.append(rest)
    added = sum(len(faces) for faces in more[1:])
    return replace(
        filled,
        faces=np.concatenate(more),
        patch=np.concatenate([filled.patch, np.full(added, ALONG_RIM, filled.patch.dtype)]),
    ), left


def _bent(filled: Filled, rims: Rims) -> Filled:
    """The patches over openings, wherever they face, bent as little as their surroundings allow."""
    aside = {id(loop) for loop in rims.aside}
    opening = [id(loop) in aside for loop in rims.holes] + [True] * len(rims.openings)
    chosen = (filled.patch >= 0) & np.array([*opening, False])[filled.patch]
    touched = np.zeros(len(filled.vertices), bool)
    touched[filled.faces[chosen]] = True
    fixed = np.zeros(len(filled.vertices), bool)
    fixed[filled.faces[~chosen]] = True
    return replace(filled, vertices=bend_least(filled.vertices, filled.faces, touched & ~fixed))
