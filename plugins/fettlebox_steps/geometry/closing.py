"""A raw, open scan made into a closed, sound solid: a ladder from the gentlest way to the surest.

    untouched     it was sound to begin with
    direct        holes filled, base attached rim by rim; the scan's vertices stay where they are
    local         the same, with the few places that cross themselves cut out and filled anew
    united        pieces closed one by one as above, then made one by an exact union
    volumetric    walked around on a fine grid where the winding number is one half, pulled on to the scan
    dense         the same, not thinned out
    unsnapped     the same, not pulled: embedded by construction

Each rung's work passes one and the same test (`acceptance.judge`) or the next one is tried.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from .acceptance import Verdict, judge
from .base import Frame, attach_base, base_frame
from .clean import NUDGE_ULPS, clean, float32_step, pieces_of, without_fringe
from .crossings import crossing_faces
from .footprint import slit_stops, soup_base
from .holes import Filled, fill
from .local_repair import heal_crossings
from .loops import Rims, classify
from .pieces import REPORTED_SHARE, Pieces, account, crumbs_among, dropped_warnings, second_layers, survey
from .topology import (
    Flags,
    Floats,
    Ints,
    boundary_loops,
    compact,
    components,
    diagonal,
    enclosed_volume,
    vector_area,
)
from .uniting import Solid, bodies_of, unite

LOCAL_SHARE = 0.01
"""Local repair is for a few bad places: with more than this share of the faces bad, it is not tried."""
LOCAL_FACES = 200
"""...unless they are this few, which they are on a small piece whatever their share,"""
LOCAL_VOLUME_CHANGE = 0.003
"""...and not believed if it changes the volume by more than this: unguarded it once moved 12 %."""
CRUMB_VOLUME = 0.002
"""Of what a rung closes, bodies under this share of the largest are crumbs if they are small in area too.

Trapped voids go as well: nobody sees them and no printer can clear them."""
THIN_SHARE = 0.02
"""The grid's surface may be thinned out within this share of a cell."""
STOP_EDGES = 4.0
"""What stops a slit reaches this many median edges into the walls beside it."""
BEYOND_SHARE = 1e-4
"""A part stands on its base if nothing is further out than this share of its diagonal: 0.03 mm on a head."""
TILT_LIMIT = 0.3
"""Cosine of the widest angle between an opening and the way its base is asked to face (about 72 degrees)."""


class CannotCloseError(ValueError):
    """No rung gave a sound solid, or the base was asked for on a side without an opening."""


@dataclass(frozen=True)
class Closing:
    """A sound solid and how it came about.

    frame       the base plane, None where no base was made, or none that the part could stand on
    input_kept  (m,) faces of the input that belong to a piece that was kept
    """

    vertices: Floats
    faces: Ints
    rung: str
    frame: Frame | None
    input_kept: Flags
    facts: dict[str, Any] = field(default_factory=dict)
    evidence: dict[str, Any] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()


def close_scan(
    vertices: Floats,
    faces: Ints,
    *,
    flat_base: bool = True,
    base_extra_mm: float = 5.0,
    base_towards: Floats | None = None,
) -> Closing:
    """Close a scan (n,3) mm, (m,3). Raises CannotCloseError with a sentence saying why.

    flat_base     close the widest opening by a wall and a base `base_extra_mm` beyond its furthest point;
                  otherwise by a taut skin, like any hole
    base_towards  (3,) way out of the material that the base faces; None: the way the opening faces
    """
    faces = np.asarray(faces, np.int64)
    found = survey(vertices, faces)
    everything = np.ones(len(faces), bool)
    if found.closed.all() and len(faces):
        verdict = judge(vertices, faces)
        if verdict.sound:
            facts = account(found, np.zeros(found.count, bool)) | _no_work(found.count)
            return Closing(vertices, faces, "untouched", None, everything, facts)
    work = _prepare(vertices, faces, found)
    plan = _plan(work, flat_base, base_extra_mm, base_towards)
    return _climb(work, plan)


def _no_work(bodies: int) -> dict[str, Any]:
    return {
        "rung": "untouched",
        "bodies": bodies,
        "holes_filled": 0,
        "opening_area_mm2": 0.0,
        "base_extra_mm": 0.0,
    }


@dataclass(frozen=True)
class _Work:
    """The cleaned surface, what was left out, and what is to be said about it."""

    vertices: Floats
    faces: Ints
    assembly: bool
    pieces: int
    input_kept: Flags
    facts: dict[str, Any]
    evidence: dict[str, Any]
    warnings: tuple[str, ...]


