"""drain: every hollow can be emptied, and the part is as sound as before."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import igl
import numpy as np
import pytest
import trimesh
from fettlebox.api import HoldError, Origin, Part, Plane, StepContext, StepError, StepResult
from fettlebox.mesh import soundness
from fettlebox_steps.drain import Params, drain
from scipy import ndimage


def _shell(outer: trimesh.Trimesh, *inner: trimesh.Trimesh, **more: Any) -> Part:
    """A hollow part, made without the hollow step: bodies inside out within a body."""
    meshes = [outer, *(mesh.copy() for mesh in inner)]
    for mesh in meshes[1:]:
        mesh.invert()
    whole = trimesh.util.concatenate(meshes)
    return Part(np.array(whole.vertices, float), np.array(whole.faces, np.int32), **more)


def _run(part: Part, tmp_path: Path, **params: Any) -> StepResult:
    before = part.digest()
    context = StepContext(Origin("toy", "stl", "0" * 64), part, np.random.default_rng(0), tmp_path)
    result = drain(part, Params(**params), context)
    assert part.digest() == before
    assert soundness.inspect(result.part).reasons == ()
    return result


def _mesh(part: Part) -> trimesh.Trimesh:
    return trimesh.Trimesh(part.vertices, part.faces, process=False)


def _air_locked_inside(part: Part, pitch_mm: float = 1.0) -> int:
    """Pieces of air that a flood from outside does not reach, on voxels filled by trimesh's rays."""
    mesh = _mesh(part)
    low, high = mesh.bounds
    axes = [np.arange(low[k] - 1.57 * pitch_mm, high[k] + 2 * pitch_mm, pitch_mm) for k in range(3)]
    grid = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1)
    air = ~mesh.contains(grid.reshape(-1, 3)).reshape(grid.shape[:3])
    _, pieces = ndimage.label(air)
    return int(pieces) - 1


BOX = trimesh.creation.box((40.0, 30.0, 24.0))
BOX.apply_translation((0, 0, 12))
ROOM = trimesh.creation.box((36.0, 26.0, 20.0))
ROOM.apply_translation((0, 0, 12))
BED = Plane("cut", (0.0, 0.0, 0.0), (0.0, 0.0, -1.0), bed=True)
BALL = trimesh.creation.icosphere(4, radius=20.0)
HOLLOW = trimesh.creation.icosphere(4, radius=18.0)


@pytest.mark.parametrize("where", ["lowest", "base", "back"])
@pytest.mark.parametrize("count", [2, 3])
def test_a_box_is_drained_where_asked(where: str, count: int, tmp_path: Path) -> None:
    part = _shell(BOX, ROOM, planes=(BED,))
    assert _air_locked_inside(part) == 1
    result = _run(part, tmp_path, where=where, count=count, diameter="4 mm")
    holes = result.facts["holes"]
    assert len(holes) == count
    assert _air_locked_inside(result.part) == 0
    mesh = _mesh(result.part)
    # Euler–Poincaré: outer + cavities + drains - 1
    assert 1 - mesh.euler_number / 2 == 0 + 0 + count - 1
    # a plug is a prism on the drill's circle, two millimetres long; the drill is up to 5 µm within its circle
    plug_mm3 = np.pi * 2.0**2 * 2.0
    removed_mm3 = _mesh(part).volume - mesh.volume
    assert 0.985 * count * plug_mm3 < removed_mm3 <= count * plug_mm3
    at = np.array([hole["at_mm"] for hole in holes])
    direction = np.array([hole["direction"] for hole in holes])
    if where == "base":
        assert at[:, 2] == pytest.approx(0.0)
        assert direction == pytest.approx(np.tile([0, 0, -1], (count, 1)))
    else:
        assert at[:, 2].min() >= 2.0
        assert at[0, 2] < 6
        assert at[1, 2] > 18
    if where == "back":
        assert at[:, 1] == pytest.approx(15.0)
    assert result.facts["can_trap_liquid"] is False
    assert result.facts["cavities_drained"] == 1
    assert result.facts["liquid_stays_ml"] == 0
    assert "uncured" in result.warnings[0]


