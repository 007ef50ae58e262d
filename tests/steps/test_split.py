"""split: pieces that fit, add up to the part, and go together with the clearance asked for."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import igl
import numpy as np
import pytest
import trimesh
from fettlebox.api import HoldError, Origin, Part, Printer, StepContext, StepError, StepResult
from fettlebox.mesh import soundness
from fettlebox_steps.split import Params, split
from pydantic import ValidationError


def _part(mesh: trimesh.Trimesh, **more: Any) -> Part:
    return Part(np.array(mesh.vertices, float), np.array(mesh.faces, np.int32), **more)


def _run(part: Part, tmp_path: Path, room: tuple[float, float, float], **params: Any) -> StepResult:
    before = part.digest()
    printer = Printer("small", room)
    context = StepContext(Origin("toy", "stl", "0" * 64), part, np.random.default_rng(0), tmp_path, printer)
    result = split(part, Params(**params), context)
    assert part.digest() == before
    for piece in result.pieces.values():
        assert soundness.inspect(piece).reasons == ()
        assert (np.ptp(piece.bounds, axis=0) <= np.array(room) + 1e-6).all()
        assert piece.bounds[0, 2] == pytest.approx(0.0, abs=1e-9)
    return result


def _mesh(part: Part) -> trimesh.Trimesh:
    return trimesh.Trimesh(part.vertices, part.faces, process=False)


def _in_place(piece: Part, part: Part) -> Part:
    """A piece where it lies in the part."""
    return piece.moved(part.placement @ np.linalg.inv(piece.placement))


def _volumes(result: StepResult) -> float:
    return float(sum(_mesh(piece).volume for piece in result.pieces.values()))


def _post(height: float = 130.0) -> trimesh.Trimesh:
    """A post with a waist: where its section is smallest, 45 mm up, it should be cut."""
    z = np.linspace(0, height, 66)
    radius = 30 - 14 * np.exp(-(((z - 45) / 12) ** 2))
    return trimesh.creation.revolve(np.column_stack([[0, *radius, 0], [0, *z, height]]), sections=96)


def test_a_post_is_cut_at_its_waist_and_its_volumes_add_up(tmp_path: Path) -> None:
    mesh = _post()
    result = _run(_part(mesh), tmp_path, (100.0, 100.0, 100.0), numbers=False, diameter="8 mm", depth="9 mm")
    assert list(result.pieces) == ["piece 1", "piece 2"]
    assert result.evidence["cuts"][0]["at_mm"] == pytest.approx(45, abs=2.5)
    # s/2·r²·sin(2π/s) is the area of a regular polygon; a socket's sides are all 0.2 mm further out
    joint = result.facts["joints"][0]
    radius, deep = joint["key_diameter_mm"] / 2, joint["key_depth_mm"]
    sides = 4 if joint["keys"] == 1 else 32
    area = sides / 2 * np.sin(2 * np.pi / sides)
    hole = area * (radius + 0.2 / np.cos(np.pi / sides)) ** 2 * (deep + 0.2)
    gap = joint["keys"] * (hole - area * radius**2 * deep)
    assert gap > 10.0
    assert _volumes(result) == pytest.approx(mesh.volume - gap, rel=1e-6)


def test_what_fits_is_left_alone_or_turned(tmp_path: Path) -> None:
    part = _part(trimesh.creation.box((90.0, 60.0, 40.0)))
    left = _run(part, tmp_path, (100.0, 100.0, 100.0))
    assert left.part is part
    assert not left.pieces
    assert "fits" in left.evidence["note"]
    turned = _run(part, tmp_path, (70.0, 100.0, 100.0))
    assert np.ptp(turned.part.bounds, axis=0) == pytest.approx([60, 90, 40])
    assert not turned.pieces
    assert "turned" in turned.evidence["note"]


def test_a_box_makes_no_more_pieces_than_it_must(tmp_path: Path) -> None:
    mesh = trimesh.creation.box((180.0, 90.0, 150.0))
    result = _run(_part(mesh), tmp_path, (100.0, 100.0, 100.0), keys="none", numbers=False)
    assert len(result.pieces) == 4
    assert _volumes(result) == pytest.approx(mesh.volume, rel=1e-9)
    assert result.facts["taken_by_holes_and_numbers_mm3"] == 0


@pytest.mark.parametrize("clearance", [0.1, 0.35])
def test_pegs_keep_the_clearance_everywhere_and_go_in(clearance: float, tmp_path: Path) -> None:
    part = _part(trimesh.creation.box((60.0, 50.0, 150.0)))
    result = _run(part, tmp_path, (100.0, 100.0, 100.0), clearance=f"{clearance} mm", numbers=False)
    joint = result.facts["joints"][0]
    assert joint["keys"] == 2
    lower, upper = (_in_place(piece, part) for piece in result.pieces.values())
    at = result.evidence["cuts"][0]["at_mm"]
    # libigl's distance, which the step does not use, from all over the pegs to the piece with the sockets
    peg = trimesh.Trimesh(
        lower.vertices, lower.faces[(lower.vertices[lower.faces, 2] > at + 1e-6).any(axis=1)]
    )
    points, _ = trimesh.sample.sample_surface(peg, 20_000, seed=4)
    points = points[points[:, 2] > at + clearance]  # at its foot a peg is nearer to the flat faces that touch
    squared = igl.point_mesh_squared_distance(
        np.ascontiguousarray(points), np.array(upper.vertices), upper.faces.astype(np.int64)
    )[0]
    gap = np.sqrt(np.asarray(squared))
    assert gap.min() == pytest.approx(clearance, abs=1e-9)
    assert gap.max() <= clearance * np.sqrt(2) + 1e-9
    assert not _mesh(upper).contains(points).any()
    # all along the way down, too: raised by up to its length, no peg meets the other piece
    for lift in np.linspace(0.0, joint["key_depth_mm"], 5):
        raised = points - np.array([0, 0, lift])  # the peg as far out as `lift`
        assert not _mesh(upper).contains(raised[raised[:, 2] > at]).any()


def test_sockets_have_the_wall_all_round(tmp_path: Path) -> None:
    part = _part(_post())
    result = _run(part, tmp_path, (100.0, 100.0, 100.0), wall="4 mm", numbers=False)
    upper = _in_place(list(result.pieces.values())[1], part)
    at = result.evidence["cuts"][0]["at_mm"]
    inner = np.unique(upper.faces)
    inside = np.hypot(*upper.vertices[inner, :2].T) < 11.0
    socket = upper.vertices[inner[inside & (upper.vertices[inner, 2] < at + 30)]]
    assert len(socket) >= 8
    squared = igl.point_mesh_squared_distance(
        np.ascontiguousarray(socket), np.array(part.vertices), part.faces.astype(np.int64)
    )[0]
    assert np.sqrt(np.asarray(squared).min()) >= 4.0


def test_dowels_have_holes_on_both_sides_in_line(tmp_path: Path) -> None:
    part = _part(trimesh.creation.box((60.0, 50.0, 150.0)))
    result = _run(part, tmp_path, (100.0, 100.0, 100.0), keys="dowels", diameter="6 mm", depth="10 mm")
    at = result.evidence["cuts"][0]["at_mm"]
    for piece in result.pieces.values():
        there = _mesh(_in_place(piece, part))
        for x, y, _ in result.facts["joints"][0]["key_at_mm"]:
            way = 1 if there.bounds[1, 2] > at + 1 else -1
            assert not there.contains([[x, y, at + way * 10.1]])[0]
            assert there.contains([[x, y, at + way * 10.3]])[0]
            assert there.contains([[x + 3.3, y, at + way * 5]])[0]
    with pytest.raises(ValidationError, match="say the diameter of the dowels"):
        Params(keys="dowels")


def test_numbers_are_sunk_to_their_depth_and_told(tmp_path: Path) -> None:
    mesh = trimesh.creation.box((60.0, 50.0, 150.0))
    result = _run(_part(mesh), tmp_path, (100.0, 100.0, 100.0), keys="none")
    assert all(row["numbered"] for row in result.facts["pieces_made"])
    taken = result.facts["taken_by_holes_and_numbers_mm3"]
    assert _volumes(result) == pytest.approx(mesh.volume - taken, rel=1e-9)
    for piece in result.pieces.values():  # the floor of the digits lies 0.6 mm below the cut face
        floor = _mesh(piece)
        face = 0.0 if piece.bed_plane is not None else floor.bounds[1, 2]
        depths = np.unique(np.round(np.abs(floor.vertices[:, 2] - face), 6))
        assert 0.6 in depths


def test_cuts_stay_out_of_what_is_protected(tmp_path: Path) -> None:
    part = _part(_post(180.0))
    free = _run(part, tmp_path, (100.0, 100.0, 140.0), keys="none", numbers=False)
    assert free.evidence["cuts"][0]["at_mm"] == pytest.approx(45, abs=2.5)
    low = _run(part, tmp_path, (100.0, 100.0, 150.0), keys="none", numbers=False, protect="78 %")
    assert low.evidence["cuts"][0]["at_mm"] <= 180 * 0.22 + 1e-9
    with pytest.raises(HoldError, match=r"upper 95%, which protect keeps whole"):
        _run(part, tmp_path, (100.0, 100.0, 100.0), protect="95 %")
    wide = _part(trimesh.creation.box((150.0, 60.0, 80.0)))
    with pytest.raises(HoldError, match=r"without cuts through the upper 50%"):
        _run(wide, tmp_path, (100.0, 100.0, 100.0), protect="50 %")
    told = {"protect": "50 %", "protect from": "level cuts"}
    assert (
        "Upright cuts go through the upper 50%"
        in _run(wide, tmp_path, (100.0, 100.0, 100.0), **told).warnings[0]
    )


def test_pieces_without_a_foot_lie_on_their_cut_face(tmp_path: Path) -> None:
    """A T with round arms that hang in the air: they lie on where they were cut off."""
    stem, bar = trimesh.creation.box((40.0, 40.0, 70.0)), trimesh.creation.cylinder(20.0, 200.0, sections=128)
    bar.apply_transform(trimesh.transformations.rotation_matrix(np.pi / 2, [0, 1, 0]))
    bar.apply_translation((0, 0, 50))
    part = _part(trimesh.boolean.union([stem, bar], engine="manifold"))
    result = _run(part, tmp_path, (100.0, 100.0, 130.0))
    assert len(result.pieces) == 3
    assert not result.warnings
    for piece in result.pieces.values():
        flat = piece.vertices[piece.faces][(np.abs(piece.vertices[piece.faces, 2]) < 1e-6).all(axis=1)]
        area = np.linalg.norm(np.cross(flat[:, 1] - flat[:, 0], flat[:, 2] - flat[:, 0]), axis=1).sum() / 2
        assert 1000.0 < area <= 1600.0  # of the arms π·20², less sockets and a number


def test_bad_wishes_are_told(tmp_path: Path) -> None:
    box = _part(trimesh.creation.box((400.0, 400.0, 400.0)))
    with pytest.raises(StepError, match=r"would make \d+ pieces .* `most` allows 4"):
        _run(box, tmp_path, (100.0, 100.0, 100.0), most=4)
    open_box = Part(box.vertices, box.faces[1:])
    with pytest.raises(StepError, match="not closed"):
        _run(open_box, tmp_path, (100.0, 100.0, 100.0))
    with pytest.raises(HoldError, match="the keys alone take"):
        _run(box, tmp_path, (100.0, 100.0, 100.0), depth="100 mm", diameter="10 mm")
    small = {"wide": "100 mm", "deep": "100 mm", "tall": "30 mm"}
    with pytest.raises(ValidationError, match="more than half of the room"):
        Params.model_validate({"pieces within": small, "depth": "16 mm"})


def test_the_same_bytes_twice_with_colours(tmp_path: Path) -> None:
    mesh = _post()
    colours = np.random.default_rng(2).integers(0, 255, (len(mesh.vertices), 4)).astype(np.uint8)
    part = _part(mesh, colours=colours)
    first, second = (_run(part, tmp_path, (100.0, 100.0, 100.0)) for _ in range(2))
    assert [one.digest() for one in first.pieces.values()] == [one.digest() for one in second.pieces.values()]
    assert all(piece.colours is not None for piece in first.pieces.values())