def _prepare(vertices: Floats, faces: Ints, found: Pieces) -> _Work:
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
    return _Work(points, triangles, found.assembly, count, kept, facts, evidence, warnings)


def _without_scraps(vertices: Floats, faces: Ints, assembly: bool) -> tuple[Floats, Ints, list[float]]:
    """Without what came loose in cleaning: fins, and flaps that hung by one vertex."""
    loose = survey(vertices, faces, by_position=False)
    scrap = crumbs_among(loose)
    if assembly:
        scrap &= ~loose.closed
    kept, trimmed, _ = compact(vertices, faces[~scrap[loose.label]])
    return kept, trimmed, [float(s) for s in loose.share[scrap]]


@dataclass(frozen=True)
class _Plan:
    """Holes filled, and the openings that a base is to close."""

    filled: Filled
    openings: list[Ints]
    frame: Frame | None
    facts: dict[str, Any]
    warnings: tuple[str, ...]


def _plan(work: _Work, flat_base: bool, extra_mm: float, towards: Floats | None) -> _Plan:
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
    return _Plan(filled, rims.openings, frame, facts, warnings)


def _climb(work: _Work, plan: _Plan) -> Closing:
    tried: dict[str, Any] = {}
    for rung, candidate in _attempts(work, plan, tried):
        verdict = judge(*candidate)
        if verdict.sound:
            return _done(work, plan, rung, candidate, tried)
        tried[rung] = verdict.faults()
        if rung in ("direct", "united", "volumetric"):
            healed, why_not = _healed(candidate, verdict)
            if healed is not None:
                return _done(work, plan, "local" if rung == "direct" else rung, healed, tried)
            tried[f"{rung}, healed"] = why_not
    last = ", ".join(f"{value:g} {name.replace('_', ' ')}" for name, value in tried[rung].items())
    raise CannotCloseError(f"the scan could not be closed into a sound solid; the last attempt had {last}")


def _attempts(work: _Work, plan: _Plan, tried: dict[str, Any]) -> Iterator[tuple[str, Solid]]:
    """One solid after another to put to the test, each more thorough than the one before."""
    closed = _closed_rim_by_rim(plan)
    if isinstance(closed, str):
        tried["direct"] = closed
    else:
        stops = _slit_stops(work, plan)
        bodies = bodies_of(*closed) if work.pieces > 1 else [closed]
        apart_is_fine = work.pieces == 1 or (work.assembly and not _overlap(*closed, bodies))
        if not stops and apart_is_fine:
            yield "direct", closed
        else:
            united = _united(bodies, stops, work)
            if isinstance(united, str):
                tried["united"] = united
            else:
                yield "united", united
            if apart_is_fine:
                yield "direct", closed
    yield from _volumetric(work, plan)


def _slit_stops(work: _Work, plan: _Plan) -> list[Solid]:
    if plan.frame is None:
        return []
    side = work.vertices[work.faces[:, 0]] - work.vertices[work.faces[:, 1]]
    overlap_mm = STOP_EDGES * float(np.median(np.linalg.norm(side, axis=1)))
    return slit_stops(work.vertices, plan.openings, plan.frame, overlap_mm, hang_together=work.pieces > 1)


def _closed_rim_by_rim(plan: _Plan) -> Solid | str:
    """Holes filled and bases attached, or a sentence why that cannot be."""
    if plan.filled.unfilled:
        return f"{len(plan.filled.unfilled)} holes cannot be filled without doubling an edge"
    vertices, faces = plan.filled.vertices, plan.filled.faces
    for loop in plan.openings:
        assert plan.frame is not None
        attached = attach_base(vertices, loop, plan.frame)
        if attached is None:
            return "the opening's outline crosses itself however it is smoothed"
        vertices, faces = np.concatenate([vertices, attached[0]]), np.concatenate([faces, attached[1]])
    return vertices, faces


def _overlap(vertices: Floats, faces: Ints, bodies: list[Solid]) -> bool:
    """Whether bodies cross or lie inside one another. On a body's own vertices the number is below one."""
    from .winding import WindingTree

    if crossing_faces(vertices, faces).any():
        return True
    at = np.array([points[0] for points, _ in bodies])
    return bool((WindingTree.of(vertices, faces).at(at) > 0.98).any())


