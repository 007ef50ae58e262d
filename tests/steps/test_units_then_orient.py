"""What a scan goes through before anything else: its unit, then which way is up. Right or held; never wrong.

Four units, six axes, a head and a figure, what is ambiguous, and real scans turned to all six axes.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import trimesh
from fettlebox.api import HoldError, Origin, Part, StepContext
from fettlebox_steps import orient, units
from fettlebox_steps.geometry.up_axis import AXES
from fettlebox_steps.geometry.usual_size import UNIT_MM
from numpy.typing import NDArray
from upright_shapes import Floats, Mesh, beaker, cube, egg, figure, open_bust, open_neck, turned_up

UPRIGHT_DEG = 10.0
"""What leans by less is upright to whoever looks: scans are no more exact (our judgement)."""


def judged(vertices: Floats, faces: NDArray[Any], expect: str) -> Part | None:
    """The part in millimetres and upright; None if it was held."""
    part = Part(vertices, faces)
    ctx = StepContext(Origin("scan.ply", "ply", "0" * 64), part, np.random.default_rng(0), Path())
    try:
        part = units.units(part, units.Params.model_validate({"expect": expect}), ctx).part
        return orient.orient(part, orient.Params(), ctx).part
    except HoldError:
        return None


def as_filed(mesh: Mesh, unit: str, axis: str, up: tuple[float, float, float] = (0, 0, 1)) -> Floats:
    """Vertices in another unit, with another axis up, as such a scan's file holds them. `up`: the mesh's."""
    turn = turned_up(AXES[axis]) @ turned_up(up).T
    return mesh[0] @ turn.T / UNIT_MM[unit]


def is_right(part: Part, mesh: Mesh, up: tuple[float, float, float] = (0, 0, 1)) -> bool:
    """Whether heights over the bed are those of the mesh, in mm, but for a small lean."""
    true = mesh[0] @ np.asarray(up, dtype=np.float64)
    lean = np.sin(np.radians(UPRIGHT_DEG)) * float(np.ptp(mesh[0], axis=0).max())
    off = (part.vertices[:, 2] - part.vertices[:, 2].mean()) - (true - true.mean())
    return bool(np.abs(off).max() < lean)


SUBJECTS: list[tuple[Callable[[], Mesh], str]] = [
    (open_neck, "head"),
    (open_bust, "head"),
    (figure, "figurine"),
]


@pytest.mark.parametrize("axis", AXES)
@pytest.mark.parametrize("unit", UNIT_MM)
@pytest.mark.parametrize(("shape", "expect"), SUBJECTS, ids=[shape.__name__ for shape, _ in SUBJECTS])
def test_right_or_held(shape: Callable[[], Mesh], expect: str, unit: str, axis: str) -> None:
    mesh = shape()
    part = judged(as_filed(mesh, unit, axis), mesh[1], expect)
    assert part is None or is_right(part, mesh)


def test_most_heads_are_decided_whatever_their_unit_and_axis() -> None:
    """An opened neck tells which way is up on every axis; only inches may be taken for another unit."""
    mesh = open_neck()
    done = [
        judged(as_filed(mesh, unit, axis), mesh[1], "head") is not None for unit in UNIT_MM for axis in AXES
    ]
    assert sum(done) >= 18


@pytest.mark.parametrize("axis", ["+z", "+y"])
@pytest.mark.parametrize("shape", [egg, cube])
def test_what_has_no_upper_side_is_held(shape: Callable[[], Mesh], axis: str) -> None:
    mesh = shape()
    assert judged(as_filed(mesh, "mm", axis), mesh[1], "head" if shape is egg else "figurine") is None


def test_a_size_of_two_units_is_held() -> None:
    """200 mm in centimetres are 508 mm in inches: both are heads."""
    vertices, faces = open_neck()
    tall = vertices * (20.0 / np.ptp(vertices, axis=0).max())
    assert judged(tall, faces, "head") is None
    beakers, of = beaker()
    assert judged(beakers * (0.62 / np.ptp(beakers, axis=0).max()), of, "figurine") is None


REAL: list[tuple[str, str, tuple[float, float, float], float, int]] = [
    ("face_scan", "head", (0, 1, 0), 1.0, 2),
    ("bunny_scan", "figurine", (0, 0, 1), 2.0, 2),
    ("textured_bunny", "figurine", (0, 1, 0), 6.5, 2),
]
"""Scan, what it is, what of it is up as anyone sees who looks, mm of a unit of its file (the bunnies are made
10 cm), and on how many of the six axes it is decided at least: on those that scanners use."""


@pytest.mark.slow
@pytest.mark.parametrize(("name", "expect", "up", "size", "decided"), REAL, ids=[row[0] for row in REAL])
def test_real_scans_on_all_six_axes(
    name: str,
    expect: str,
    up: tuple[float, float, float],
    size: float,
    decided: int,
    request: pytest.FixtureRequest,
) -> None:
    scan = trimesh.load(request.getfixturevalue(name), process=False, force="mesh")
    mesh = np.asarray(scan.vertices) * size, np.asarray(scan.faces)
    done = []
    for axis in AXES:
        part = judged(as_filed(mesh, "mm", axis, up), mesh[1], expect)
        assert part is None or is_right(part, mesh, up), f"done wrong with {axis} up"
        done += [axis] if part is not None else []
    assert len(done) >= decided and {"+y", "+z"} <= set(done)
