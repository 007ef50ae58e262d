"""What a cut takes of the scan, told from what closed it. Areas of zones of a ball: Archimedes."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import trimesh
from fettlebox.api import Origin, Part, Plane, StepContext, StepError, StepResult
from fettlebox_steps.cut import cut
from fettlebox_steps.cut_choice import _level_first
from fettlebox_steps.cut_params import Params
from fettlebox_steps.geometry.cut_costs import Cut
from fettlebox_steps.geometry.cut_search import Search


def part_of(mesh: trimesh.Trimesh) -> Part:
    return Part(np.asarray(mesh.vertices), np.asarray(mesh.faces, dtype=np.int32))


def run(part: Part, tmp_path: Path, scan: Part, **params: Any) -> StepResult:
    ctx = StepContext(Origin("scan", "stl", "0" * 64), scan, np.random.default_rng(0), tmp_path)
    return cut(part, Params.model_validate(params), ctx)


@pytest.fixture(scope="module")
def ball() -> Part:
    return part_of(trimesh.creation.icosphere(4, radius=50.0))


@pytest.fixture(scope="module")
def closed_ball(ball: Part) -> tuple[Part, Part]:
    """A ball of radius 50, scanned above -30 alone and closed below by a wall and a base at -50: the part
    and its scan."""
    cap = trimesh.intersections.slice_mesh_plane(
        trimesh.Trimesh(ball.vertices, ball.faces), [0, 0, 1], [0, 0, -30.0]
    )
    foot = trimesh.creation.cylinder(40.0, 20.0, sections=128).apply_translation([0, 0, -40.0])
    solid = trimesh.boolean.union([trimesh.Trimesh(ball.vertices, ball.faces), foot], engine="manifold")
    solid = solid.slice_plane([0, 0, -50.0], [0, 0, 1], cap=True)
    part = part_of(solid).with_plane(Plane("base", (0.0, 0.0, -50.0), (0.0, 0.0, -1.0), bed=True))
    return part, part_of(cap)


def zone(low: float, high: float) -> float:
    """The area of a zone of a ball of radius 50 is 2πr times its height."""
    return 2 * np.pi * 50.0 * (high - low)


@pytest.mark.parametrize("at_mm", [10.0, 25.0, 33.0])
def test_what_goes_of_the_scan_is_told(closed_ball: tuple[Part, Part], tmp_path: Path, at_mm: float) -> None:
    """Nothing of it below -30, whatever the cut takes of wall and base. All of the ball's surface above
    -50·√½ is seen of the standing part."""
    part, scan = closed_ball
    facts = run(part, tmp_path, scan, at=f"{at_mm} mm", keep="50 %").facts
    gone = 100.0 * zone(-30.0, max(-30.0, at_mm - 50.0)) / zone(-30.0, 50.0)
    assert facts["scan_removed_percent"] == pytest.approx(gone, abs=0.2)
    assert facts["seen_removed_percent"] == pytest.approx(gone, abs=0.2)
    assert facts["removed_percent"] > 5.0


def test_undersides_are_not_seen(ball: Part, tmp_path: Path) -> None:
    """Of a ball scanned all round, the cap below -50·√½ faces down: a cut at -35 takes 15 % of the surface,
    and of what is seen just the zone from -35.36 to -35."""
    facts = run(ball, tmp_path, ball, at="15 mm").facts
    assert facts["scan_removed_percent"] == pytest.approx(15.0, abs=0.3)
    seen = 100.0 * zone(-50 * np.sqrt(0.5), -35.0) / zone(-50 * np.sqrt(0.5), 50.0)
    assert facts["seen_removed_percent"] == pytest.approx(seen, abs=0.7)


def test_keep_bounds_the_scan_too(closed_ball: tuple[Part, Part], tmp_path: Path) -> None:
    """If it was scanned from -30 to 0 alone, a cut at -12 takes 18/30 of that, and a third of the volume."""
    part, scan = closed_ball
    whole = trimesh.Trimesh(scan.vertices, scan.faces)
    lower = part_of(trimesh.intersections.slice_mesh_plane(whole, [0, 0, -1], [0, 0, 0]))
    with pytest.raises(
        StepError, match=r"leave (39|40)\.\d% of what is seen of the scan, and keep asks for 50%"
    ):
        run(part, tmp_path, lower, at="38 mm", keep="50 %")
    assert run(part, tmp_path, scan, at="38 mm", keep="50 %").facts["removed_percent"] < 45
    hidden = scan.with_mesh(scan.vertices, scan.faces[scan.vertices[scan.faces][:, :, 2].min(axis=1) > 20.0])
    assert run(part, tmp_path, hidden, at="35 mm", keep="60 %").facts["seen_removed_percent"] == 0.0


def cap(height: float) -> float:
    """A cap of height h of a ball of radius r holds π·h²·(3r − h)/3 (CRC Standard Mathematical Tables)."""
    return np.pi * height**2 * (150.0 - height) / 3.0


def test_keep_does_not_count_what_closed_the_scan(closed_ball: tuple[Part, Part], tmp_path: Path) -> None:
    """The wall and base below -30 are a sixth of the part, more than a cut may take that keeps 90 %."""
    part, scan = closed_ball
    assert part_volume(part) - cap(80.0) == pytest.approx(np.pi * 40.0**2 * 20.0, rel=0.01)
    made = run(part, tmp_path, scan, at="25 mm", keep="93 %").part
    assert part_volume(made) / cap(80.0) == pytest.approx(cap(75.0) / cap(80.0), abs=0.003)
    assert cap(67.0) / cap(80.0) == pytest.approx(0.8316, abs=1e-4)
    with pytest.raises(StepError, match=r"leave 83\.[12]% of the volume without its base, and keep"):
        run(part, tmp_path, scan, at="33 mm", keep="83.5 %")


def test_a_chosen_cut_may_take_the_whole_base(closed_ball: tuple[Part, Part], tmp_path: Path) -> None:
    part, scan = closed_ball
    given = {"tilt": {"up to": "0 deg"}, "protect": "50 %", "hanging": "cut"}
    made = run(part, tmp_path, scan, at="25 mm", keep="93 %", **given)
    assert made.facts["base_removed"] and made.facts["removed_percent"] > 20.0
    with pytest.raises(StepError, match="There is no cut"):
        run(part, tmp_path, scan, at="25 mm", keep="95 %", **given)


def part_volume(part: Part) -> float:
    return float(trimesh.Trimesh(part.vertices, part.faces).volume)


def test_protect_counts_the_scan_and_not_what_closed_it(
    closed_ball: tuple[Part, Part], tmp_path: Path
) -> None:
    """The upper 90 % of what was scanned, from -30 to 50, begin at -22; of the part they would at -40."""
    part, scan = closed_ball
    assert run(part, tmp_path, scan, at="27 mm", protect="90 %", keep="50 %").part.bounds[0, 2] > -24
    with pytest.raises(StepError, match="upper 90% of the scan"):
        run(part, tmp_path, scan, at="29 mm", protect="90 %", keep="50 %")


def test_a_second_cut_counts_from_what_the_first_left(ball: Part, tmp_path: Path) -> None:
    """Cut at -20 and then at 0: of the zone from -20 to 50, 20/70 go."""
    first = run(ball, tmp_path, ball, at="30 mm", keep="50 %").part
    second = run(first, tmp_path, ball, at="20 mm", keep="50 %")
    assert second.facts["scan_removed_percent"] == pytest.approx(100 * 20 / 70, abs=0.4)


def test_crumbs_of_the_scan_that_are_not_on_the_part_do_not_count(ball: Part, tmp_path: Path) -> None:
    crumb = trimesh.creation.icosphere(1, 4.0).apply_translation([0, 0, -120.0])
    both = part_of(trimesh.util.concatenate([trimesh.Trimesh(ball.vertices, ball.faces), crumb]))
    given = {"at": "12 mm", "protect": "85 %"}
    assert run(ball, tmp_path, both, **given).facts == pytest.approx(
        run(ball, tmp_path, ball, **given).facts, abs=0.3
    )


def test_a_part_that_was_moved_finds_its_scan(closed_ball: tuple[Part, Part], tmp_path: Path) -> None:
    part, scan = closed_ball
    turn = trimesh.transformations.rotation_matrix(np.radians(70), [0, 0, 1], [3.0, 4.0, 0.0])
    moved = run(part.moved(turn), tmp_path, scan, at="33 mm", keep="50 %")
    there = run(part, tmp_path, scan, at="33 mm", keep="50 %")
    for name in ("scan_removed_percent", "seen_removed_percent"):
        assert moved.facts[name] == pytest.approx(there.facts[name], abs=0.02)


def test_what_a_further_cut_takes_is_counted_once(tmp_path: Path) -> None:
    """Of a cylinder of radius 20 and height 100 the wall and the top are seen: 2π·20·100 + π·20². A cut at
    32 takes 2π·20·32 of it, 29.1 %, whether or not one at 25 was made before; and keep asks for 50 %."""
    rod = part_of(trimesh.creation.cylinder(20.0, 100.0, sections=48).subdivide().subdivide())
    given = {
        "at": "32 mm",
        "tilt": {"up to": "0 deg"},
        "keep": "50 %",
        "protect": "10 %",
        "hanging": "cut",
        "steady": "1 deg",
    }
    before = run(rod, tmp_path, rod, **given, also=[{"at": "25 mm", "take": "below"}])
    seen = 100.0 * 2 * 32 / (2 * 100 + 20)
    assert before.facts["height_mm"] == pytest.approx(32.0, abs=0.01)
    assert before.facts["seen_removed_percent"] == pytest.approx(seen, abs=0.3)
    row = before.evidence["best"][0]
    assert row["seen_removed_percent"] == pytest.approx(seen, abs=0.3)


def test_a_face_may_lean_to_keep_its_chin(tmp_path: Path) -> None:
    """Half a post, cut off aslant below by 19 degrees and closed behind: level it loses that end, leaning on
    it by 19 degrees nothing."""
    stem = trimesh.creation.cylinder(20.0, 80.0, sections=128).apply_translation([0, 0, -60.0])
    slant = np.array([np.sin(np.radians(19.0)), 0.0, np.cos(np.radians(19.0))])
    half = stem.slice_plane([0, 0, -85.0], slant, cap=True).slice_plane([0, 0, 0], [0, -1, 0], cap=True)
    flat = (half.triangles[:, :, 1] > -1e-9).all(axis=1)
    scan = Part(np.asarray(half.vertices), np.asarray(half.faces[~flat], dtype=np.int32))
    behind = part_of(half).with_plane(Plane("base", (0.0, 0.0, 0.0), (0.0, 1.0, 0.0), bed=True))
    given = {"keep": "70 %", "protect": "60 %", "hanging": "cut", "steady": "1 deg"}
    facts = run(behind, tmp_path, scan, **given, tilt={"up to": "45 deg", "worth": "5 %"}).facts
    assert facts["tilt_deg"] == pytest.approx(19.0, abs=1.0)
    assert facts["seen_removed_percent"] < 0.5


def cut_with(tilted: bool, support_cm3: float, taken: float, cost_mm3: float) -> Cut:
    up = np.array([0.6, 0.0, 0.8]) if tilted else np.array([0.0, 0.0, 1.0])
    return Cut(up, 1.0, 1000 * support_cm3, 1e5, 400.0, 9.0, 20.0, taken, cost_mm3)


@pytest.mark.parametrize(
    ("level", "tilted", "priced", "leans"),
    [
        ((40.0, 0.05), (37.0, 0.05), False, True),
        ((40.0, 0.05), (38.5, 0.05), False, False),
        ((0.15, 0.0), (0.0, 0.0), False, True),
        ((0.09, 0.0), (0.0, 0.0), False, False),
        ((0.0, 0.0), (0.0, 0.0), False, False),
        ((40.0, 0.05), (41.0, 0.03), False, False),
        ((40.0, 0.05), (41.0, 0.03), True, True),
        ((40.0, 0.05), (41.0, 0.045), True, False),
        ((40.0, 0.5), (41.0, 0.48), True, False),
    ],
)
def test_when_a_tilt_is_worth_it(
    level: tuple[float, float], tilted: tuple[float, float], priced: bool, leans: bool
) -> None:
    """By the words of `worth` at 5 %: of cm3 of support, and of shares of what is seen. What the tilt costs
    less in all is no reason: here always something, however small."""
    best, flat = cut_with(True, *tilted, -1000.0), cut_with(False, *level, -999.9)
    found = Search([best], flat, 1, 1, clears_base=False)
    assert (_level_first(found, 0.05, priced=priced)[0] is best) is leans
    assert _level_first(Search([flat], flat, 1, 1, False), 0.05, priced=priced) == [flat]


def test_a_lower_end_that_is_no_stump_stays(tmp_path: Path) -> None:
    """A ball on a stem, cut in half. Closed by a flat base below, the stem is shortened to save support;
    closed behind, as what was scanned from in front, its end is likeness."""
    stem = trimesh.creation.cylinder(20.0, 80.0, sections=128).apply_translation([0, 0, -60.0])
    solid = trimesh.boolean.union([stem, trimesh.creation.icosphere(4, 45.0)], engine="manifold")
    half = solid.slice_plane([0, 0, 0], [0, -1, 0], cap=True)
    flat = (half.triangles[:, :, 1] > -1e-9).all(axis=1) | (half.triangles[:, :, 2] < -100 + 1e-9).all(axis=1)
    scan = Part(np.asarray(half.vertices), np.asarray(half.faces[~flat], dtype=np.int32))
    behind = part_of(half).with_plane(Plane("base", (0.0, 0.0, 0.0), (0.0, 1.0, 0.0), bed=True))
    below = part_of(half).with_plane(Plane("base", (0.0, 0.0, -100.0), (0.0, 0.0, -1.0), bed=True))
    given = {
        "tilt": {"up to": "0 deg"},
        "keep": "80 %",
        "protect": "70 %",
        "hanging": "cut",
        "steady": "1 deg",
    }
    kept, trimmed = (run(part, tmp_path, scan, **given).facts for part in (behind, below))
    assert not kept["base_removed"] and trimmed["base_removed"]
    assert kept["height_mm"] < 2.0 and trimmed["height_mm"] > 40.0
    assert kept["seen_removed_percent"] < 1.0 and trimmed["seen_removed_percent"] > 10.0
    assert kept["support_cm3"] > trimmed["support_cm3"]
