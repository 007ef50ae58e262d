"""Whether cuts took likeness, and whether the part stands: by areas and statics that are worked out by hand.

Statics: F. Beer, E. Johnston, "Vector Mechanics for Engineers: Statics": a body on a slope tips when its
weight passes the edge of its base, so a block of width b and height h at atan(b/h). Centres of mass of a cone
(h/4 up) and of a hemisphere (3r/8 up): there and in CRC Standard Mathematical Tables.
"""

from __future__ import annotations

import io
import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import trimesh
from fettlebox.api import HoldError, Origin, Part, Plane, StepContext, StepResult
from fettlebox_steps.cut import Params as CutParams
from fettlebox_steps.cut import cut
from fettlebox_steps.gate import Params, gate
from fettlebox_steps.seat import Params as SeatParams
from fettlebox_steps.seat import seat
from PIL import Image


def part_of(mesh: trimesh.Trimesh) -> Part:
    return Part(np.asarray(mesh.vertices), np.asarray(mesh.faces, dtype=np.int32))


def context(scan: Part) -> StepContext:
    return StepContext(Origin("a.stl", "stl", "0" * 64), scan, np.random.default_rng(0), Path())


def run(part: Part, scan: Part | None = None, **params: Any) -> StepResult:
    return gate(part, Params.model_validate(params), context(scan or part))


@pytest.fixture(scope="module")
def half_post() -> tuple[Part, Part]:
    """Half a post of radius 20 and height 100, scanned from in front: the closed part, and the scan, which is
    its round wall alone."""
    post = trimesh.creation.cylinder(20.0, 100.0, sections=256)
    for height in np.arange(-40.0, 50.0, 10.0):
        post = trimesh.intersections.slice_mesh_plane(post, [0, 0, 1], [0, 0, height]).__add__(
            trimesh.intersections.slice_mesh_plane(post, [0, 0, -1], [0, 0, height])
        )
    post.merge_vertices()
    half = post.slice_plane([0, 0, 0], [0, -1, 0], cap=True)
    middles = half.triangles_center
    flat = (middles[:, 1] > -1e-6) | (np.abs(middles[:, 2]) > 50 - 1e-6)
    return part_of(half), Part(np.asarray(half.vertices), np.asarray(half.faces[~flat], dtype=np.int32))


BEHIND = Plane("base", (0.0, 0.0, 0.0), (0.0, 1.0, 0.0), bed=True)


def cut_at(part: Part, scan: Part, at_mm: float) -> Part:
    given = CutParams.model_validate({"at": f"{at_mm} mm", "keep": "20 %", "hanging": "cut"})
    return cut(part, given, context(scan)).part


@pytest.mark.parametrize("at_mm", [0.5, 3.0, 40.0])
@pytest.mark.parametrize("size", [1.0, 0.25])
def test_of_what_was_scanned_from_in_front_what_a_cut_takes_is_likeness(
    half_post: tuple[Part, Part], at_mm: float, size: float
) -> None:
    """A cut at h takes h/100 of the wall, whatever the size it is printed in."""
    whole, scan = half_post
    made = cut_at(whole.with_plane(BEHIND), scan, at_mm).scaled(size)
    left = run(made, scan, likeness={"above": "10 %"}).facts["likeness_share"]
    assert left == pytest.approx(1 - at_mm / 100, abs=0.002)


def test_a_cut_that_takes_likeness_is_held_with_a_picture_and_what_to_do(
    half_post: tuple[Part, Part],
) -> None:
    whole, scan = half_post
    made = cut_at(whole.with_plane(BEHIND), scan, 12.0)
    with pytest.raises(
        HoldError, match=r"leaves 8[78](\.\d+)? % of the likeness; it must be above 98 %: "
    ) as held:
        run(made, scan, likeness={"above": "98 %"}, bodies={"below": 2})
    assert "cut lower" in str(held.value)
    assert list(held.value.pictures) == ["likeness"]
    picture = np.asarray(Image.open(io.BytesIO(held.value.pictures["likeness"])).convert("RGB")).astype(int)
    pink = (picture[..., 0] - picture[..., 1] > 30) & (picture[..., 0] > 150) & (picture[..., 2] > 100)
    assert pink.sum() > 100


@pytest.mark.parametrize(
    "base",
    [
        Plane("base", (0.0, 0.0, -50.0), (0.0, 0.0, -1.0), bed=True),
        Plane("base", (0.0, 0.0, -50.0), (0.0, math.sin(0.6), -math.cos(0.6)), bed=True),
        None,
    ],
    ids=["below", "aslant below", "came closed"],
)
def test_a_neck_may_be_shortened(half_post: tuple[Part, Part], base: Plane | None) -> None:
    whole, scan = half_post
    part = cut_at(whole, scan, 40.0)
    part = part if base is None else part.with_plane(base)
    assert run(part, scan, likeness={"above": "98 %"}).facts["likeness_share"] == 1.0


