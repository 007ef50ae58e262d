"""Raw scans closed: real ones that ship with packages, and the promises of the step."""

from __future__ import annotations

from pathlib import Path

import igl
import numpy as np
import pytest
import trimesh
from fettlebox.api import HoldError, Origin, Part, StepContext, StepError, StepResult
from fettlebox.mesh.soundness import inspect
from fettlebox_steps.repair import Base, Params, repair


def run(part: Part, **params: object) -> StepResult:
    before = part.digest()
    ctx = StepContext(Origin("scan.ply", "ply", "0" * 64), part, np.random.default_rng(0), Path())
    result = repair(part, Params.model_validate(params), ctx)
    assert part.digest() == before
    assert inspect(result.part).reasons == ()
    return result


def read(path: Path) -> Part:
    mesh = trimesh.load(path, force="mesh", process=False)
    return Part(np.asarray(mesh.vertices), np.asarray(mesh.faces))


def bowl_cut(height: float = -20.0, holes: bool = True) -> Part:
    """A ball of 50 mm radius without its lowest part, with two holes, coloured by height."""
    ball = trimesh.creation.icosphere(5, radius=50)
    middle = np.asarray(ball.triangles_center)
    keep = middle[:, 2] > height
    if holes:
        keep &= np.linalg.norm(middle - [50, 0, 0], axis=1) > 6
        keep &= np.linalg.norm(middle - [0, 30, 40], axis=1) > 9
    colours = np.full((len(ball.vertices), 4), 255, np.uint8)
    colours[:, 0] = np.clip(ball.vertices[:, 2] + 100, 0, 255)
    return Part(np.asarray(ball.vertices), np.asarray(ball.faces)[keep], colours)


def test_the_base_is_on_record_and_nothing_lies_beyond_it() -> None:
    part = bowl_cut()
    result = run(part, base={"extra": "8 mm"})
    (plane,) = result.part.planes
    assert (plane.kind, plane.bed) == ("base", True)
    assert np.array(plane.normal) @ [0, 0, -1] > 0.9999
    heights = plane.height_of(result.part.vertices)
    assert heights.max() < 1e-6
    assert (heights > -1e-6).sum() > 20
    rim = part.vertices[np.unique(part.faces)][:, 2].min()
    assert result.part.vertices[:, 2].min() == pytest.approx(rim - 8, abs=0.3)
    assert result.facts["rung"] == "direct"
    assert result.facts["holes_filled"] == 2
    assert result.facts["base_extra_mm"] == 8
    # circle of a plane through a sphere: π·(R² − d²)
    assert result.facts["opening_area_mm2"] == pytest.approx(np.pi * (2500 - 400), rel=0.03)
    assert result.facts["unmoved_face_share"] > 0.98


def test_colours_are_carried_and_new_vertices_take_the_nearest() -> None:
    part = bowl_cut()
    result = run(part)
    assert result.part.colours is not None
    height = result.part.vertices[:, 2]
    above = height > -15
    np.testing.assert_allclose(result.part.colours[above, 0], np.floor(height[above] + 100), atol=6)
    kept = {tuple(p): tuple(c) for p, c in zip(part.vertices.tolist(), part.colours.tolist(), strict=True)}
    rows = zip(result.part.vertices.tolist(), result.part.colours.tolist(), strict=True)
    same = [tuple(c) == kept[tuple(p)] for p, c in rows if tuple(p) in kept]
    assert all(same) and len(same) > 5000


def test_a_sound_solid_is_handed_on_untouched() -> None:
    ball = trimesh.creation.icosphere(3, radius=30)
    part = Part(np.asarray(ball.vertices), np.asarray(ball.faces))
    result = run(part)
    assert result.part is part
    assert result.facts["rung"] == "untouched"


def test_the_base_can_face_down_or_back_or_not_be_made() -> None:
    part = bowl_cut(holes=False)
    down = run(part, base={"axis": "down"})
    assert down.part.planes[0].normal == (0.0, 0.0, -1.0)
    with pytest.raises(StepError, match="degrees away"):
        run(part, base={"axis": "back"})
    turned = part.moved(np.array([[1, 0, 0, 0], [0, 0, -1, 0], [0, 1, 0, 0], [0, 0, 0, 1.0]]))
    assert run(turned, base={"axis": "back"}).part.planes[0].normal == (0.0, 1.0, 0.0)


def test_holes_can_be_shown_to_a_person_first() -> None:
    with pytest.raises(HoldError, match="2 holes") as held:
        run(bowl_cut(), holes="hold")
    assert held.value.evidence["largest_hole_mm2"] > 100
    assert run(bowl_cut(holes=False), holes="hold").facts["holes_filled"] == 0


