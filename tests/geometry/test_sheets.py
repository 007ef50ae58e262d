"""Scans from one side of which something is cut, so that the rest is seen whole."""

from __future__ import annotations

import numpy as np
import pytest
from fettlebox.mesh import Part
from fettlebox.mesh.soundness import inspect
from fettlebox_steps.geometry import sheets
from fettlebox_steps.geometry.closing import close_scan


@pytest.fixture(scope="module")
def table() -> tuple[np.ndarray, np.ndarray]:
    """A table hill of 25 mm on a square of 100 mm, so steep that noise turns triangles of its side round."""
    steps, size = np.linspace(-50.0, 50.0, 120), 120
    across, along = np.meshgrid(steps, steps, indexing="ij")
    high = 25.0 / (1.0 + np.exp((np.hypot(across, along) - 25.0) / 0.8))
    vertices = np.column_stack([across.ravel(), along.ravel(), high.ravel()])
    vertices += np.random.default_rng(1).normal(0.0, 0.2, vertices.shape)
    number = np.arange(size * size).reshape(size, size)
    a, b = number[:-1, :-1].ravel(), number[1:, :-1].ravel()
    c, d = number[1:, 1:].ravel(), number[:-1, 1:].ravel()
    return vertices, np.concatenate([np.column_stack([a, b, c]), np.column_stack([a, c, d])])


def test_what_is_turned_round_or_a_blade_goes_and_the_walls_are_straight(
    table: tuple[np.ndarray, np.ndarray],
) -> None:
    closed = close_scan(*table)
    assert closed.facts["rung"] == "direct" and closed.facts["vertices_left_out_share"] < 0.001
    assert closed.evidence["hidden_cut"] > 0 and closed.evidence["blades_cut"] > 0
    assert inspect(Part(closed.vertices, closed.faces)).reasons == ()


def test_the_sheet_that_one_look_found_stays_if_the_next_finds_none(
    table: tuple[np.ndarray, np.ndarray], monkeypatch: pytest.MonkeyPatch
) -> None:
    looks = iter([sheets._laid_bare])
    monkeypatch.setattr(sheets, "_laid_bare", lambda *given: next(looks, lambda *_: None)(*given))
    closed = close_scan(*table)
    assert next(looks, None) is None, "it was looked at"
    assert closed.facts["rung"] == "direct" and closed.evidence["hidden_cut"] > 0
    assert inspect(Part(closed.vertices, closed.faces)).reasons == ()


def test_a_surface_that_would_lose_too_much_is_closed_like_any_other(
    table: tuple[np.ndarray, np.ndarray], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sheets, "_lost_share", lambda *_: 1.01 * sheets.LOST_SHARE)
    closed = close_scan(*table)
    assert "hidden_cut" not in closed.evidence
    assert inspect(Part(closed.vertices, closed.faces)).reasons == ()
