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


@step("repair", version=3, summary="Close a raw scan into a sound solid, with a flat base at its opening.")
def repair(part: Part, params: Params, ctx: StepContext) -> StepResult:
    """Close the part by the gentlest way that gives a sound solid, and record the base."""
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
        raise HoldError(
            f"the scan has {closing.facts['holes_filled']} holes beside its opening; look whether filling "
            "them is right, then release it with holes: fill",
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