def test_a_neck_whose_base_leans_one_way_may_be_cut_leaning_the_other_way() -> None:
    """The base is judged as the part stood before the cut, 30 degrees off, not as it stands on it, 55 off."""
    ball = trimesh.creation.icosphere(4, 45.0)
    stem = trimesh.creation.cylinder(30.0, 120.0, sections=128).apply_translation([0, 0, -60.0])
    solid = trimesh.boolean.union([ball, stem], engine="manifold")
    normal, low = np.array([0.5, 0.0, -math.sqrt(0.75)]), np.array([0.0, 0.0, -70.0])
    scan = part_of(trimesh.intersections.slice_mesh_plane(solid, -normal, low - 8 * normal))
    closed = part_of(solid.slice_plane(low, -normal, cap=True))
    part = closed.with_plane(Plane("base", tuple(low), tuple(normal), bed=True))
    tilted = {"at": "22 mm", "tilt": "25 deg", "toward": "left", "keep": "60 %", "hanging": "cut"}
    made = cut(part, CutParams.model_validate(tilted), context(scan))
    assert not made.facts["base_removed"]
    stands = seat(made.part, SeatParams(), context(scan)).part
    assert run(stands, scan, likeness={"above": "98 %"}).facts["likeness_share"] == 1.0


def test_what_a_cut_took_is_known_also_when_the_face_behind_was_trimmed_away(
    half_post: tuple[Part, Part],
) -> None:
    """The trim behind, 9.99 mm from the middle of the box, takes the base with it, and no wall."""
    whole, scan = half_post
    trim = {"through": ["0 mm", "9.99 mm", "50 mm"], "away": [0, 1, 0]}
    given = {"at": "12 mm", "keep": "20 %", "hanging": "cut", "also": [trim]}
    made = cut(whole.with_plane(BEHIND), CutParams.model_validate(given), context(scan)).part
    assert [plane.kind for plane in made.planes] == ["cut", "cut"]
    left = run(made, scan, likeness={"above": "10 %"}).facts["likeness_share"]
    assert left == pytest.approx(0.88, abs=0.003)


def test_without_a_cut_all_is_left(half_post: tuple[Part, Part]) -> None:
    whole, scan = half_post
    part = whole.with_plane(BEHIND)
    assert run(part, scan, likeness={"above": "99.99 %"}).facts["likeness_share"] == 1.0


def leaning(shear: float) -> trimesh.Trimesh:
    """A tower of 10 × 10 × 60 whose middle is 30 · shear off the middle of its foot."""
    tower = trimesh.creation.box((10.0, 10.0, 60.0))
    tower.vertices[:, 0] += np.asarray(tower.vertices)[:, 2] * shear
    return tower


def dome() -> trimesh.Trimesh:
    ball = trimesh.creation.icosphere(5, 30.0)
    return ball.slice_plane([0, 0, 0], [0, 0, 1], cap=True)


@pytest.mark.parametrize(
    ("mesh", "tips_deg"),
    [
        (trimesh.creation.box((10.0, 20.0, 40.0)), math.degrees(math.atan2(10.0, 40.0))),
        (trimesh.creation.cone(20.0, 60.0, sections=512), math.degrees(math.atan2(20.0, 15.0))),
        (dome(), math.degrees(math.atan2(1.0, 3.0 / 8.0))),
        (leaning(0.1), math.degrees(math.atan2(2.0, 30.0))),
        (leaning(0.25), math.degrees(math.atan2(-2.5, 30.0))),
    ],
    ids=["block", "cone", "dome", "tower", "toppling tower"],
)
def test_the_lean_at_which_a_part_tips(mesh: trimesh.Trimesh, tips_deg: float) -> None:
    below, above = {"below": f"{tips_deg + 0.2} deg"}, {"above": f"{tips_deg - 0.2} deg"}
    facts = run(part_of(mesh), steady={**below, **above}).facts
    assert facts["tips_beyond_deg"] == pytest.approx(tips_deg, abs=0.1)
    with pytest.raises(HoldError, match="the lean at which the part tips over is"):
        run(part_of(mesh), steady={"above": f"{tips_deg + 0.2} deg"})


def test_what_topples_is_held_with_how_far_it_is_off_and_what_to_do() -> None:
    with pytest.raises(HoldError) as held:
        run(part_of(leaning(0.25)), steady={"above": "5 deg"})
    sentence = str(held.value)
    assert sentence.startswith("the part topples by itself, its centre of mass 2.5 mm outside the edge of ")
    assert "is -4.76 deg; it must be above 5 deg" in sentence and "plinth" in sentence


def test_standing_is_judged_whatever_the_layers_are() -> None:
    """A block of 300 by 300 by 1100 mm, more layers of the thinnest than are ever laid: atan(150/550)."""
    tall = part_of(trimesh.creation.box((300.0, 300.0, 1100.0)))
    thin = replace(context(tall), printer=replace(context(tall).printer, layer_mm=0.05))
    facts = gate(tall, Params.model_validate({"steady": {"above": "5 deg"}}), thin).facts
    assert facts["tips_beyond_deg"] == pytest.approx(math.degrees(math.atan2(150.0, 550.0)), abs=1e-6)


def test_an_open_part_cannot_be_judged_for_standing() -> None:
    box = part_of(trimesh.creation.box((10.0, 20.0, 40.0)))
    lidless = box.with_mesh(box.vertices, box.faces[1:])
    with pytest.raises(HoldError, match=r"tips over is not measurable; it must be above 5 deg$"):
        run(lidless, steady={"above": "5 deg"})
