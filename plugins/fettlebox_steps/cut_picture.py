"""A picture of where a part is cut: the planes as frames around it, and what goes in another colour."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from fettlebox.api import Part

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int32]

Colour = tuple[int, int, int]

CHOSEN: Colour = (20, 92, 170)
LEVEL: Colour = (226, 138, 20)
STAYS: Colour = (206, 204, 199)
GOES: Colour = (238, 92, 140)
"""Blue and orange differ in lightness too, for eyes that see no hues."""

BAR = 0.012
MARGIN = 0.12
"""Thickness of a frame, and how far it stands off the part, as shares of the part's diagonal."""


@dataclass(frozen=True)
class Frame:
    """A plane to draw: a point in it, the unit normal up into what stays, and its colour."""

    point: Floats
    up: Floats
    colour: Colour


def cut_picture(part: Part, frames: list[Frame], taken_by: list[Frame], title: str) -> bytes:
    """PNG of the uncut part from three sides, with a frame for every plane; pink is what goes.

    A triangle goes if all of it lies under one of the planes in `taken_by`.
    """
    import numpy as np
    from fettlebox.pictures import FRONT_VIEW, SIDE_VIEW, View, render_views

    goes = np.zeros(len(part.faces), dtype=np.bool_)
    for frame in taken_by:
        below = (part.vertices - frame.point) @ frame.up < 0
        goes |= below[part.faces].all(axis=1)
    vertices = [part.vertices, part.vertices]
    faces = [np.where(goes[:, None], part.faces + len(part.vertices), part.faces)]
    colours = [np.tile(STAYS, (len(part.vertices), 1)), np.tile(GOES, (len(part.vertices), 1))]
    for frame in frames:
        points, corners = _bars(part, frame)
        faces.append(corners + sum(len(v) for v in vertices))
        vertices.append(points)
        colours.append(np.tile(frame.colour, (len(points), 1)))
    paint = np.concatenate(colours).astype(np.uint8)
    drawn = Part(
        np.concatenate(vertices),
        np.concatenate(faces).astype(np.int32),
        np.column_stack([paint, np.full(len(paint), 255, np.uint8)]),
    )
    return render_views(drawn, (FRONT_VIEW, View("three-quarter", 40.0, 18.0), SIDE_VIEW), title=title)


def _bars(part: Part, frame: Frame) -> tuple[Floats, Ints]:
    """Four bars around the part in the plane: (32,3) corners and (48,3) triangles."""
    import numpy as np
    from trimesh.creation import box

    from .geometry.plane_cut import plane_axes

    size = float(np.linalg.norm(np.ptp(part.bounds, axis=0)))
    across = np.cross([0.0, 0.0, 1.0], frame.up)
    length = float(np.linalg.norm(across))
    x_axis = across / length if length > 1e-9 else plane_axes(frame.up)[0]
    axes = np.stack([x_axis, np.cross(frame.up, x_axis), frame.up])
    used = part.vertices[np.unique(part.faces)] - frame.point
    flat = used @ axes[:2].T
    low, high = flat.min(axis=0) - MARGIN * size, flat.max(axis=0) + MARGIN * size
    bar = BAR * size
    ends = [
        ((low[0], low[1]), (high[0], low[1])),
        ((low[0], high[1]), (high[0], high[1])),
        ((low[0], low[1]), (low[0], high[1])),
        ((high[0], low[1]), (high[0], high[1])),
    ]
    points, corners = [], []
    for k, (a, b) in enumerate(ends):
        block = box(
            bounds=[[a[0] - bar / 2, a[1] - bar / 2, -bar / 2], [b[0] + bar / 2, b[1] + bar / 2, bar / 2]]
        )
        points.append(np.asarray(block.vertices) @ axes + frame.point)
        corners.append(np.asarray(block.faces) + 8 * k)
    return np.concatenate(points), np.concatenate(corners).astype(np.int32)
