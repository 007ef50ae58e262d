"""simplify: fewer triangles, within a stated distance."""

from __future__ import annotations

from typing import TYPE_CHECKING

from fettlebox.api import Length, Part, StepContext, StepError, StepParams, StepResult, quantity, step
from pydantic import Field, model_validator

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

ON_PLANE = 1e-6
"""A vertex within this share of the part's size lies on a flat face; steps put it there exactly."""


SEEN_LEVELS = 24
"""Of 255: a change of colour that shows side by side (our judgement)."""


class Params(StepParams):
    within: Length | None = quantity(
        None,
        at_least="0.0001 mm",
        about="No point of the surface ends up further from where it was. 0.02 mm if `to` is not given.",
    )
    to: int | None = Field(None, ge=4, description="Stop at this many triangles.")

    @model_validator(mode="after")
    def _default(self) -> Params:
        if self.within is None and self.to is None:
            object.__setattr__(self, "within", 0.02)
        return self


@step("simplify", version=1, summary="Fewer triangles, within a stated distance.", shorthand="within")
def simplify(part: Part, params: Params, ctx: StepContext) -> StepResult:
    """Edges are drawn together, cheapest first, as long as every vertex that was there stays within the
    distance.

    Limits:
        - The vertices that are left are some of the old ones: none is moved, so no volume is gained back
          either.
        - Without `within`, `to` goes as far as it is told, whatever that costs; the distance is measured
          and told.
        - More triangles than `to` are left, with a warning, where fewer would cross themselves or go
          beyond `within`.
        - Colours ride on vertices: where the shape is flat but the colours are not, they coarsen, with a
          warning.
        - Flat faces of earlier steps stay flat; open rims and edges where several surfaces meet stay as
          they are.
        - Refuses a part without triangles.
    Sources:
        - M. Garland, P. Heckbert, "Surface simplification using quadric error metrics", 1997: the order.
        - R. Klein, G. Liebich, W. Straßer, "Mesh reduction with error control", 1996: every old vertex is
          measured against the new surface before each collapse.
    Facts:
        triangles_before, triangles_after: how many
        largest_distance_mm: the largest distance found between the surfaces, both ways
        colour_change_p95_levels: how much the colours changed, of 255 levels, 95th percentile
    Recipe:
        - units: {expect: head}
        - debris
        - repair
        - simplify: {within: 0.4 mm}
    Picture: near
    """
    import numpy as np

    from .geometry.carrying import colour_change
    from .geometry.simplifying import simplified

    if not len(part.faces):
        raise StepError("There is nothing to simplify: the part has no triangles.")
    within_mm = np.inf if params.within is None else params.within
    target = params.to or 0
    before = len(part.faces)
    flat = _flat_bits(part)
    faces, distance_mm = simplified(part.vertices, part.faces, within_mm, target, flat, ctx.progress)
    warnings = []
    if params.to is not None and len(faces) > params.to + 1:
        bound = "" if params.within is None else f" within {params.within:g} mm"
        warnings.append(
            f"{len(faces)} triangles are left, more than {params.to}: fewer were not possible{bound}."
        )
    used, compact = np.unique(faces, return_inverse=True)
    colours = None if part.colours is None else part.colours[used]
    result = part.with_mesh(part.vertices[used], compact.reshape(-1, 3), colours)
    facts: dict[str, float] = {
        "triangles_before": before,
        "triangles_after": len(faces),
        "largest_distance_mm": distance_mm,
    }
    if part.colours is not None and colours is not None:
        change = colour_change(part.vertices, part.colours, result.vertices, result.faces, colours)
        facts["colour_change_p95_levels"] = float(np.percentile(change, 95))
        if facts["colour_change_p95_levels"] > SEEN_LEVELS:
            warnings.append(
                f"a twentieth of the colours changed by {facts['colour_change_p95_levels']:.0f} of 255 "
                "levels or more: colours need triangles that the shape does without; give a smaller `within`"
            )
    return StepResult(result, facts, tuple(warnings))


def _flat_bits(part: Part) -> NDArray[np.int64]:
    """(n,) bit k set for vertices of triangles that lie in the part's k-th flat face."""
    import numpy as np

    bits = np.zeros(len(part.vertices), dtype=np.int64)
    near_mm = ON_PLANE * float(np.ptp(part.bounds, axis=0).max())
    for k, plane in enumerate(part.planes[-60:]):
        on = np.abs(plane.height_of(part.vertices)) < near_mm
        mine = np.zeros(len(bits), dtype=np.bool_)
        mine[part.faces[on[part.faces].all(axis=1)]] = True
        bits[mine] |= 1 << k
    return bits
