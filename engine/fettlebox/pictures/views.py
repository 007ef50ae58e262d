"""Pictures of parts: views side by side, before and after, and numbers shown as colours."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..mesh.part import Floats, Part
from .rays import FROM_ABOVE, FRONT, THREE_QUARTER, Stage, View
from .shade import Image, paint
from .sheet import SMALL_PX, TEXT_PX, Sheet, fit_text, round_length

SIZE_PX = (1200, 600)
PAIR_PX = (1200, 520)
RAYS_PER_PIXEL = 2
"""Along each side of a pixel: four rays a pixel take the steps out of outlines."""

MARGIN_PX, GAP_PX, TITLE_PX, FOOT_PX = 28, 36, 52, 78

RAMP = ((246, 232, 190), (158, 202, 170), (66, 146, 160), (38, 84, 130), (36, 26, 66))
"""Light to dark and yellow to blue: lightness alone orders it, so any kind of colour vision can read it."""

NOT_COMPARED = (176, 172, 170)
MARKED = (222, 158, 176)
EVEN_LIGHT = 0.35


@dataclass(frozen=True)
class _Panel:
    stage: Stage
    axes: Floats
    name: str
    colours: Image | None
    of_faces: bool = False

    def width_height_mm(self) -> Floats:
        low, high = self.stage.extent(self.axes)
        return np.maximum(high - low, 1e-9)


def render_views(
    part: Part,
    views: tuple[View, ...] | None = None,
    *,
    size: tuple[int, int] = SIZE_PX,
    title: str = "",
    front: tuple[float, float, float] = FRONT,
    stage: Stage | None = None,
) -> bytes:
    """PNG of a part from several sides at one scale, with a scale bar. Back faces show in rust.

    Without `views` there are three; of a part that lies flat, as a relief does, the first is from above.
    A `stage` of the same part, given to several pictures, spares them building it anew.
    """
    stage = stage or Stage(part)
    views = views or stage.views
    panels = [_Panel(stage, view.axes(front), view.name, part.colours) for view in views]
    sheet, mm_per_px, _ = _lay_out(panels, size, title)
    sheet.scale_bar(MARGIN_PX, sheet.height - MARGIN_PX + 6, mm_per_px, size[0] // 5)
    return sheet.png(title)


def render_pair(
    before: Part,
    after: Part,
    *,
    size: tuple[int, int] = PAIR_PX,
    title: str = "",
    names: tuple[str, str] = ("scan", "part"),
    view: View | None = None,
    front: tuple[float, float, float] = FRONT,
    stage: Stage | None = None,
    as_they_lie: bool = False,
) -> bytes:
    """PNG of the scan and the part made of it, drawn equally large from the same side.

    Without `view` that is three-quarter, or from above for a part that lies flat. Each half has a scale bar
    of its own, since the order may be smaller than life. With `as_they_lie` neither is turned or enlarged to
    be like the other.
    """
    to_after = np.eye(4) if as_they_lie else after.placement @ np.linalg.inv(before.placement)
    enlarged = float(np.cbrt(abs(np.linalg.det(to_after[:3, :3]))))
    moved = replace(before, vertices=before.vertices @ to_after[:3, :3].T + to_after[:3, 3], planes=())
    stage = stage or Stage(after)
    view = view or (FROM_ABOVE if stage.lies else THREE_QUARTER)
    panels = [
        _Panel(set_up, view.axes(front), name, part.colours)
        for set_up, part, name in ((Stage(moved), moved, names[0]), (stage, after, names[1]))
    ]
    sheet, mm_per_px, lefts = _lay_out(panels, size, title)
    for left, mm in zip(lefts, (mm_per_px / enlarged, mm_per_px), strict=True):
        sheet.scale_bar(max(left, MARGIN_PX), sheet.height - MARGIN_PX + 6, mm, size[0] // 6)
    return sheet.png(title)


def render_map(
    part: Part,
    values: ArrayLike,
    legend: str,
    *,
    high: float | None = None,
    at_least: float = 1e-6,
    views: tuple[View, ...] | None = None,
    size: tuple[int, int] = SIZE_PX,
    title: str = "",
    front: tuple[float, float, float] = FRONT,
    unknown: str = "not compared",
    marked: NDArray[np.bool_] | None = None,
    mark: str = "",
    tags: Sequence[tuple[Floats, str]] = (),
    stage: Stage | None = None,
) -> bytes:
    """PNG of a part coloured by one number a vertex (n,) or a face (m,), from 0 to `high`; NaN is grey.

    `legend` says what the numbers are, with their unit. Without `high`, the scale ends at the round
    number above 98 % of them, so that a few far ones do not drown the rest, but not below `at_least`.
    What is `marked` (same length) shows in one colour of its own, which `mark` explains. `tags` are points
    of the surface (3,) with a word, which stands beside them in every view that shows them.
    """
    numbers = np.asarray(values, dtype=np.float64)
    on_faces = numbers.shape == (len(part.faces),) and len(part.faces) != len(part.vertices)
    if numbers.shape != (len(part.vertices),) and not on_faces:
        expected = f"({len(part.vertices)},) or ({len(part.faces)},)"
        raise ValueError(f"values have shape {numbers.shape}, expected {expected}")
    marked = np.zeros(len(numbers), bool) if marked is None else marked
    known = np.isfinite(numbers) & ~marked
    if high is None:
        most = float(np.percentile(numbers[known], 98.0)) if known.any() else 0.0
        high = max(_round_up(most), at_least)
    colours = np.full((len(numbers), 3), NOT_COMPARED, np.uint8)
    colours[known] = _ramp(numbers[known] / high)
    colours[marked] = MARKED
    stage = stage or Stage(part)
    views = views or stage.views
    panels = [_Panel(stage, view.axes(front), view.name, colours, on_faces) for view in views]
    sheet, mm_per_px, _ = _lay_out(panels, size, title, contrast=EVEN_LIGHT, tags=tags)
    sheet.scale_bar(MARGIN_PX, sheet.height - MARGIN_PX + 6, mm_per_px, size[0] // 6)
    width = size[0] // 4
    left, line = size[0] - MARGIN_PX - width - 24, sheet.height - MARGIN_PX - 14
    beyond = bool(known.any() and numbers[known].max() > high * (1.0 + 1e-9))
    labels = ("0", f"{high / 2:g}", f"{high:g} or more" if beyond else f"{high:g}")
    sheet.ramp(left, line, _ramp(np.linspace(0.0, 1.0, width)), labels)
    sheet.text(left - 12, line + 7, legend, size_px=SMALL_PX, anchor="rm")
    at = size[0] * 27 // 100
    for shown, colour, label in (
        ((~known & ~marked).any(), NOT_COMPARED, unknown),
        (marked.any(), MARKED, mark),
    ):
        if shown:
            sheet.swatch(at, line, colour, label)
            at += size[0] * 14 // 100
    return sheet.png(title)


def _lay_out(
    panels: list[_Panel],
    size: tuple[int, int],
    title: str,
    *,
    contrast: float = 1.0,
    tags: Sequence[tuple[Floats, str]] = (),
) -> tuple[Sheet, float, list[int]]:
    """Draw the panels side by side at one scale: the sheet, mm a pixel, and each panel's left edge.

    `size` is a limit: the sheet is as wide, and as high as the panels need.
    """
    width_px, height_px = size
    top = MARGIN_PX + (TITLE_PX - MARGIN_PX if title else 0)
    extents = np.stack([panel.width_height_mm() for panel in panels])
    room_across = width_px - 2 * MARGIN_PX - GAP_PX * (len(panels) - 1)
    room_down = height_px - top - FOOT_PX
    mm_per_px = max(float(extents[:, 0].sum()) / room_across, float(extents[:, 1].max()) / room_down)
    tallest = int(float(extents[:, 1].max()) / mm_per_px) + 3
    bench = top + min(tallest, room_down)
    sheet = Sheet(width_px, bench + FOOT_PX)
    if title:
        sheet.text(
            MARGIN_PX,
            TITLE_PX - 18,
            fit_text(title, TEXT_PX + 2, width_px - 2 * MARGIN_PX),
            size_px=TEXT_PX + 2,
        )
    spare = (room_across - float(extents[:, 0].sum()) / mm_per_px) / len(panels)
    left, lefts = float(MARGIN_PX), []
    tagged: list[tuple[float, float, str, tuple[float, float]]] = []
    for panel, (wide_mm, high_mm) in zip(panels, extents, strict=True):
        share = wide_mm / mm_per_px + spare
        columns = min(int(wide_mm / mm_per_px) + 3, int(share) + GAP_PX)
        rows = min(int(high_mm / mm_per_px) + 3, room_down + 2)
        at = round(left + (share - columns) / 2.0)
        # Feet on one line, as parts stand on a bench.
        sheet.paste(_picture(panel, mm_per_px, (rows, columns), contrast), at, bench - rows)
        sheet.text(left + share / 2.0, bench + 22, panel.name, size_px=SMALL_PX, anchor="ms", quiet=True)
        for point, text in tags:
            if panel.stage.sees(point, panel.axes):
                right, up = panel.stage.place(point, panel.axes) - sum(panel.stage.extent(panel.axes)) / 2.0
                place = (at + columns / 2 + right / mm_per_px, bench - rows / 2 - up / mm_per_px)
                tagged.append((*place, text, (left - GAP_PX / 2, left + share + GAP_PX / 2)))
        lefts.append(at)
        left += share + GAP_PX
    sheet.tags(tagged, bench + 6)  # when no panel is to come that would cover them
    return sheet, mm_per_px, lefts


def _picture(panel: _Panel, mm_per_px: float, shape: tuple[int, int], contrast: float) -> Image:
    low, high = panel.stage.extent(panel.axes)
    rays = (shape[0] * RAYS_PER_PIXEL, shape[1] * RAYS_PER_PIXEL)
    seen = panel.stage.look(panel.axes, (low + high) / 2.0, mm_per_px / RAYS_PER_PIXEL, rays)
    return paint(seen, RAYS_PER_PIXEL, panel.colours, of_faces=panel.of_faces, contrast=contrast)


def _ramp(share: Floats) -> Image:
    """Colours (n,3) uint8 of shares (n,) from 0 to 1 of the scale; what is beyond takes its end."""
    stops = np.linspace(0.0, 1.0, len(RAMP))
    columns = [np.interp(share, stops, [stop[channel] for stop in RAMP]) for channel in range(3)]
    return np.asarray(np.rint(np.stack(columns, axis=-1)), dtype=np.uint8)


def _round_up(value: float) -> float:
    below = round_length(max(value, 1e-6))
    return below if below >= value * (1 - 1e-9) else next(f for f in (2 * below, 2.5 * below) if f >= value)
