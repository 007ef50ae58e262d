"""The picture of a part that was cut into pieces."""

from __future__ import annotations

from typing import TYPE_CHECKING

from fettlebox.api import Part

if TYPE_CHECKING:
    from .split_joints import Cell

DRAWN_APART = 0.45
"""In the picture, pieces are moved away from the middle by this share of their distance from it."""


def pieces_picture(cells: list[Cell], part: Part) -> bytes:
    """The pieces drawn apart, from above and from below, so that every cut face is seen."""
    import numpy as np
    from fettlebox.pictures import View, render_views

    middle = part.bounds.mean(axis=0)
    vertices, faces, colours, count = [], [], [], 0
    for cell in cells:
        block = cell.block
        own = (block.vertices.min(axis=0) + block.vertices.max(axis=0)) / 2
        vertices.append(block.vertices + DRAWN_APART * (own - middle))
        faces.append(block.faces + count)
        colours.append(block.colours)
        count += len(block.vertices)
    drawn = Part(
        np.concatenate(vertices),
        np.concatenate(faces),
        None if part.colours is None else np.concatenate([one for one in colours if one is not None]),
    )
    views = (
        View("from above", 30.0, 40.0),
        View("from below", 30.0, -40.0),
        View("from behind", 210.0, 25.0),
    )
    return render_views(drawn, views)
