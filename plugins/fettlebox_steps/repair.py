"""Close a raw scan into a sound solid: fill its holes, stand it on a flat base."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from fettlebox.api import (
    HoldError,
    Length,
    Part,
    Plane,
    StepContext,
    StepError,
    StepParams,
    StepResult,
    quantity,
    step,
)
from pydantic import Field

if TYPE_CHECKING:
    from .geometry.closing import Closing

TOWARDS = {"auto": None, "down": (0.0, 0.0, -1.0), "back": (0.0, 1.0, 0.0)}


class Base(StepParams):
    """How the widest opening is closed."""

    close: Literal["flat", "follow", "none"] = Field(
        default="flat",
        description=(
            "flat: by a wall and a flat base beyond the rim. follow: by a skin that carries on the surface "
            "around it, bent as little as can be. none: not at all; the part stays open, for a step after "
            "this one to close, such as rewrap."
        ),
    )
    extra: Length = quantity(
        "5 mm",
        at_least="0.2 mm",
        at_most="200 mm",
        about="How far the base lies beyond the furthest point of the rim.",
    )
    axis: Literal["auto", "down", "back"] = Field(
        default="auto",
        description="Where the base faces: auto, as the opening does; down, along -Z; back, along +Y.",
    )


class Params(StepParams):
    """How a scan is closed."""

    holes: Literal["fill", "hold"] = Field(
        default="fill",
        description="fill: close every hole. hold: let a person look if there are holes beside the opening.",
    )
    base: Base = Field(default=Base(), description="How the widest opening is closed.")
    pieces: Literal["auto", "largest", "unite", "keep"] = Field(
        default="auto",
        description=(
            "auto: crumbs are dropped and what overlaps is united; of a scan in several bodies, those that "
            "do not touch stay apart. largest: only the largest piece. unite: as auto, but all becomes one "
            "body, by struts across narrow gaps if need be. keep: all but dust, apart if they do not touch."
        ),
    )


FAR_AWAY = 10.0
"""A scan this many of its diagonals from the origin is first moved there: single precision, in which an STL
is written, has steps of a millionth of the scan's size out there, and coarser ones further on."""

MOST_EXTRA = 2.0
"""A base that lies this many of the scan's diagonals beyond its rim says that the unit is wrong."""


