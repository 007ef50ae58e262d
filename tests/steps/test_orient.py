"""Which way is up: declared, given, or judged by shape. Right or held; never wrong and done."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import trimesh
from fettlebox.api import HoldError, Origin, Part, StepContext, StepError
from fettlebox_steps.geometry.up_axis import AXES, SNAP_DEG
from fettlebox_steps.orient import Params, orient
from upright_shapes import (
    Mesh,
    beaker,
    cube,
    egg,
    figure,
    flat_neck,
    front_only,
    most_of_it,
    open_both_ends,
    open_bust,
    open_neck,
    turned_up,
)  # fmt: skip


def context(part: Part, **declared: Any) -> StepContext:
    return StepContext(
        Origin("scan.ply", "ply", "0" * 64, **declared), part, np.random.default_rng(0), Path()
    )


def judge(part: Part, declared: dict[str, Any] | None = None, **params: Any) -> Any:
    return orient(part, Params.model_validate(params), context(part, **(declared or {})))


TABLE: list[tuple[Callable[[], Mesh], str, bool]] = [
    *((open_neck, axis, True) for axis in AXES),
    *((open_bust, axis, True) for axis in AXES),
    *((flat_neck, axis, axis in ("+y", "+z")) for axis in AXES),
    *((figure, axis, axis in ("+y", "+z")) for axis in ("+y", "+z", "-x", "-z")),
    *((front_only, axis, axis in ("+y", "+z")) for axis in AXES),
    *((most_of_it, axis, False) for axis in AXES),
    *((open_both_ends, axis, False) for axis in ("+y", "-y", "-z", "+x")),
    *((beaker, axis, axis == "+z") for axis in ("+z", "-z", "-y")),
    (egg, "+z", False),
    (cube, "+z", False),
]


@pytest.mark.parametrize(
    ("shape", "axis", "decided"), TABLE, ids=[f"{shape.__name__}{axis}" for shape, axis, _ in TABLE]
)
def test_right_or_held(shape: Callable[[], Mesh], axis: str, decided: bool) -> None:
    vertices, faces = shape()
    turn = turned_up(AXES[axis])
    part = Part(vertices @ turn.T, faces)
    try:
        result = judge(part)
    except HoldError as held:
        assert not decided, held
        candidates = held.evidence["candidates"]
        assert sum(c["likely_ratio"] for c in candidates) == pytest.approx(1.0)
        assert candidates[0]["likely_ratio"] < 0.9
        return
    up = np.array(result.facts["turn"])[:3, :3] @ turn @ [0.0, 0.0, 1.0]
    assert up @ [0.0, 0.0, 1.0] > np.cos(np.radians(SNAP_DEG))


def test_a_sloping_neck_still_means_the_axis() -> None:
    vertices, faces = open_neck(slope=np.tan(np.radians(10.0)))
    result = judge(Part(vertices, faces))
    assert result.facts["up"] == [0.0, 0.0, 1.0]
    assert result.part.vertices.tobytes() == vertices.tobytes()


def test_a_neck_cut_between_two_axes_is_held() -> None:
    vertices, faces = open_neck(slope=np.tan(np.radians(35.0)))
    with pytest.raises(HoldError, match="which way is up is not clear"):
        judge(Part(vertices, faces))


def test_a_scan_without_gravity_is_turned_by_its_neck_exactly() -> None:
    vertices, faces = open_neck()
    turn = turned_up((-0.4, 0.7, -0.6), 20.0)
    result = judge(Part(vertices @ turn.T, faces))
    upright = np.array(result.facts["turn"])[:3, :3] @ turn
    assert np.degrees(np.arccos(upright[2, 2])) < 0.5


def test_a_base_is_followed_exactly_where_an_opening_is_snapped() -> None:
    vertices, faces = figure()
    leaning = turned_up((0.0, np.sin(np.radians(6.0)), np.cos(np.radians(6.0))))
    result = judge(Part(vertices @ leaning.T, faces))
    lowest = result.part.vertices[:, 2].min()
    flat = np.isclose(vertices[:, 2], -38.0)
    assert np.allclose(result.part.vertices[flat, 2], lowest, atol=1e-6)


def test_the_front_of_a_one_sided_scan_turns_to_minus_y() -> None:
    vertices, faces = front_only()
    turn = turned_up((0.0, 0.0, 1.0), 90.0)
    result = judge(Part(vertices @ turn.T, faces))
    assert result.facts["front_from"] == "the side it was scanned from"
    assert np.allclose(result.part.vertices, vertices, atol=1e-9)
    left = judge(Part(vertices @ turn.T, faces), front="as is")
    assert np.allclose(left.part.vertices, vertices @ turn.T)


def test_no_front_is_made_up_for_a_head_seen_all_round() -> None:
    vertices, faces = open_neck()
    assert judge(Part(vertices, faces)).facts["front"] is None


@pytest.mark.parametrize("axis", AXES)
def test_a_given_axis_is_exact_and_asks_no_questions(axis: str) -> None:
    vertices, faces = cube()
    result = judge(Part(vertices, faces), up=axis)
    turn = np.array(result.facts["turn"])
    assert set(np.unique(np.abs(turn))) == {0.0, 1.0}
    assert np.linalg.det(turn) == pytest.approx(1.0)
    assert np.array_equal(turn[:3, :3] @ AXES[axis], [0.0, 0.0, 1.0])
    assert np.array_equal(result.part.placement, turn)


def test_a_given_front_turns_about_z() -> None:
    vertices, faces = cube()
    turn = np.array(judge(Part(vertices, faces), up="+y", front="-x").facts["turn"])[:3, :3]
    assert np.array_equal(turn @ [0.0, 1.0, 0.0], [0.0, 0.0, 1.0])
    assert np.allclose(turn @ [-1.0, 0.0, 0.0], [0.0, -1.0, 0.0], atol=1e-12)
    with pytest.raises(StepError, match="points up or down"):
        judge(Part(vertices, faces), up="+y", front="-y")


def test_declared_up_stands_where_the_shape_says_nothing() -> None:
    vertices, faces = egg()
    part = Part(vertices, faces)
    result = judge(part, {"up": "+y"})
    assert result.part is part
    assert result.facts["up_from"] == "declared by the file"


def test_declared_up_is_held_against_a_clear_shape_unless_a_person_said_so() -> None:
    vertices, faces = open_bust()
    part = Part(vertices @ turned_up((1.0, 0.0, 0.0)).T, faces)
    with pytest.raises(HoldError, match="declares"):
        judge(part, {"up": "+y"})
    assert judge(part, {"up": "+y", "up_from": "ticket"}).part is part


def test_only_the_named_signs_count() -> None:
    vertices, faces = open_neck()
    with pytest.raises(HoldError) as held:
        judge(Part(vertices, faces), by=["symmetry"])
    assert set(held.value.evidence["found"]) == {"prior", "symmetry"}


def test_the_habit_of_scanners_alone_is_never_enough() -> None:
    vertices, faces = egg()
    with pytest.raises(HoldError):
        judge(Part(vertices, faces), by=["scanner"])


def test_the_raw_face_stands_up_and_looks_forward(face_scan: Path) -> None:
    """Up is +Y and the face looks to +Z in this scan, as anyone sees who looks at it."""
    mesh = trimesh.load(face_scan, process=False)
    part = Part(np.asarray(mesh.vertices), np.asarray(mesh.faces))
    result = judge(part)
    assert result.facts["up"] == [0.0, 1.0, 0.0]
    assert result.facts["front"] == [0.0, 0.0, 1.0]
    x, y, z = part.vertices.T
    assert np.array_equal(result.part.vertices, np.column_stack([x, -z, y]))


@pytest.mark.slow
@pytest.mark.parametrize("upside", [(0.0, -1.0, 0.0), (1.0, 0.0, 0.0), (-0.3, 0.5, -0.6)])
def test_the_raw_face_turned_otherwise_is_never_done_wrong(
    face_scan: Path, upside: tuple[float, float, float]
) -> None:
    mesh = trimesh.load(face_scan, process=False)
    turn = turned_up(upside) @ turned_up((0.0, 1.0, 0.0)).T
    part = Part(np.asarray(mesh.vertices) @ turn.T, np.asarray(mesh.faces))
    try:
        up = np.array(judge(part).facts["up"])
    except HoldError:
        return
    assert up @ turn @ [0.0, 1.0, 0.0] > np.cos(np.radians(20.0))


def test_bunnies_sit(bunny_scan: Path, textured_bunny: Path) -> None:
    """The first has Z up, the second Y."""
    for path, axis in ((bunny_scan, [0, 0, 1]), (textured_bunny, [0, 1, 0])):
        mesh = trimesh.load(path, process=False, force="mesh")
        up = np.array(judge(Part(np.asarray(mesh.vertices), np.asarray(mesh.faces))).facts["up"])
        assert up @ axis > np.cos(np.radians(3.0))


def test_a_scrap_of_surface_is_held(sheet_scan: Path) -> None:
    mesh = trimesh.load(sheet_scan, process=False)
    with pytest.raises(HoldError):
        judge(Part(np.asarray(mesh.vertices), np.asarray(mesh.faces)))


def test_same_input_same_bytes_and_input_untouched() -> None:
    vertices, faces = open_neck()
    part = Part(vertices @ turned_up((0.0, 1.0, 0.0)).T, faces)
    before = part.digest()
    first, second = judge(part), judge(part)
    assert part.digest() == before
    assert first.part.digest() == second.part.digest()
    assert first.evidence == second.evidence
