"""Where bodies of known centre of mass stand, how firmly, and that their foot is exactly flat."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import trimesh
from fettlebox.api import HoldError, Origin, Part, Plane, StepContext, StepError
from fettlebox.mesh.soundness import inspect
from fettlebox_steps.seat import FLAT_WITHIN_MM, SETTLES_WITHIN_MM, Params, seat

SIDES = 360  # of a circle: an inscribed polygon's apothem is then within 0.004 % of the radius


def run(part: Part, on: str = "base", **more: Any) -> Any:
    ctx = StepContext(Origin("a.stl", "stl", "0" * 64), part, np.random.default_rng(0), Path())
    return seat(part, Params.model_validate({"on": on, **more}), ctx)


def frustum(bottom_mm: float, top_mm: float, height_mm: float, lean_mm: float = 0.0) -> Part:
    """A frustum of a cone on z = 0; its top is shifted by `lean_mm` along X."""
    angle = np.arange(SIDES) * 2.0 * np.pi / SIDES
    ring = np.column_stack([np.cos(angle), np.sin(angle), np.zeros(SIDES)])
    top = ring * top_mm + [lean_mm, 0.0, height_mm]
    vertices = np.concatenate([ring * bottom_mm, top, [[0, 0, 0], [lean_mm, 0, height_mm]]])
    k = np.arange(SIDES)
    n = (k + 1) % SIDES
    low, high = np.full(SIDES, 2 * SIDES), np.full(SIDES, 2 * SIDES + 1)
    faces = [(k, n, n + SIDES), (k, n + SIDES, k + SIDES), (n, k, low), (k + SIDES, n + SIDES, high)]
    return Part(vertices, np.concatenate([np.column_stack(f) for f in faces]).astype(np.int32))


def tumbled(part: Part, seed: int) -> Part:
    turn = trimesh.transformations.random_rotation_matrix(np.random.default_rng(seed).random(3))
    turn[:3, 3] = [12.0, -500.0, 33.0]
    return part.moved(turn)


def polygon_area(radius_mm: float) -> float:
    return SIDES / 2 * radius_mm**2 * math.sin(2 * math.pi / SIDES)


def is_flat(part: Part) -> bool:
    return float(part.vertices[:, 2].min()) == 0.0


@pytest.mark.parametrize("seed", range(3))
def test_a_cube_stands_on_a_side(seed: int) -> None:
    box = trimesh.creation.box((10, 10, 10))
    result = run(tumbled(Part(np.asarray(box.vertices), np.asarray(box.faces)), seed))
    assert result.facts["contact_area_mm2"] == pytest.approx(100.0)
    assert result.facts["stability_margin_mm"] == pytest.approx(5.0)
    assert result.facts["height_mm"] == pytest.approx(10.0)
    assert result.facts["centre_of_mass_mm"] == pytest.approx([0, 0, 5], abs=1e-9)
    assert (result.part.vertices[:, 2] == 0.0).sum() == 4
    assert result.warnings == ()


@pytest.mark.parametrize("seed", range(3))
def test_a_frustum_stands_on_its_wide_end(seed: int) -> None:
    """CRC Standard Mathematical Tables, mensuration: the centroid of a frustum of a cone is above its base by
    h/4·(R² + 2Rr + 3r²)/(R² + Rr + r²)."""
    big, small, height = 20.0, 10.0, 30.0
    above = height / 4 * (big**2 + 2 * big * small + 3 * small**2) / (big**2 + big * small + small**2)
    result = run(tumbled(frustum(big, small, height), seed))
    assert result.facts["contact_area_mm2"] == pytest.approx(polygon_area(big))
    assert result.facts["stability_margin_mm"] == pytest.approx(big * math.cos(math.pi / SIDES))
    assert result.facts["centre_of_mass_mm"] == pytest.approx([0.0, 0.0, above], abs=1e-6)


@pytest.mark.parametrize("seed", range(3))
def test_a_tetrahedron_stands_on_any_face(seed: int) -> None:
    """CRC, regular, edge a: face √3/4·a², height a·√(2/3), centroid at a quarter of it; inradius a/(2√3)."""
    a = 20.0
    corners = np.array([[1, 1, 1], [1, -1, -1], [-1, 1, -1], [-1, -1, 1]]) * a / math.sqrt(8.0)
    solid = trimesh.convex.convex_hull(corners)
    result = run(tumbled(Part(np.asarray(solid.vertices), np.asarray(solid.faces)), seed))
    assert result.facts["contact_area_mm2"] == pytest.approx(math.sqrt(3) / 4 * a * a)
    assert result.facts["height_mm"] == pytest.approx(a * math.sqrt(2 / 3))
    assert result.facts["centre_of_mass_mm"][2] == pytest.approx(a * math.sqrt(2 / 3) / 4)
    assert result.facts["stability_margin_mm"] == pytest.approx(a / (2 * math.sqrt(3)))


def test_a_leaning_cylinder_stands_while_its_centre_is_over_its_foot() -> None:
    """An oblique cylinder (prism, Cavalieri): centroid half way up its axis, over the foot by r - lean/2."""
    result = run(frustum(10.0, 10.0, 40.0, lean_mm=12.0), "as is")
    assert result.facts["stability_margin_mm"] == pytest.approx(10.0 - 6.0, rel=1e-3)
    assert result.warnings == ()


def test_a_cylinder_that_leans_too_far_topples() -> None:
    leaning = frustum(10.0, 10.0, 40.0, lean_mm=30.0)
    as_is = run(leaning, "as is")
    assert as_is.facts["stability_margin_mm"] == pytest.approx(10.0 - 15.0, rel=1e-3)
    assert "not steady" in as_is.warnings[0]
    laid = run(leaning, "flattest")
    assert laid.facts["stability_margin_mm"] > 0.0
    assert laid.facts["centre_of_mass_mm"][2] < 10.0


def test_of_equal_faces_the_part_sits_lowest() -> None:
    """A bar 10 × 10 × 40 rests on a long side, a plate 40 × 40 × 10 on its back."""
    for size, height in (((10, 10, 40), 10.0), ((40, 40, 10), 10.0), ((12, 10, 40), 10.0)):
        box = trimesh.creation.box(size)
        result = run(Part(np.asarray(box.vertices), np.asarray(box.faces)))
        assert result.facts["height_mm"] == pytest.approx(height)


@pytest.mark.parametrize("seed", range(3))
def test_the_bed_plane_goes_down_even_where_another_face_is_larger(seed: int) -> None:
    base = Plane("base", (0.0, 0.0, 30.0), (0.0, 0.0, 1.0), bed=True)
    part = frustum(20.0, 10.0, 30.0).with_plane(base)
    moved = tumbled(part, seed)
    result = run(moved)
    assert result.facts["seated_on"] == "base"
    assert result.facts["contact_area_mm2"] == pytest.approx(polygon_area(10.0))
    bed = result.part.bed_plane
    assert bed is not None and bed.point[2] == 0.0 and bed.normal == (0.0, 0.0, -1.0)
    # Where the mesh was moved to, its placement says so: from the numbers of `part` to the bed.
    homogeneous = np.column_stack([part.vertices, np.ones(len(part.vertices))])
    assert np.allclose(
        (homogeneous @ result.part.placement.T)[:, :3], result.part.vertices, atol=FLAT_WITHIN_MM
    )
    flat = np.isclose(part.vertices[:, 2], 30.0)
    assert (result.part.vertices[flat, 2] == 0.0).all()
    assert result.part.bounds.mean(axis=0)[:2] == pytest.approx([0.0, 0.0], abs=1e-9)


def test_a_part_already_seated_stays_put() -> None:
    base = Plane("cut", (0.0, 0.0, 0.0), (0.0, 0.0, -1.0), bed=True)
    first = run(frustum(20.0, 10.0, 30.0).with_plane(base)).part
    again = run(first)
    assert again.facts["tilt_deg"] == 0.0
    assert np.abs(again.part.vertices - first.vertices).max() < 1e-12


def test_a_base_that_is_not_the_lowest_face_is_held() -> None:
    base = Plane("base", (0.0, 0.0, 3.0), (0.0, 0.0, -1.0), bed=True)
    with pytest.raises(HoldError, match="3 mm of the part reach below its base") as held:
        run(frustum(20.0, 10.0, 30.0).with_plane(base))
    assert held.value.evidence["below_base_mm"] == pytest.approx(3.0)


def test_grain_within_the_tolerance_is_made_flat_and_nothing_else_moves() -> None:
    block = trimesh.creation.box((40, 30, 20)).subdivide().subdivide().subdivide()
    vertices = np.asarray(block.vertices).copy()
    bottom = vertices[:, 2] == -10.0
    vertices[bottom, 2] += np.random.default_rng(5).uniform(0.0, 0.09, bottom.sum())
    result = run(Part(vertices, np.asarray(block.faces)), "flattest")
    assert (result.part.vertices[:, 2] >= 0.0).all()
    inner = bottom & (np.abs(vertices[:, 0]) < 20) & (np.abs(vertices[:, 1]) < 15)
    if result.facts["tilt_deg"] < 1.0:
        assert (result.part.vertices[inner, 2] == 0.0).all()
    assert result.evidence["flattened_by_mm"] <= SETTLES_WITHIN_MM + 1e-9
    assert inspect(result.part).sound


def test_walls_lower_than_the_tolerance_are_not_crushed() -> None:
    """A step of 0.01 mm in the bottom: its wall must keep its height, or it would have no area."""
    outline = [(-20, 0), (0, 0), (0, 0.01), (20, 0.01), (20, 15), (-20, 15)]
    ring = np.array([[x, y, z] for y in (-10.0, 10.0) for x, z in outline])
    n = len(outline)
    cap = [(0, 1, 5), (1, 2, 5), (2, 4, 5), (2, 3, 4)]
    sides = [(k, (k + 1) % n) for k in range(n)]
    faces = [*cap]
    faces += [(c + n, b + n, a + n) for a, b, c in cap]
    faces += [t for a, b in sides for t in ((b, a, a + n), (b, a + n, b + n))]
    part = Part(ring, np.array(faces))
    assert inspect(part).sound
    result = run(part, "as is")
    assert inspect(result.part).sound


def test_an_open_part_is_judged_by_its_hull_and_says_so() -> None:
    part = frustum(20.0, 10.0, 30.0)
    lid = (part.vertices[part.faces][:, :, 2] == 30.0).all(axis=1)
    result = run(part.with_mesh(part.vertices, part.faces[~lid]))
    assert result.facts["contact_area_mm2"] == pytest.approx(polygon_area(20.0))
    assert "open" in result.warnings[0]


def test_a_flat_sheet_cannot_stand() -> None:
    sheet = Part(np.array([[0.0, 0, 0], [10, 0, 0], [0, 10, 0]]), np.array([[0, 1, 2]]))
    with pytest.raises(StepError, match="flat sheet"):
        run(sheet)


def test_a_ball_is_held() -> None:
    ball = trimesh.creation.icosphere(4, radius=40.0)
    with pytest.raises(HoldError, match="stands on steadily"):
        run(Part(np.asarray(ball.vertices), np.asarray(ball.faces)))


def test_the_bunny_sits_on_its_base(bunny_scan: Path) -> None:
    mesh = trimesh.load(bunny_scan, process=False)
    result = run(Part(np.asarray(mesh.vertices), np.asarray(mesh.faces)))
    assert result.facts["tilt_deg"] < 2.0
    assert result.facts["contact_area_mm2"] > 40.0
    assert result.facts["stability_margin_mm"] > 5.0
    assert is_flat(result.part)
    assert (result.part.vertices[:, 2] >= 0.0).all()


def weights(**given: float) -> dict[str, float]:
    return {"support": 0, "clean": 0, "firm": 0, "low": 0, **given}


@pytest.mark.parametrize(
    ("given", "height"),
    [
        (weights(low=1), 10.0),  # a slab 30 × 10 × 50 lies
        (weights(firm=1), 10.0),
        (weights(low=1, clean=1), 10.0),
        (weights(low=0.1, clean=0.001, support=1), 10.0),
    ],
)
def test_what_matters_is_said_by_weights(given: dict[str, float], height: float) -> None:
    box = trimesh.creation.box((30.0, 10.0, 50.0))
    result = run(Part(np.asarray(box.vertices), np.asarray(box.faces)), "weighed", weights=given)
    assert result.facts["height_mm"] == pytest.approx(height)
    assert result.facts["seated_on"] == "weighed resting face"
    if given["clean"]:
        # What was its front, -Y, looks up now.
        assert result.part.placement[:3, :3] @ [0, -1, 0] == pytest.approx([0, 0, 1], abs=1e-9)


def test_support_against_height() -> None:
    """A mushroom is lowest on its side, and needs no support on its head: the weights decide."""
    stem = trimesh.creation.cylinder(6.0, 40.0, sections=64).apply_translation([0, 0, 20.0])
    head = trimesh.creation.box((44.0, 44.0, 6.0)).apply_translation([0, 0, 41.0])
    solid = trimesh.boolean.union([stem, head], engine="manifold")
    part = Part(np.asarray(solid.vertices), np.asarray(solid.faces))
    dry = run(part, "weighed", weights=weights(support=1))
    assert dry.evidence["considered"][0]["support_cm3"] == pytest.approx(0, abs=1e-3)
    assert dry.part.placement[:3, 2] == pytest.approx([0, 0, -1], abs=1e-9)
    costs = [row["cost"] for row in dry.evidence["considered"]]
    assert costs == sorted(costs)
    low = run(part, "weighed", weights=weights(low=1))
    assert low.facts["height_mm"] <= min(row["height_mm"] for row in dry.evidence["considered"]) + 0.2


def test_without_any_flat_face_the_stances_are_weighed() -> None:
    """A ball with three feet, points of a plane, stands on nothing flat."""
    ball = trimesh.creation.icosphere(3, 10.0)
    feet = [trimesh.creation.icosphere(3, 2.0) for _ in range(3)]
    for k, foot in enumerate(feet):
        foot.apply_translation([9 * math.cos(2.1 * k), 9 * math.sin(2.1 * k), -9.0])
    solid = trimesh.boolean.union([ball, *feet], engine="manifold")
    result = run(Part(np.asarray(solid.vertices), np.asarray(solid.faces)))
    assert result.facts["seated_on"] == "weighed resting face"
    assert result.facts["tips_beyond_deg"] > 6.0


def test_how_steady_a_resting_face_must_be_is_asked_for() -> None:
    """A post 10 × 10 × 100 stands atan(5/50) = 5.7 degrees on its end; a bar of it lies."""
    post = trimesh.creation.box((10.0, 10.0, 100.0))
    part = Part(np.asarray(post.vertices), np.asarray(post.faces))
    assert run(part, "as is").facts["tips_beyond_deg"] == pytest.approx(math.degrees(math.atan(0.1)))
    assert "not steady" in run(part, "as is").warnings[0]
    assert run(part, "as is", steady="5 deg").warnings == ()


@pytest.mark.parametrize(
    "wrong", [{"weights": weights()}, {"weights": {"support": -1}}, {"steady": "50 deg"}]
)
def test_wrong_parameters(wrong: dict[str, Any]) -> None:
    with pytest.raises(ValueError):
        Params.model_validate(wrong)


def test_same_input_same_bytes_and_input_untouched() -> None:
    part = tumbled(frustum(20.0, 10.0, 30.0), 7)
    before = part.digest()
    first, second = run(part), run(part)
    assert part.digest() == before
    assert first.part.digest() == second.part.digest()
    assert first.evidence == second.evidence
