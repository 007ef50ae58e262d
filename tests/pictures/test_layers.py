"""The layer strip: material is filled, holes are not, and a millimetre is the same everywhere in it."""

from __future__ import annotations

import io

import numpy as np
import pytest
from fettlebox.pictures import render_layers
from fettlebox.pictures.layers import FILL
from numpy.typing import NDArray
from PIL import Image


def circle(radius: float, x: float = 0.0, *, hole: bool = False) -> NDArray[np.float64]:
    turn = np.linspace(0, 2 * np.pi, 200, endpoint=False)[:: -1 if hole else 1]
    return np.column_stack([x + radius * np.cos(turn), radius * np.sin(turn)])


def filled(png: bytes) -> NDArray[np.bool_]:
    pixels = np.asarray(Image.open(io.BytesIO(png)).convert("RGB"))
    return np.asarray((pixels == np.array(FILL)).all(axis=2))


def test_area_of_the_filling_is_that_of_the_layers() -> None:
    # Three equal frames: a disc of 20; a ring of 20 and 10, so 3/4 of it; a ring with a disc of 5 in it.
    disc, hole, inner = circle(20.0), circle(10.0, hole=True), circle(5.0)
    one = filled(render_layers([("a", [disc])] + [("b", [])] * 2)).sum()
    ring = filled(render_layers([("a", [hole, disc])] + [("b", [])] * 2)).sum()
    nested = filled(render_layers([("a", [inner, disc, hole])] + [("b", [])] * 2)).sum()
    # The ink of the outlines covers some: two percent for each.
    assert ring / one == pytest.approx(0.75, abs=0.03)
    assert nested / one == pytest.approx(0.75 + 0.0625, abs=0.03)


def test_layers_share_one_frame() -> None:
    shown = filled(render_layers([("a", [circle(5.0, -20.0)]), ("b", [circle(5.0, 20.0)])]))
    columns = np.flatnonzero(shown.any(axis=0))
    assert columns.min() < 100 and columns.max() > 1100
    assert not shown[:, 200:1000].any()


def test_nothing_at_all_is_still_a_picture() -> None:
    assert Image.open(io.BytesIO(render_layers([], title="none"))).size[0] == 1200
    assert not filled(render_layers([("0.1 mm", [])])).any()


def test_same_bytes_twice() -> None:
    layers = [("a", [circle(3.0)]), ("b", [circle(4.0)])]
    assert render_layers(layers, title="x") == render_layers(layers, title="x")
