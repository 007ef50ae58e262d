"""Scans from one side of which something is cut, so that the rest is seen whole."""

from __future__ import annotations

import igl
import numpy as np
import pytest
import trimesh
from fettlebox.mesh import Part
from fettlebox.mesh.soundness import inspect
from fettlebox_steps.geometry import closing, preparing, sheets
from fettlebox_steps.geometry.closing import close_scan
from fettlebox_steps.geometry.single_view import TURNED_SHARE, facing_most

DOWN = np.array([0.0, 0.0, -1.0])
FOLDS = ((-10, -10, 1), (10, 8, 1), (-12, 10, 1), (12, -12, 1))
FOLDS_THAT_CROSS = ((-10, -10, 1), (-2, -10, -1), (-12, 10, 1), (-4, 10, -1))


def folded(
    size: int, folds: tuple[tuple[int, int, int], ...], hole_at: tuple[float, float] | None = None
) -> tuple[np.ndarray, np.ndarray]:
    """A flat square of size² points, 1 mm apart, of which some are drawn under the surface beside them: the
    six triangles around each, 3 mm² where they lay flat, are the only ones that are hidden or hide others.
    """
    at = np.arange(size) - size // 2
    across, along = np.meshgrid(at, at, indexing="ij")
    vertices = np.column_stack([across.ravel(), along.ravel(), np.zeros(size * size)]).astype(float)
    number = np.arange(size * size).reshape(size, size)
    a, b = number[:-1, :-1].ravel(), number[1:, :-1].ravel()
    c, d = number[1:, 1:].ravel(), number[:-1, 1:].ravel()
    faces = np.concatenate([np.column_stack([a, b, c]), np.column_stack([a, c, d])])
    if hole_at is not None:
        faces = faces[np.linalg.norm(vertices[faces].mean(axis=1)[:, :2] - hole_at, axis=1) > 2.5]
    for x, y, way in folds:
        vertices[number[x + size // 2, y + size // 2]] += [6.3 * way, 0.4, -2.5]
    return vertices, faces


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


@pytest.mark.parametrize(
    ("hole_at", "holes", "cut_open"), [(None, 4, 4), ((0, 0), 5, 4), ((14.5, -12), 4, 3)]
)
def test_gaps_that_the_cut_opens_are_holes_and_are_counted(
    hole_at: tuple[float, float] | None, holes: int, cut_open: int
) -> None:
    """Of four folds each leaves one gap; that of the last joins a hole that lies beside it."""
    closed = close_scan(*folded(71, FOLDS, hole_at), base_towards=DOWN)
    assert closed.rung == "direct"
    assert (closed.facts["holes_filled"], closed.facts["holes_cut_open"]) == (holes, cut_open)
    if hole_at is None:
        assert closed.evidence["hidden_cut"] == 4 * 6
        assert closed.facts["hole_area_mm2"] == pytest.approx(4 * 3.0)
        assert closed.facts["largest_hole_mm2"] == pytest.approx(3.0)
    whole = close_scan(*folded(71, (), hole_at), base_towards=DOWN)
    assert (whole.facts["holes_filled"], whole.facts["holes_cut_open"]) == (int(hole_at is not None), 0)


@pytest.mark.parametrize(
    ("size", "folds", "cut", "proofs"),
    [
        pytest.param(71, FOLDS, True, 1, id="four in five thousand are few"),
        pytest.param(
            51, FOLDS, False, 1, id="four in two and a half are not, and leaning walls close it too"
        ),
        pytest.param(51, FOLDS_THAT_CROSS, True, 2, id="so they are not, but nothing else closes it"),
    ],
)
def test_a_sheet_that_loses_more_than_few_is_cut_only_if_it_would_not_close_anyhow(
    monkeypatch: pytest.MonkeyPatch,
    size: int,
    folds: tuple[tuple[int, int, int], ...],
    cut: bool,
    proofs: int,
) -> None:
    proven: list[np.ndarray] = []
    for module in (preparing, closing):
        judge = module.judge
        monkeypatch.setattr(
            module, "judge", lambda v, f, judge=judge, **more: (proven.append(v), judge(v, f, **more))[1]
        )
    closed = close_scan(*folded(size, folds), base_towards=DOWN)
    assert closed.rung == "direct"
    assert closed.facts["vertices_left_out"] == (4 if cut else 0)
    assert ("hidden_cut" in closed.evidence, closed.frame is not None and closed.frame.straight) == (cut, cut)
    assert len(proven) == proofs, "no solid is proven sound twice"
    assert inspect(Part(closed.vertices, closed.faces)).reasons == ()


def test_what_faces_a_viewer_for_the_most_part_is_a_cap_a_little_more_than_a_hemisphere() -> None:
    """Of a ball's cap that reaches h beyond its equator, h / (R + h) looks away from whoever looks along its
    axis: a zone's area is 2πRh (Archimedes; CRC Standard Mathematical Tables), and from nowhere is it less.
    """
    ball = trimesh.creation.icosphere(5, radius=1.0)
    vertices, faces = np.asarray(ball.vertices), np.asarray(ball.faces, np.int64)
    axis = np.array([2.0, -1.0, 3.0]) / np.sqrt(14.0)
    height = (vertices @ axis)[faces].mean(axis=1)
    for share, faced in ((0.8 * TURNED_SHARE, True), (1.25 * TURNED_SHARE, False)):
        cap = faces[height > -share / (1.0 - share)]
        for lead in (axis, axis + np.array([0.1, 0.2, 0.0])):
            way = facing_most(vertices, cap, lead)
            assert (way is not None) is faced
            if way is not None:
                assert way @ axis > np.cos(np.radians(5.0))
        assert (facing_most(vertices, cap, axis, exact=True) is not None) is faced
        assert facing_most(vertices, cap, -axis) is None
    # from an angle aside a lune looks away, 2·angle·R² of a hemisphere's 2πR²
    square = np.cross(axis, [1.0, 0.0, 0.0]) / np.linalg.norm(np.cross(axis, [1.0, 0.0, 0.0]))
    hemisphere = faces[height > 0.0]
    for share, exactly, looked_for in (
        (0.03, True, True),
        (0.05, False, True),
        (0.14, False, True),
        (0.16, False, False),
    ):
        aslant = np.cos(share * np.pi) * axis + np.sin(share * np.pi) * square
        assert (facing_most(vertices, hemisphere, aslant, exact=True) is not None) is exactly
        assert (facing_most(vertices, hemisphere, aslant) is not None) is looked_for


def test_a_triangle_that_hangs_by_a_corner_is_put_back_and_a_fin_is_not() -> None:
    """The sheet is flat and so are the triangles beside it: their corners are to be on the part. The tip
    of a triangle on an edge that two others share stands over the sheet, and no scanner saw that.
    """
    vertices, faces = folded(71, FOLDS)
    right = np.flatnonzero((vertices[:, 0] == 35.0) & np.isin(vertices[:, 1], (-20.0, 0.0, 20.0)))
    beside = np.concatenate([vertices[right] + [1.0, -0.5, 0.0], vertices[right] + [1.0, 0.5, 0.0]])
    n = len(vertices)
    hanging = np.column_stack([right, n + np.arange(3), n + 3 + np.arange(3)])
    tip = np.array([[0.4, 20.6, 3.0]])
    a, b = (int(np.flatnonzero((vertices == [x, 20.0, 0.0]).all(axis=1))[0]) for x in (0.0, 1.0))
    scan = np.concatenate([vertices, beside, tip])
    closed = close_scan(scan, np.concatenate([faces, hanging, [[a, b, n + 6]]]), base_towards=DOWN)
    assert closed.rung == "direct" and closed.evidence["hidden_cut"] > 0
    squared, _, _ = igl.point_mesh_squared_distance(
        np.concatenate([beside, tip]), closed.vertices, closed.faces.astype(np.int64)
    )
    away = np.sqrt(squared)
    assert away[:-1].max() < 0.05 and away[-1] > 2.5
    assert inspect(Part(closed.vertices, closed.faces)).reasons == ()
