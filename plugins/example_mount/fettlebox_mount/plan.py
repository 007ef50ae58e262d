"""The drilling plan: the flange from above, with its measures, for whoever drills the wood below it."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from .circle import BoltCircle
    from .params import Params

SIDE_PX, TEXT_PX, MARGIN_PX = 900, 110, 40
INK, PALE, PART, HOLE = (30, 34, 40), (232, 234, 238), (176, 190, 208), (255, 255, 255)


def drilling_plan(
    shadow: Any, circle: BoltCircle, wide_mm: float, hole_mm: float, head_mm: float, params: Params
) -> bytes:
    """PNG bytes. `shadow`: where the part stands above the flange, a shapely geometry."""
    from PIL import Image, ImageDraw, ImageFont

    low = np.minimum(np.asarray(shadow.bounds[:2]), circle.centre - wide_mm / 2)
    high = np.maximum(np.asarray(shadow.bounds[2:]), circle.centre + wide_mm / 2)
    scale = (SIDE_PX - 2 * MARGIN_PX) / float((high - low).max())
    middle = (low + high) / 2

    def at(points: Any) -> list[tuple[float, float]]:
        flipped = (np.atleast_2d(points) - middle) * scale * np.array([1.0, -1.0]) + SIDE_PX / 2
        return [(float(x), float(y)) for x, y in flipped]

    image = Image.new("RGB", (SIDE_PX, SIDE_PX + TEXT_PX), "white")
    draw = ImageDraw.Draw(image)

    def ring(centre: Any, diameter_mm: float, fill: Any, outline: Any, width: int = 2) -> None:
        ((x, y),) = at(centre)
        r = 0.5 * diameter_mm * scale
        draw.ellipse((x - r, y - r, x + r, y + r), fill=fill, outline=outline, width=width)

    ring(circle.centre, wide_mm, PALE, INK, 3)
    for piece in getattr(shadow, "geoms", [shadow]):
        draw.polygon(at(np.asarray(piece.exterior.coords)), fill=PART, outline=INK)
    ring(circle.centre, circle.diameter_mm, None, (150, 60, 60), 1)
    for hole in circle.holes():
        ring(hole, head_mm, None, (120, 126, 134))
        ring(hole, hole_mm, HOLE, INK)
        ((x, y),) = at(hole)
        draw.line((x - 9, y, x + 9, y), fill=INK)
        draw.line((x, y - 9, x, y + 9), fill=INK)
    if params.bore is not None:
        ring(circle.centre, params.bore + params.extra, HOLE, INK)
    said = [
        f"{params.count} screws {params.screw}, holes {hole_mm:g} mm, circle of {circle.diameter_mm:g} mm",
        f"first hole at {circle.first_deg:.4g} deg from the right (+X), towards the back; "
        f"flange {wide_mm:.4g} mm wide, {params.thickness:g} mm thick",
        f"seen from above; blue: what of the part is less than {params.reach:g} mm above the flange",
    ]
    for line, text in enumerate(said):
        place = (MARGIN_PX, SIDE_PX + 8 + 32 * line)
        draw.text(place, text, fill=INK, font=ImageFont.load_default(20))
    stream = io.BytesIO()
    image.save(stream, "PNG")
    return stream.getvalue()
