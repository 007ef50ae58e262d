"""The ways to close a prepared scan, from the gentlest to the surest. What each is, `closing` says."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np

from .acceptance import Verdict, judge
from .base import Frame, attach_base
from .carrying import unmoved_faces
from .clean import NUDGE_ULPS, float32_step, pieces_of
from .crossings import crossing_faces
from .footprint import slit_stops, soup_base
from .local_repair import heal_crossings
from .pieces import REPORTED_SHARE
from .preparing import Plan, Work
from .topology import Flags, Floats, Ints, compact, piece_volumes
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
STOP_EDGES = 4.0
"""What stops a slit reaches this many median edges into the walls beside it."""

LOCAL_FAULTS = (
    "crossing_faces", "folded_faces", "degenerate_faces", "shared_positions", "open_as_float32",
)  # fmt: skip
"""What is cured by cutting out a few faces and filling the place anew."""
OPEN_FAULTS = ("open_edges", "open_as_float32", "volume_mm3")
"""What a closed solid must not have and a surface that stays open cannot but have."""


def attempts(work: Work, plan: Plan, tried: dict[str, Any]) -> Iterator[tuple[str, Solid]]:
    """One solid after another to put to the test, each more thorough than the one before."""
    closed = plan.proven or _closed_rim_by_rim(plan)
    if isinstance(closed, str):
        tried["direct"] = closed
    else:
        stops = _slit_stops(work, plan)
        bodies = bodies_of(*closed) if work.pieces > 1 else [closed]
        apart_is_fine = len(bodies) == 1 or (work.apart and not _overlap(*closed, bodies))
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


def _slit_stops(work: Work, plan: Plan) -> list[Solid]:
    if plan.frame is None or plan.frame.straight:
        return []
    side = work.vertices[work.faces[:, 0]] - work.vertices[work.faces[:, 1]]
    overlap_mm = STOP_EDGES * float(np.median(np.linalg.norm(side, axis=1)))
    hang_together = work.pieces > 1 and not work.apart
    return slit_stops(work.vertices, plan.openings, plan.frame, overlap_mm, hang_together=hang_together)


def _closed_rim_by_rim(plan: Plan) -> Solid | str:
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


def _united(bodies: list[Solid], stops: list[Solid], work: Work) -> Solid | str:
    """The union of all bodies, each made sound first, and stops, or a sentence why that cannot be."""
    sound = []
    scan = work.vertices, work.faces
    for body in bodies:
        verdict = judge(*body)
        healed, why_not = (body, None) if verdict.sound else healed_solid(body, verdict, scan)
        if healed is None:
            return f"one of {len(bodies)} bodies is not sound by itself: {why_not}"
        sound.append(healed)
    try:
        united = _without_crumbs(*unite(sound + stops, NUDGE_ULPS * float32_step(work.vertices)))
    except ValueError as error:
        return str(error)
    apart = len(bodies_of(*united))
    if apart > 1 and not work.apart and not work.must_join:
        return f"{apart} loose pieces do not touch, but must become one body"
    return united


def left_open(plan: Plan) -> Solid | str:
    """The surface with its holes filled and its openings as they are, or a sentence why that cannot be."""
    if plan.filled.unfilled:
        return f"{len(plan.filled.unfilled)} holes cannot be filled without doubling an edge"
    healed = heal_crossings(plan.filled.vertices, plan.filled.faces, open_stays=True)
    if healed is None:
        return "the surface crosses itself in places that would not heal"
    vertices, faces, _ = compact(*healed[:2])
    other = {k: n for k, n in judge(vertices, faces).faults().items() if k not in OPEN_FAULTS}
    return ", ".join(f"{n:g} {k.replace('_', ' ')}" for k, n in other.items()) or (vertices, faces)


def healed_solid(candidate: Solid, verdict: Verdict, scan: Solid | None = None) -> tuple[Solid | None, Any]:
    """The solid with its few bad places cut out and filled anew, or None and why.

    What is not the scan's is cut first, if the scan is given and that does.
    """
    vertices, faces = candidate
    bad = sum(int(n) for k, n in verdict.faults().items() if k in LOCAL_FAULTS)
    other = {k: n for k, n in verdict.faults().items() if k not in LOCAL_FAULTS}
    if other:
        return None, other
    if bad > max(LOCAL_SHARE * len(faces), LOCAL_FACES):
        return None, f"{bad} bad faces are no local matter"
    if scan is None:
        return _healed(candidate, verdict, None)
    healed, why_not = _healed(candidate, verdict, ~unmoved_faces(vertices, faces, *scan))
    if healed is None:
        # A wall's triangles grow away from the rim: rings of ours may be half of it. Of all, the bad ones do.
        healed, why_not_all = _healed(candidate, verdict, None)
        why_not = f"what is not the scan's cut first: {why_not}; the bad places alone: {why_not_all}"
    return healed, None if healed is not None else why_not


def _healed(candidate: Solid, verdict: Verdict, ours: Flags | None) -> tuple[Solid | None, Any]:
    """The same, with faces (m,) that are `ours` cut first."""
    healed = heal_crossings(*candidate, verdict.offending, ours=ours)
    if healed is None:
        return None, "crossings came back in every round"
    after = judge(*healed[:2], only=_anew(candidate, verdict, healed[0], healed[1]))
    if not after.sound:
        return None, after.faults()
    change = abs(after.volume_mm3 / verdict.volume_mm3 - 1)
    if change > LOCAL_VOLUME_CHANGE:
        return None, {"volume_change_share": change}
    return (healed[0], healed[1]), None


def _anew(before: Solid, verdict: Verdict, vertices: Floats, faces: Ints) -> Flags:
    """(m,) faces that were not there before, or offended then: all others were held against one another."""
    if verdict.offending is None:
        return np.ones(len(faces), np.bool_)
    kept = before[1][~verdict.offending]
    return ~unmoved_faces(vertices, faces, before[0], kept)


def _volumetric(work: Work, plan: Plan) -> Iterator[tuple[str, Solid]]:
    from .volumetric import cell_for, close_by_winding, follow_scan

    cell_mm = cell_for(work.vertices, work.faces)
    soup = [(plan.filled.vertices, plan.filled.faces)]
    if plan.frame is not None:
        soup += soup_base(plan.filled.vertices, plan.openings, plan.frame, cell_mm)
    start = np.cumsum([0, *(len(points) for points, _ in soup)])
    points = np.concatenate([p for p, _ in soup])
    triangles = np.concatenate([f + s for (_, f), s in zip(soup, start[:-1], strict=True)])
    ours = np.arange(len(triangles)) >= len(plan.filled.faces)
    surface = close_by_winding(points, triangles, cell_mm, ours=ours)
    drawn, corners = follow_scan(surface, work.vertices, work.faces, cell_mm)
    if plan.frame is not None:
        drawn = _pressed(drawn, plan.frame, cell_mm)
    yield "volumetric", _without_crumbs(drawn, corners)
    yield "unsnapped", _without_crumbs(surface.vertices, surface.faces)


def _pressed(vertices: Floats, frame: Frame, cell_mm: float) -> Floats:
    """What bulges out of the base by less than a cell, where walls meet it, pressed back into its plane."""
    beyond = vertices @ frame.out - frame.offset_mm
    return vertices - np.where((beyond > 0) & (beyond < cell_mm), beyond, 0.0)[:, None] * frame.out


def _without_crumbs(vertices: Floats, faces: Ints) -> tuple[Floats, Ints]:
    faces = np.asarray(faces, np.int64)
    count, label, area = pieces_of(vertices, faces)
    volume = piece_volumes(vertices, faces, label, count)
    large = volume >= CRUMB_VOLUME * volume.max(initial=0.0)
    large |= (volume > 0) & (area >= REPORTED_SHARE * area.sum())
    if large.all():
        return vertices, faces
    kept, trimmed, _ = compact(vertices, faces[large[label]])
    return kept, trimmed
