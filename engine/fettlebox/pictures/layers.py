"""Layers of a part in a row, each seen from above, as they lie on the bed."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ..mesh.part import Floats
from .shade import PAPER, Image
from .sheet import INK, SMALL_PX, TEXT_PX, Sheet, fit_text

WIDTH_PX = 1200
MARGIN_PX, GAP_PX, TITLE_PX, FOOT_PX = 28, 18, 52, 70
FILL = (158, 202, 170)
FINER = 3
"""Drawn so many times larger and averaged down, which takes the steps out of outlines."""


def render_layers(layers: Sequence[tuple[str, Sequence[Floats]]], *, title: str = "") -> bytes:
    """PNG of layers at one scale, with a scale bar: each a caption and its outlines (p,2) in mm.

    Outlines counter-clockwise bound material, clockwise ones bound holes. All share one frame, so that a
    layer is seen where it lies. Back is up, as in a plan.
    """
    points = [outline for _, outlines in layers for outline in outlines if len(outline)]
    low = np.min([p.min(axis=0) for p in points], axis=0) if points else np.zeros(2)
    high = np.max([p.max(axis=0) for p in points], axis=0) if points else np.ones(2)
    wide, deep = np.maximum(high - low, 1e-6)
    count = max(len(layers), 1)
    cell_px = (WIDTH_PX - 2 * MARGIN_PX - GAP_PX * (count - 1)) // count
    mm_per_px = max(wide / (cell_px - 2), deep / (2 * cell_px))
    tall_px = int(deep / mm_per_px) + 3
    top = TITLE_PX if title else MARGIN_PX
    sheet = Sheet(WIDTH_PX, top + tall_px + FOOT_PX)
    if title:
        text = fit_text(title, TEXT_PX + 2, WIDTH_PX - 2 * MARGIN_PX)
        sheet.text(MARGIN_PX, TITLE_PX - 18, text, size_px=TEXT_PX + 2)
    middle = (low + high) / 2.0
    for k, (caption, outlines) in enumerate(layers):
        left = MARGIN_PX + k * (cell_px + GAP_PX)
        sheet.paste(_plan(outlines, middle, mm_per_px, (cell_px, tall_px)), left, top)
        at = (left + cell_px / 2, top + tall_px + 20)
        sheet.text(*at, caption, size_px=SMALL_PX, anchor="ms", quiet=True)
    sheet.scale_bar(MARGIN_PX, sheet.height - MARGIN_PX + 10, mm_per_px, WIDTH_PX // 8)
    return sheet.png(title)


def _plan(outlines: Sequence[Floats], middle: Floats, mm_per_px: float, size: tuple[int, int]) -> Image:
    from PIL import Image as Pillow
    from PIL import ImageDraw

    wide, tall = size[0] * FINER, size[1] * FINER
    image = Pillow.new("RGB", (wide, tall), PAPER)
    draw = ImageDraw.Draw(image)
    drawn = [(_signed_area(outline), outline) for outline in outlines if len(outline) > 2]
    # The larger first: what lies inside another is drawn over it.
    for area, outline in sorted(drawn, key=lambda one: -abs(one[0])):
        flat = (outline - middle) / mm_per_px * FINER
        place = np.column_stack([flat[:, 0] + wide / 2, tall / 2 - flat[:, 1]])
        corners = [(float(x), float(y)) for x, y in place]
        draw.polygon(corners, fill=FILL if area > 0 else PAPER)
        draw.line([*corners, corners[0]], fill=INK, width=FINER + 1)
    return np.asarray(image.resize(size, Pillow.Resampling.BOX), dtype=np.uint8)


def _signed_area(outline: Floats) -> float:
    x, y = (outline - outline[0]).T
    return float((x * np.roll(y, -1) - np.roll(x, -1) * y).sum() / 2.0)