def test_a_ball_is_drained_at_its_lowest_and_vented_at_its_highest_place(tmp_path: Path) -> None:
    result = _run(_shell(BALL, HOLLOW), tmp_path)
    low, high = (np.array(hole["at_mm"]) for hole in result.facts["holes"])
    assert low[2] == pytest.approx(-20, abs=0.3)
    assert high[2] == pytest.approx(20, abs=0.3)
    assert _air_locked_inside(result.part, 0.8) == 0
    for hole in result.facts["holes"]:  # square to the wall, which is square to the way to the middle
        out = np.array(hole["at_mm"]) / np.linalg.norm(hole["at_mm"])
        assert out @ hole["direction"] > 0.99


def test_every_hollow_gets_holes_of_its_own(tmp_path: Path) -> None:
    left, right = ROOM.copy(), ROOM.copy()
    for room, x in ((left, -9.5), (right, 9.5)):
        room.apply_translation((0, 0, -12))
        room.apply_scale((17 / 36, 1, 1))
        room.apply_translation((x, 0, 12))
    part = _shell(BOX, left, right, planes=(BED,))
    result = _run(part, tmp_path, where="base")
    assert [hole["cavity"] for hole in result.facts["holes"]] == [1, 1, 2, 2]
    assert _air_locked_inside(result.part) == 0
    assert 1 - _mesh(result.part).euler_number / 2 == 2


def test_holes_through_the_base_keep_off_the_sloping_sides_of_the_hollow(tmp_path: Path) -> None:
    outer = trimesh.convex.convex_hull([[x, y, z] for x, y in _square(20) for z in (0.0,)] + [[0, 0, 24.0]])
    inner = trimesh.convex.convex_hull([[x, y, z] for x, y in _square(14) for z in (2.0,)] + [[0, 0, 18.0]])
    result = _run(_shell(outer, inner, planes=(BED,)), tmp_path, where="base")
    for hole in result.facts["holes"]:
        assert hole["length_mm"] < 2.0 + 1.5 + 2 * 0.2  # wall, half a diameter, and what a drill sticks out
    assert _air_locked_inside(result.part) == 0


def _square(half: float) -> list[tuple[float, float]]:
    return [(-half, -half), (half, -half), (half, half), (-half, half)]


def test_colours_are_kept(tmp_path: Path) -> None:
    part = _shell(BOX, ROOM)
    red = np.tile(np.array([200, 20, 20, 255], np.uint8), (len(part.vertices), 1))
    result = _run(Part(part.vertices, part.faces, colours=red), tmp_path)
    assert result.part.colours is not None
    assert (result.part.colours == red[0]).all()


def test_a_hollow_without_floor_over_the_base_is_drained_elsewhere_and_told(tmp_path: Path) -> None:
    result = _run(_shell(BALL, HOLLOW), tmp_path, where="base")
    assert any("no room for holes through the flat base" in warning for warning in result.warnings)
    assert _air_locked_inside(result.part, 0.8) == 0


@pytest.mark.parametrize(
    ("part", "params", "kind", "said"),
    [
        (_shell(BOX), {}, StepError, "no closed hollow.* put hollow before drain"),
        (_shell(BOX, ROOM), {"diameter": "28 mm"}, HoldError, "Hollow 1 .* 0 of 2 holes of 28 mm"),
        (_shell(BALL, HOLLOW), {"count": 12, "diameter": "15 mm"}, HoldError, "of 12 holes of 15 mm"),
        (Part(BOX.vertices, BOX.faces[1:]), {}, StepError, "not closed"),
    ],
)
def test_what_cannot_be_drained_is_said_with_numbers(
    part: Part, params: dict[str, Any], kind: type[Exception], said: str, tmp_path: Path
) -> None:
    with pytest.raises(kind, match=said):
        _run(part, tmp_path, **params)


def test_the_same_bytes_twice(tmp_path: Path) -> None:
    part = _shell(BALL, HOLLOW)
    assert _run(part, tmp_path).part.digest() == _run(part, tmp_path).part.digest()


def _two_rooms() -> Part:
    """A block whose hollow has two cellars, 12 mm deep, joined above: a hole in one leaves the other full."""
    block = trimesh.creation.box((48.0, 16.0, 28.0))
    block.apply_translation((0, 0, 14))
    rooms = [
        trimesh.creation.box((10, 10, 20)),
        trimesh.creation.box((10, 10, 20)),
        trimesh.creation.box((40, 10, 8)),
    ]
    for room, x, z in zip(rooms, (-15, 15, 0), (14, 14, 20), strict=True):
        room.apply_translation((x, 0, z))
    return _shell(block, trimesh.boolean.union(rooms, engine="manifold"))