def _united(bodies: list[Solid], stops: list[Solid], work: _Work) -> Solid | str:
    """The union of all bodies, each made sound first, and stops, or a sentence why that cannot be."""
    sound = []
    for body in bodies:
        verdict = judge(*body)
        healed, why_not = (body, None) if verdict.sound else _healed(body, verdict)
        if healed is None:
            return f"one of {len(bodies)} bodies is not sound by itself: {why_not}"
        sound.append(healed)
    united = _without_crumbs(*unite(sound + stops, NUDGE_ULPS * float32_step(work.vertices)))
    apart = len(bodies_of(*united))
    if apart > 1 and not work.assembly:
        return f"{apart} loose pieces do not touch, but must become one body"
    return united


def _healed(candidate: Solid, verdict: Verdict) -> tuple[Solid | None, Any]:
    """The solid with its few bad places cut out and filled anew, or None and why."""
    vertices, faces = candidate
    bad = (verdict.crossing_faces or 0) + verdict.folded_faces
    other = {k: n for k, n in verdict.faults().items() if k not in ("crossing_faces", "folded_faces")}
    if other:
        return None, other
    if bad > max(LOCAL_SHARE * len(faces), LOCAL_FACES):
        return None, f"{bad} bad faces are no local matter"
    healed = heal_crossings(vertices, faces)
    if healed is None:
        return None, "crossings came back in every round"
    after = judge(healed[0], healed[1])
    if not after.sound:
        return None, after.faults()
    change = abs(after.volume_mm3 / verdict.volume_mm3 - 1)
    if change > LOCAL_VOLUME_CHANGE:
        return None, {"volume_change_share": change}
    return (healed[0], healed[1]), None


def _volumetric(work: _Work, plan: _Plan) -> Iterator[tuple[str, Solid]]:
    from .volumetric import cell_for, close_by_winding, snap_to_scan, thin_out

    cell_mm = cell_for(work.vertices, work.faces)
    soup = [(plan.filled.vertices, plan.filled.faces)]
    if plan.frame is not None:
        soup += soup_base(plan.filled.vertices, plan.openings, plan.frame, cell_mm)
    start = np.cumsum([0, *(len(points) for points, _ in soup)])
    points = np.concatenate([p for p, _ in soup])
    triangles = np.concatenate([f + s for (_, f), s in zip(soup, start[:-1], strict=True)])
    surface = close_by_winding(points, triangles, cell_mm)
    snapped = snap_to_scan(surface, work.vertices, work.faces, cell_mm)
    solid = _without_crumbs(snapped, surface.faces)
    yield "volumetric", thin_out(*solid, THIN_SHARE * cell_mm)
    yield "dense", solid
    yield "unsnapped", _without_crumbs(surface.vertices, surface.faces)


def _without_crumbs(vertices: Floats, faces: Ints) -> tuple[Floats, Ints]:
    faces = np.asarray(faces, np.int64)
    count, label, area = pieces_of(vertices, faces)
    volume = np.array([enclosed_volume(vertices, faces[label == i]) for i in range(min(count, 1000))])
    large = np.zeros(count, bool)
    large[: len(volume)] = volume >= CRUMB_VOLUME * volume.max(initial=0.0)
    large[: len(volume)] |= (volume > 0) & (area[: len(volume)] >= REPORTED_SHARE * area.sum())
    kept, trimmed, _ = compact(vertices, faces[large[label]])
    return kept, trimmed


def _done(work: _Work, plan: _Plan, rung: str, solid: Solid, tried: dict[str, Any]) -> Closing:
    bodies, _ = components(solid[1], len(solid[0]))
    facts = {"rung": rung, "bodies": bodies} | work.facts | plan.facts
    evidence = work.evidence | {"rungs_that_failed": tried}
    warnings = work.warnings + plan.warnings
    if bodies > 1 and not work.assembly:
        warnings += (
            f"the part came out as {bodies} bodies that do not touch: the scan lacks what joins them",
        )
    frame = plan.frame
    if frame is not None:
        beyond_mm = float((solid[0] @ frame.out).max()) - frame.offset_mm
        if beyond_mm > BEYOND_SHARE * diagonal(solid[0]):
            facts["reaches_beyond_base_mm"] = beyond_mm
            warnings += (
                f"the part reaches {beyond_mm:.1f} mm beyond its base, which is thus no foot to stand on",
            )
            frame = None
    return Closing(*solid, rung, frame, work.input_kept, facts, evidence, warnings)
