"""smooth: take the scanner's grain off while the likeness stays."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from fettlebox.api import Length, Part, Ratio, StepContext, StepError, StepParams, StepResult, quantity, step

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

ON_PLANE = 1e-6
"""A vertex within this share of the part's size lies on a flat face; steps put it there exactly."""

UNSEEN_MM = 0.01
"""Grain that is left by `strength: auto`: a twentieth of an everyday layer, which raking light no longer
shows (our judgement)."""


class Params(StepParams):
    strength: Ratio | Literal["auto"] = quantity(
        "auto",
        at_least="0 %",
        at_most="100 %",
        about="How much of the grain to take off. auto measures it and leaves what a print does not show.",
    )
    guard: Length = quantity(
        "0.5 mm", at_least="0 mm", about="No point of the surface moves further than this."
    )
    finest: Length | Literal["auto"] = quantity(
        "auto",
        at_least="0.01 mm",
        about="Waves shorter than this are grain, longer ones are shape. auto takes a few triangle edges, "
        "which is how far a scanner's errors go together.",
    )


@step("smooth", version=2, summary="Take the scanner's grain off; the likeness stays.", shorthand="strength")
def smooth(part: Part, params: Params, ctx: StepContext) -> StepResult:
    import numpy as np

    from .geometry import smoothing

    if not len(part.faces):
        raise StepError("There is nothing to smooth: the part has no triangles.")
    pinned = _flat(part) | smoothing.boundary_vertices(part.faces, len(part.vertices))
    if isinstance(params.finest, str):
        finest_mm = smoothing.usual_finest(part.vertices, part.faces)
    else:
        finest_mm = params.finest
    fine = smoothing.fine_part(part.vertices, part.faces, pinned, finest_mm)
    ctx.progress(0.4)
    if isinstance(params.strength, str):
        strength = max(0.0, 1.0 - UNSEEN_MM / fine.grain_mm) if fine.grain_mm > 0 else 0.0
    else:
        strength = params.strength
    asked = smoothing.taken_off(fine, strength, params.guard)
    vertices, moved = smoothing.moved_safely(part.vertices, part.faces, fine.normal, asked)
    ctx.progress(0.9)
    after = smoothing.fine_part(vertices, part.faces, pinned, finest_mm)
    distance = np.abs(moved)
    volume = _volume(part.vertices, part.faces)
    facts = {
        "grain_before_mm": fine.grain_mm,
        "grain_after_mm": after.grain_mm,
        "finest_mm": finest_mm,
        "strength_percent": 100.0 * strength,
        "volume_change_percent": 100.0 * (_volume(vertices, part.faces) / volume - 1.0) if volume else 0.0,
        "moved_largest_mm": float(distance.max()),
        "moved_p95_mm": float(np.percentile(distance, 95)),
        "at_guard_percent": 100.0 * float((distance >= params.guard * (1 - 1e-9)).mean()),
        "held_back_percent": 100.0 * float((np.abs(moved) < np.abs(asked)).mean()),
    }
    return StepResult(part.with_mesh(vertices, part.faces, part.colours), facts)


def _flat(part: Part) -> NDArray[np.bool_]:
    """(n,) vertices of triangles that lie in a flat face made on purpose."""
    import numpy as np

    flat = np.zeros(len(part.vertices), dtype=np.bool_)
    near_mm = ON_PLANE * float(np.ptp(part.bounds, axis=0).max())
    for plane in part.planes:
        on = np.abs(plane.height_of(part.vertices)) < near_mm
        flat[part.faces[on[part.faces].all(axis=1)]] = True
    return flat


def _volume(vertices: NDArray[np.float64], faces: NDArray[np.int32]) -> float:
    from .geometry.measures import volume_and_centroid

    return volume_and_centroid(vertices, faces)[0]