def test_a_pocket_that_no_hole_reaches_is_told_with_what_it_holds(tmp_path: Path) -> None:
    result = _run(_two_rooms(), tmp_path, at="-15, 0, 4 mm; -15, 0, 24 mm")
    assert result.facts["liquid_stays_ml"] == pytest.approx(1.2, rel=0.05)  # 10 × 10 × 12 mm
    assert result.facts["can_trap_liquid"] is True
    assert "1.2 ml of liquid stay in a pocket" in result.warnings[1]
    assert result.facts["pockets"][0]["lowest_mm"][2] == pytest.approx(4.0, abs=0.4)


def test_a_pocket_is_drilled_when_asked(tmp_path: Path) -> None:
    result = _run(_two_rooms(), tmp_path, at="-15, 0, 4 mm; -15, 0, 24 mm", pockets="drill")
    assert len(result.facts["holes"]) == 3
    assert result.facts["liquid_stays_ml"] == 0
    assert result.facts["can_trap_liquid"] is False
    assert result.facts["holes"][2]["at_mm"][0] > 9


def test_holes_go_where_the_ticket_says(tmp_path: Path) -> None:
    result = _run(_shell(BALL, HOLLOW), tmp_path, at="2 , 0, -1.9 cm; 0, 30, 0 mm", count=3)
    first, second = (np.array(hole["at_mm"]) for hole in result.facts["holes"][:2])
    assert first / 20 == pytest.approx(np.array([20, 0, -19]) / np.hypot(20, 19), abs=0.03)
    assert second == pytest.approx([0, 20, 0], abs=0.6)
    assert len(result.facts["holes"]) == 3
    for wrong in ("12, 3 mm", "1, 2, 3", "1, 2, 3 mm; here"):
        with pytest.raises(ValueError, match=r"cannot read .* as places"):
            Params(at=wrong)


@pytest.mark.parametrize("clearance", [0.1, 0.25])
def test_plugs_fill_their_holes_but_for_the_clearance(clearance: float, tmp_path: Path) -> None:
    part = _shell(BOX, ROOM)
    result = _run(part, tmp_path, diameter="5 mm", plugs=True, clearance=f"{clearance} mm")
    assert list(result.extras) == ["plug 1", "plug 2"]
    for plug, hole in zip(result.extras.values(), result.facts["holes"], strict=True):
        assert soundness.inspect(plug).reasons == ()
        # of a wall of 2 mm, and what it stands into the hollow; the sides are up to 5 µm within the circle
        tall = float(np.ptp(plug.bounds[:, 2]))
        assert 2.0 < tall < 2.5
        assert _mesh(plug).volume == pytest.approx(np.pi * (2.5 - clearance) ** 2 * tall, rel=0.02)
        assert plug.bounds[0, 2] == pytest.approx(0.0, abs=1e-9)
        back = plug.moved(part.placement @ np.linalg.inv(plug.placement))  # into its hole, flush
        way = np.array(hole["direction"])
        assert (back.vertices @ way).max() == pytest.approx(np.array(hole["at_mm"]) @ way, abs=1e-4)
        squared = igl.point_mesh_squared_distance(
            back.vertices.copy(), result.part.vertices.copy(), result.part.faces.astype(np.int64)
        )[0]
        assert np.sqrt(np.asarray(squared).min()) == pytest.approx(clearance, abs=0.006)
    with pytest.raises(ValueError, match="leave little of a plug"):
        Params(diameter="1 mm", clearance="0.3 mm", plugs=True)


def test_the_walls_of_holes_are_no_part_of_the_likeness(tmp_path: Path) -> None:
    from fettlebox.mesh.fidelity import compare

    part, scan = _shell(BALL, HOLLOW), Part(np.array(BALL.vertices), np.array(BALL.faces, np.int32))
    context = StepContext(Origin("toy", "stl", "0" * 64), scan, np.random.default_rng(0), tmp_path)
    result = drain(part, Params(diameter="6 mm"), context)
    assert result.reference is not None
    assert compare(scan, result.part).scan_to_part_max_mm > 2.0  # over the middle of a mouth
    measured = compare(result.reference, result.part)
    assert measured.scan_to_part_max_mm < 0.01
    assert measured.part_to_scan_p95_mm < 0.01
    assert measured.part_to_scan_max_mm < 0.2