def test_holes_that_cutting_hidden_triangles_opens_are_shown_too() -> None:
    """Two points of a flat square, drawn under what lies beside them; seen from above, each leaves a gap."""
    count = 61
    at = np.arange(count) - count // 2
    across, along = np.meshgrid(at, at, indexing="ij")
    points = np.column_stack([across.ravel(), along.ravel(), np.zeros(count * count)]).astype(float)
    number = np.arange(count * count).reshape(count, count)
    a, b, c, d = (n.ravel() for n in (number[:-1, :-1], number[1:, :-1], number[1:, 1:], number[:-1, 1:]))
    part = Part(points, np.concatenate([np.column_stack([a, b, c]), np.column_stack([a, c, d])]))
    assert run(part, holes="hold", base={"axis": "down"}).facts["holes_filled"] == 0
    points[number[20, 20]] += [8.3, 0.4, -2.5]
    points[number[40, 38]] += [-8.3, 0.4, -2.5]
    with pytest.raises(HoldError, match="2 holes beside its opening, where triangles") as held:
        run(Part(points, part.faces), holes="hold", base={"axis": "down"})
    assert held.value.evidence["largest_hole_mm2"] == pytest.approx(3.0)


def test_a_dropped_piece_leaves_the_reference_too() -> None:
    part = bowl_cut()
    crumb = trimesh.creation.icosphere(1, radius=1.0)
    vertices = np.concatenate([part.vertices, np.asarray(crumb.vertices) + np.array([90, 0, 0])])
    faces = np.concatenate([part.faces, np.asarray(crumb.faces) + len(part.vertices)])
    result = run(Part(vertices, faces))
    assert result.facts["pieces_dropped"] == 1
    assert result.reference is not None
    assert len(result.reference.faces) == len(part.faces)
    assert result.reference.bounds[1, 0] < 60


def test_parameters_are_checked() -> None:
    assert Params().base == Base()
    with pytest.raises(ValueError, match="no unit"):
        Params.model_validate({"base": {"extra": 5}})
    with pytest.raises(ValueError, match="at least"):
        Params.model_validate({"base": {"extra": "0 mm"}})


def test_nothing_to_close_is_refused() -> None:
    with pytest.raises(StepError, match="no faces"):
        run(Part(np.zeros((3, 3)), np.zeros((0, 3), np.int32)))
    with pytest.raises(StepError):
        run(Part(np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0.0]]), np.array([[0, 1, 2]])))


@pytest.mark.parametrize("name", ["sheet_scan", "textured_bunny", "bunny_scan"])
def test_real_scans_come_out_as_one_sound_body_that_is_the_scan(
    request: pytest.FixtureRequest, name: str
) -> None:
    part = read(request.getfixturevalue(name))
    result = run(part)
    assert result.facts["bodies"] == 1
    assert result.facts["rung"] in ("direct", "local")
    assert result.facts["unmoved_face_share"] > 0.98
    assert p95_of_scan(part, result) == 0.0


@pytest.mark.slow
def test_a_single_view_of_a_face_becomes_one_body_on_a_base(face_scan: Path) -> None:
    part = read(face_scan)
    result = run(part)
    assert result.facts["bodies"] == 1
    assert len(result.part.planes) == 1
    assert result.facts["pieces_found"] == 17
    # every piece with more than half a hundredth of the area is in the part
    assert result.facts["largest_dropped_share"] < 0.005
    assert p95_of_scan(part, result) <= 0.1


def p95_of_scan(part: Part, result: StepResult) -> float:
    """95th percentile in mm of the distance of the scan's vertices from the part, by libigl."""
    points = part.vertices[np.unique(part.faces)]
    squared, _, _ = igl.point_mesh_squared_distance(
        points, result.part.vertices, result.part.faces.astype(np.int64)
    )
    return float(np.sqrt(np.percentile(squared, 95)))


def test_an_opening_is_followed_or_left_and_pieces_are_chosen() -> None:
    part = bowl_cut(holes=False)
    followed = run(part, base={"close": "follow"})
    assert followed.part.planes == ()
    assert -50 < followed.part.vertices[:, 2].min() < -30, "the skin goes on below the rim, as the ball did"
    ctx = StepContext(Origin("scan.ply", "ply", "0" * 64), part, np.random.default_rng(0), Path())
    left = repair(part, Params.model_validate({"base": {"close": "none"}}), ctx)
    assert left.facts["rung"] == "open"
    assert left.facts["openings"] == 1
    assert [reason.split()[-1] for reason in inspect(left.part).reasons] == ["open"]
    with pytest.raises(StepError, match="close: none"):
        repair(part, Params.model_validate({"base": {"close": "none"}, "pieces": "unite"}), ctx)
    beside = trimesh.creation.icosphere(3, radius=20).apply_translation([74, 0, 0])
    two = Part(
        np.concatenate([part.vertices, np.asarray(beside.vertices)]),
        np.concatenate([part.faces, np.asarray(beside.faces) + len(part.vertices)]),
    )
    assert run(two, pieces="keep").facts["bodies"] == 2
    assert run(two, pieces="unite").facts["bodies"] == 1
    largest = run(two, pieces="largest")
    assert (largest.facts["bodies"], largest.facts["pieces_dropped"]) == (1, 1)
    assert largest.part.vertices[:, 0].max() < 51
