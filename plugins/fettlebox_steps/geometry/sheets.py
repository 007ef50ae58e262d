"""A scan taken from one side laid out as its viewer sees it: a sheet in which no spot hides another."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from .base import Frame, base_frame
from .blades import blades
from .clean import make_manifold
from .distance import closest_distance
from .in_view import lie_over, out_of_view, places_for_bared
from .loops import Rims
from .single_view import facing_most, seen_from
from .topology import Flags, Floats, Ints, boundary_loops, compact, components
from .webs import Webs, webbed

ROUNDS = 3
"""Where a blade is cut, another may come to stand in its place; what is left after so many rounds stays."""

LOST_SHARE, LOST_EDGES = 0.005, 0.5
"""A surface that would lose more than this share of its vertices, further than so many edges, is no sheet."""


@dataclass(frozen=True)
class Sheet:
    """A surface (n,3), (m,3), the base it stands on, webs between its rims, and rims of holes to be filled.

    hidden, blades  how many faces were cut as nothing that a viewer sees, and as blades along the outline
    flaps           how many flaps were put back
    lost_share      of the vertices, as many come to lie off the sheet
    gaps            rims, of which none was there before, that the cut left within the surface
    """

    vertices: Floats
    faces: Ints
    frame: Frame
    webs: Webs
    holes: list[Ints]
    hidden: int = 0
    blades: int = 0
    flaps: int = 0
    lost_share: float = 0.0
    gaps: tuple[Ints, ...] = ()


def whole_sheet(
    vertices: Floats, faces: Ints, rims: Rims, way: Floats, extra_mm: float, *, exact: bool
) -> Sheet | None:
    """The surface as it is, if it is seen from one side and its rims keep clear of each other.

    The base lies beyond the furthest point of all, for the surface may sink lower than its rim. With `exact`,
    it faces that very way or there is none.
    """
    viewer = seen_from(vertices, faces, -way, exact=exact)
    if viewer is None:
        return None
    frame = _frame(vertices, viewer, extra_mm)
    webs = webbed(vertices, faces, rims.openings, frame)
    return None if webs is None else Sheet(vertices, faces, frame, webs, rims.holes)


def _frame(vertices: Floats, viewer: Floats, extra_mm: float) -> Frame:
    frame = base_frame(vertices, [np.arange(len(vertices))], -viewer, extra_mm)
    return replace(frame, straight=True)


def cut_sheet(
    vertices: Floats,
    faces: Ints,
    way: Floats,
    extra_mm: float,
    *,
    exact: bool,
    flaps: tuple[Floats, Ints],
) -> Sheet | None:
    """The surface without what its viewer does not see, or None if that is much, or gaps are too wide.

    flaps (s,3), (t,3) hung by a vertex alone; those that lie beside the surface are put back.
    """
    viewer = facing_most(vertices, faces, -way, exact=exact)
    if viewer is None:
        return None
    frame = _frame(vertices, viewer, extra_mm)
    vertices, faces, count = _with_flaps(vertices, faces, flaps, frame)
    frame = _frame(vertices, viewer, extra_mm)
    cut: Flags = np.zeros(len(faces), bool)
    result: Sheet | None = None
    standing_up: Flags = np.zeros(len(faces), bool)
    for _ in range(ROUNDS + 1):
        more = _laid_bare(vertices, faces, cut, frame)
        if more is None:
            return result
        cut = more
        found = _laid(vertices, faces, cut, frame)
        if found is None:
            return result
        lost = _lost_share(vertices, faces, cut, standing_up, found)
        if lost > LOST_SHARE:
            return result
        rim = np.concatenate([found.vertices, found.webs.points])[found.webs.rim]
        standing = blades(found.vertices, found.faces, rim, frame)
        bladed = int(standing_up.sum())
        result = replace(found, hidden=int(cut.sum()) - bladed, blades=bladed, flaps=count, lost_share=lost)
        if not standing.any():
            break
        standing_up[np.flatnonzero(~cut)[standing]] = True
        cut = cut | standing_up
    return result


def _lost_share(vertices: Floats, faces: Ints, cut: Flags, standing_up: Flags, sheet: Sheet) -> float:
    """The share of the vertices that come to lie off the sheet, and off the wall down from its rim; those of
    blades, which go on purpose, aside.
    """
    bared = np.zeros(len(vertices), bool)
    bared[faces[cut]] = True
    bared[faces[~cut | standing_up]] = False
    side = vertices[faces[:, 0]] - vertices[faces[:, 1]]
    further_mm = LOST_EDGES * float(np.median(np.linalg.norm(side, axis=1)))
    points = np.concatenate([sheet.vertices, sheet.webs.points])
    lone = vertices[bared]
    lone = lone[closest_distance(lone, points, np.concatenate([sheet.faces, sheet.webs.faces])) > further_mm]
    outline = sheet.frame.flat(points[sheet.webs.rim]) * [1.0, 1.0, 0.0]
    row = np.arange(len(outline))
    edges = np.column_stack([row, np.roll(row, -1), row])
    away_mm = closest_distance(sheet.frame.flat(lone) * [1.0, 1.0, 0.0], outline, edges)
    return int((away_mm > further_mm).sum()) / len(vertices)


def _with_flaps(
    vertices: Floats, faces: Ints, flaps: tuple[Floats, Ints], frame: Frame
) -> tuple[Floats, Ints, int]:
    """The surface with those flaps of which less than half lies over or under it, and how many these are."""
    points, corners = flaps
    if not len(corners):
        return vertices, faces, 0
    _, label = components(corners, len(points))
    hidden = lie_over(frame.flat(vertices), faces, frame.flat(points)[:, :2])
    over = np.bincount(label, hidden[corners].mean(axis=1)) >= 0.5 * np.bincount(label)
    more, beside, _ = compact(points, corners[~over[label]])
    together = np.concatenate([faces, beside + len(vertices)])
    return np.concatenate([vertices, more]), together, int((~over).sum())


def _laid_bare(vertices: Floats, faces: Ints, cut: Flags, frame: Frame) -> Flags | None:
    """(m,) faces to cut, so that none of the others lies over another even when pinches are parted."""
    found = out_of_view(frame.flat(vertices), faces, cut)
    for _ in range(ROUNDS):
        if found is None:
            return None
        own, left, _ = make_manifold(vertices, faces[~found])
        more = out_of_view(frame.flat(own), left, np.zeros(len(left), bool))
        if more is None:
            return None
        if not more.any():
            break
        found[np.flatnonzero(~found)[more]] = True
    return found


def _laid(vertices: Floats, faces: Ints, cut: Flags, frame: Frame) -> Sheet | None:
    """What is left when faces (m,) are cut, its pieces and the gaps of the cut joined by webs."""
    import shapely

    own, left, _ = make_manifold(vertices, faces[~cut])
    torn, old = np.zeros((2, len(vertices)), bool)
    torn[faces[cut]] = True
    for loop in boundary_loops(faces, len(vertices)):
        old[loop] = True
    beside, was_rim = np.zeros((2, len(own)), bool)
    beside[left[torn[faces[~cut]]]] = True
    was_rim[left[old[faces[~cut]]]] = True
    seen = frame.flat(own)[:, :2] * [1.0, -1.0]
    loops = boundary_loops(left, len(own))
    shapes = [shapely.Polygon(seen[loop]) for loop in loops]
    outer = [shape.exterior.is_ccw for shape in shapes]
    tree = shapely.STRtree(
        [shapely.Point(seen[loop[0]]) for loop, out in zip(loops, outer, strict=True) if out]
    )
    webbed_rims: list[Ints] = []
    holes: list[Ints] = []
    gaps = tuple(loop for loop, out in zip(loops, outer, strict=True) if not (out or was_rim[loop].any()))
    for loop, shape, out in zip(loops, shapes, outer, strict=True):
        around = not out and len(tree.query(shape, predicate="contains")) > 0
        (webbed_rims if out or around or beside[loop].any() else holes).append(loop)
    flat = frame.flat(vertices)
    bared, places = places_for_bared(flat, faces, cut)
    moved = (places != flat[bared]).any(axis=1)
    loose = np.where(moved[:, None], frame.space(places), vertices[bared])
    webs = webbed(own, left, webbed_rims, frame, loose)
    return None if webs is None else Sheet(own, left, frame, webs, holes, gaps=gaps)