@step("repair", version=7, summary="Close a raw scan into a sound solid, with a flat base at its opening.")
def repair(part: Part, params: Params, ctx: StepContext) -> StepResult:
    """Close the part by the gentlest way that gives a sound solid, and record the base.

    The ways, from the gentlest: untouched, direct (the scan's vertices stay where they are), local (the
    same, with the few places that cross themselves filled anew), united, volumetric (a new surface drawn
    on to the scan), unsnapped. Each result has to pass the same test, or the next way is tried.

    Limits:
        - What the scanner did not see is invented: holes are spanned by the smoothest skin that fits, the
          opening by a wall and a flat base. The traveler tells the share.
        - Of a scan taken from one side, gaps in the rim up to a twelfth of the scan's size are spanned, and
          walls go straight away from where it was scanned. The base leans so far from the rim's own plane
          as that takes, unless its axis is given. Triangles that lie hidden there behind the edge of others,
          or are turned away by grain, are cut; a scan that would lose more than a two-hundredth of its
          vertices by that, or more than a thousandth while leaning walls close it too, is closed like any
          other.
        - The volumetric ways make new triangles as fine as the scan's own; features finer than those are
          lost.
        - Of a scan in which no piece has three quarters of the surface, openings are closed like holes,
          without a base.
        - `holes: hold` holds a scan with holes beside its opening, also those that such cutting opens.
        - Refuses what no way makes sound, such as scraps that enclose nothing; a base asked for more than
          72 degrees away from where the opening faces; a base more than twice the scan's size beyond its
          rim; pieces too far apart for `unite`.
    Sources:
        - P. Liepa, "Filling holes in meshes", 2003, and G. Barequet, M. Sharir, "Filling gaps in the
          boundary of a polyhedron", 1995: patches of least fold, then least area, made as fine as their
          rim.
        - A. Guéziec et al., "Cutting and stitching", 2001: edges and vertices where more than one surface
          meets.
        - A. Jacobson, L. Kavan, O. Sorkine-Hornung, "Robust inside-outside segmentation using generalized
          winding numbers", 2013; G. Barill et al., "Fast winding numbers for soups and clouds", 2018: the
          volumetric way.
        - W. Lorensen, H. Cline, "Marching cubes", 1987: its surface; table derived anew.
        - M. Botsch, L. Kobbelt, "An intuitive framework for real-time freeform modeling", 2004, with
          weights of U. Pinkall, K. Polthier, 1993: the skin of `follow`.
        - M. Duckham et al., "Efficient generation of simple polygons for characterizing the shape of a set
          of points in the plane", 2008: which gaps of a rim are spanned.
        - P. Guigue, O. Devillers, "Fast and robust triangle-triangle overlap test using orientation
          predicates", 2003: crossings.
    Facts:
        rung: the way that gave the solid
        bodies: how many bodies it has
        holes_filled: how many holes beside the openings were filled
        holes_cut_open: how many of those were no holes before triangles were cut that the viewer of a scan
            taken from one side does not see
        hole_area_mm2, largest_hole_mm2: area of all holes, and of the largest, as flat as they would be
        opening_area_mm2: area of what the base closes, as seen from where it faces
        openings: how many openings the base closes
        base_extra_mm: how far the base lies beyond the rim
        pieces_found, pieces_kept, pieces_dropped: how many pieces; what was found was kept or dropped
        dropped_area_mm2: area of all that was dropped
        dropped_area_share, largest_dropped_share: the same, and the largest of it, as shares of the whole
        pieces_united, pieces_enclosed, pieces_lost: of those kept, how many became one with others, lie
            inside another, or are not in the result
        united_area_share, enclosed_area_share, lost_area_share, kept_area_share: their areas
        unmoved_face_share: share of the scan's triangles that are in the result as they were
        vertices_left_out, vertices_left_out_share: vertices of what was kept that lie off the result by more
            than half a median edge: how many, and as a share
        furthest_left_out_mm: how far off the furthest of them lies
        moved_to_origin_mm: how far a part far from the origin was moved, for files keep few digits out
            there
        reaches_beyond_base_mm: how far something reaches past the base, which then is none to stand on
    Evidence:
        cleaned.<what>: what was set right before closing: faces, vertices, spikes and fins, how many
        blades_cut: triangles that stood up close along the outline of a scan taken from one side, cut
        hidden_cut: triangles of such a scan that its viewer does not see, cut; their vertices are kept where
            they are, or nearly there, if that can be
        assembly: whether the scan is of several bodies, none of them plainly the subject
        second_layers: pieces that lie along the largest one, the same spot scanned twice; left out
        scraps_torn_off, largest_scrap_share: what came loose in cleaning, how many and how large
        rungs_that_failed.<way>: each way that was tried before, with what was wrong with its result
        pieces.area_share, pieces.across_mm, pieces.fate: every larger piece and what became of it
        gaps_bridged_mm: how wide the gaps are that struts span
    Recipe:
        - units: {expect: head}
        - debris
        - repair
    Picture: below
    """
    import numpy as np

    from .geometry.closing import CannotCloseError, close_scan

    if not len(part.faces):
        raise StepError("the scan has no faces, so there is nothing to close")
    if params.base.close == "none" and params.pieces == "unite":
        raise StepError(
            "pieces: unite makes one solid of all pieces, which an opening that stays (close: none) cannot "
            "be; close it (flat or follow), or keep the pieces as they are"
        )
    size_mm = float(np.linalg.norm(np.ptp(part.bounds, axis=0)))
    if params.base.close == "flat" and params.base.extra > MOST_EXTRA * size_mm:
        raise StepError(
            f"the base would lie {params.base.extra:g} mm beyond a scan that is only {size_mm:.3g} mm "
            "across; set the scan's unit first, or ask for less extra"
        )
    part, moved_mm = _near_origin(part, size_mm)
    towards = TOWARDS[params.base.axis]
    try:
        closing = close_scan(
            part.vertices,
            part.faces,
            close=params.base.close,
            base_extra_mm=params.base.extra,
            base_towards=None if towards is None else np.array(towards),
            gather=params.pieces,
        )
    except CannotCloseError as error:
        raise StepError(str(error)) from error
    if params.holes == "hold" and closing.facts["holes_filled"]:
        filled, cut_open = closing.facts["holes_filled"], closing.facts["holes_cut_open"]
        some = "" if cut_open == filled else f"{cut_open} of them "
        origin = f", {some}where triangles that its viewer does not see were cut" if cut_open else ""
        raise HoldError(
            f"the scan has {filled} {'hole' if filled == 1 else 'holes'} beside its opening{origin}; look "
            "whether filling is right, then release it with holes: fill",
            closing.facts,
        )
    if closing.rung == "untouched":
        return StepResult(part, closing.facts | moved_mm)
    return _result(part, closing, ctx, moved_mm)


def _near_origin(part: Part, size_mm: float) -> tuple[Part, dict[str, list[float]]]:
    """The part, moved to the origin if it is far from it, and a fact that says so."""
    import numpy as np

    middle = part.bounds.mean(axis=0)
    if np.linalg.norm(middle) <= FAR_AWAY * size_mm:
        return part, {}
    shift = np.eye(4)
    shift[:3, 3] = -np.round(middle)
    return part.moved(shift), {"moved_to_origin_mm": shift[:3, 3].tolist()}


def _result(part: Part, closing: Closing, ctx: StepContext, moved_mm: dict[str, list[float]]) -> StepResult:
    import numpy as np

    from .geometry.carrying import nearest_values, unmoved_share
    from .geometry.topology import used_vertices

    kept = part.faces[closing.input_kept]
    colours = None
    if part.colours is not None:
        used = used_vertices(kept.astype(np.int64), len(part.vertices))
        colours = nearest_values(part.vertices[used], part.colours[used], closing.vertices)
    result = part.with_mesh(closing.vertices, closing.faces, colours)
    if closing.frame is not None:
        point, normal = closing.frame.point.tolist(), closing.frame.out.tolist()
        result = result.with_plane(Plane("base", tuple(point), tuple(normal), bed=True))
    unmoved = unmoved_share(part.vertices, kept, closing.vertices, closing.faces)
    return StepResult(
        result,
        closing.facts | {"unmoved_face_share": unmoved} | moved_mm,
        closing.warnings,
        closing.evidence,
        reference=_without_dropped(ctx.reference, part, closing),
    )


def _without_dropped(reference: Part, part: Part, closing: Closing) -> Part | None:
    """The reference without the dropped pieces, if it is still the very surface that came in."""
    import numpy as np

    from .geometry.topology import compact

    if closing.input_kept.all() or not np.array_equal(reference.faces, part.faces):
        return None
    vertices, faces, _ = compact(reference.vertices, reference.faces[closing.input_kept].astype(np.int64))
    return reference.with_mesh(vertices, faces)
