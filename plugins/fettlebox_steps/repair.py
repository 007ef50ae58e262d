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

    close: Literal["flat", "none"] = Field(
        default="flat",
        description="flat: by a wall and a flat base beyond the rim. none: by a taut skin.",
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


@step("repair", version=1, summary="Close a raw scan into a sound solid, with a flat base at its opening.")
def repair(part: Part, params: Params, ctx: StepContext) -> StepResult:
    """Close the part by the gentlest way that gives a sound solid, and record the base."""
    import numpy as np

    from .geometry.closing import CannotCloseError, close_scan

    if not len(part.faces):
        raise StepError("the scan has no faces, so there is nothing to close")
    towards = TOWARDS[params.base.axis]
    try:
        closing = close_scan(
            part.vertices,
            part.faces,
            flat_base=params.base.close == "flat",
            base_extra_mm=params.base.extra,
            base_towards=None if towards is None else np.array(towards),
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
        return StepResult(part, closing.facts)
    return _result(part, closing, ctx)


def _result(part: Part, closing: Closing, ctx: StepContext) -> StepResult:
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
        closing.facts | {"unmoved_face_share": unmoved},
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
