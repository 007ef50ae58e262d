"""Finding and refilling bumps, held against bumps of known shape, and untouched bits elsewhere."""

from __future__ import annotations

import hashlib
from typing import Any

import numpy as np
import pytest
import trimesh
from fettlebox_steps.geometry import bump_measures, bumps, refill
from fettlebox_steps.geometry.bump_scales import relief_and_places
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]
OVER_MM, WIDEST_MM = 0.4, 8.0


def free(vertices: Floats) -> NDArray[np.bool_]:
    return np.zeros(len(vertices), np.bool_)


def find(vertices: Floats, faces: Ints, over_mm: float = OVER_MM) -> bumps.Finds:
    return bumps.find_bumps(vertices, faces, free(vertices), over_mm, WIDEST_MM)


@pytest.fixture(scope="module")
def ball() -> tuple[Floats, Ints]:
    """A sphere of 40 mm, edges of 0.8 mm."""
    sphere = trimesh.creation.icosphere(6, radius=40.0)
    return np.asarray(sphere.vertices, np.float64), np.asarray(sphere.faces, np.int32)


def with_cap(vertices: Floats, foot_mm: float, height_mm: float, way: Floats, into: bool = False) -> Floats:
    """The sphere with a smaller sphere's cap of `height_mm` over a foot of radius `foot_mm`, about `way`.

    Cap of a sphere through the foot's circle: radius (foot² + h²) / 2h (CRC Standard Mathematical Tables,
    spherical segment), h measured from the plane of the foot.
    """
    sphere_mm = float(np.linalg.norm(vertices[0]))
    level = np.sqrt(sphere_mm**2 - foot_mm**2)
    rise = sphere_mm - level + height_mm
    radius = (foot_mm**2 + rise**2) / (2 * rise)
    centre = level + rise - radius
    unit = vertices / np.linalg.norm(vertices, axis=1)[:, None]
    cosine = np.clip(unit @ way, -1, 1)
    # Distance from the origin along each direction to the cap's sphere.
    root = np.sqrt(np.maximum(radius**2 - centre**2 * (1 - cosine**2), 0.0))
    reach = centre * cosine + root
    inside = (cosine > level / sphere_mm) & (reach > sphere_mm)
    lift = np.where(inside, reach - sphere_mm, 0.0)
    return vertices + unit * (-lift if into else lift)[:, None]


def volume(vertices: Floats, faces: Ints) -> float:
    return float(trimesh.Trimesh(vertices, faces, process=False).volume)


@pytest.mark.parametrize("into", [False, True])
def test_a_cap_on_a_sphere_is_found_where_and_as_high_as_it_is(ball: tuple[Floats, Ints], into: bool) -> None:
    vertices, faces = ball
    way = np.array([0.6, 0.64, 0.48])
    way /= np.linalg.norm(way)
    finds = find(with_cap(vertices, 2.5, 1.2, way, into), faces)
    assert len(finds.bumps) == 1
    bump = finds.bumps[0]
    assert bump.confidence > 0.95
    assert np.linalg.norm(bump.seen.centre / np.linalg.norm(bump.seen.centre) - way) * 40 < 0.5
    # The profile that heights are measured with is steeper at its foot than a cap, so some is missed.
    assert (-1 if into else 1) * bump.height_mm == pytest.approx(1.2, rel=0.25)
    assert 2 * 2.5 * 0.75 < bump.width_mm < 2 * 2.5 * 1.6


def test_refilling_gives_the_sphere_back(ball: tuple[Floats, Ints]) -> None:
    """Volume and distance against 4/3·π·r³ and r (CRC Standard Mathematical Tables)."""
    vertices, faces = ball
    way = np.array([0.0, 0.6, 0.8])
    spoiled = with_cap(vertices, 2.5, 1.2, way)
    finds = find(spoiled, faces)
    levelled = bumps.level(spoiled, faces, finds.relief, finds.bumps, free(vertices))
    assert levelled.done == (True,)
    radius = np.linalg.norm(levelled.vertices, axis=1)
    assert np.abs(radius - 40.0).max() < 0.1 * 1.2
    cap_mm3 = volume(spoiled, faces) - volume(vertices, faces)
    assert abs(volume(levelled.vertices, faces) - volume(vertices, faces)) < 0.05 * cap_mm3
    # What is closed and free of crossings stays so: volume agrees with an exact kernel's.
    import manifold3d

    mesh = manifold3d.Mesh(levelled.vertices.astype(np.float32), faces.astype(np.uint32))
    solid = manifold3d.Manifold(mesh)
    assert solid.status() == manifold3d.Error.NoError
    assert solid.volume() == pytest.approx(volume(levelled.vertices, faces), rel=1e-4)


def test_outside_a_patch_every_bit_stays_and_inputs_do(ball: tuple[Floats, Ints]) -> None:
    vertices, faces = ball
    spoiled = with_cap(vertices, 2.0, 1.0, np.array([1.0, 0.0, 0.0]))
    digest = hashlib.sha256(spoiled.tobytes() + faces.tobytes()).digest()
    finds = find(spoiled, faces)
    levelled = bumps.level(spoiled, faces, finds.relief, finds.bumps, free(vertices))
    assert hashlib.sha256(spoiled.tobytes() + faces.tobytes()).digest() == digest
    far = np.linalg.norm(spoiled - finds.bumps[0].seen.centre, axis=1) > refill.OUTER * 5.6
    assert far.any()
    assert (levelled.vertices[far] == spoiled[far]).all()
    assert (levelled.vertices[~levelled.moved] == spoiled[~levelled.moved]).all()
    assert levelled.moved.any()


def test_a_plain_sphere_has_none_and_nor_has_a_grainy_one(ball: tuple[Floats, Ints]) -> None:
    vertices, faces = ball
    assert not find(vertices, faces).bumps
    grain = np.random.default_rng(5).normal(0, 0.1, len(vertices))
    grainy = vertices * (1 + grain / 40)[:, None]
    assert not [bump for bump in find(grainy, faces).bumps if bump.confidence > 0.5]


def test_what_is_wider_than_asked_for_is_shape(ball: tuple[Floats, Ints]) -> None:
    """A knob of 26 mm across and a ridge of 3 mm by 60 mm are no bumps of up to 8 mm."""
    vertices, faces = ball
    knob = with_cap(vertices, 13.0, 6.0, np.array([0.0, 0.0, 1.0]))
    assert not [bump for bump in find(knob, faces).bumps if bump.confidence > 0.2]
    angle = np.arctan2(vertices[:, 1], vertices[:, 0])
    lift = 1.0 * np.exp(-((vertices[:, 2] / 1.5) ** 2)) * (np.abs(angle) < 0.75)
    ridge = vertices * (1 + lift / 40)[:, None]
    finds = find(ridge, faces).bumps
    ends = [abs(np.arctan2(b.seen.centre[1], b.seen.centre[0])) > 0.68 for b in finds if b.confidence > 0.2]
    assert all(ends), "along the ridge nothing is a bump; its cut-off ends may be asked about"
    assert not [bump for bump in finds if bump.confidence >= 0.95]


def test_a_fixed_vertex_in_the_patch_keeps_the_bump(ball: tuple[Floats, Ints]) -> None:
    vertices, faces = ball
    spoiled = with_cap(vertices, 2.0, 1.0, np.array([1.0, 0.0, 0.0]))
    finds = find(spoiled, faces)
    fixed = np.linalg.norm(spoiled - finds.bumps[0].seen.centre, axis=1) < 1.0
    levelled = bumps.level(spoiled, faces, finds.relief, finds.bumps, fixed)
    assert levelled.done == (False,)
    assert (levelled.vertices == spoiled).all()


def test_a_refill_that_would_cross_another_sheet_is_given_up() -> None:
    """A pit-like dent filled up to a level where another surface lies close above must not pierce it."""
    side = np.linspace(-15, 15, 61)
    x, y = np.meshgrid(side, side, indexing="ij")
    inner = np.arange(61 * 61).reshape(61, 61)
    quads = np.stack([inner[:-1, :-1], inner[1:, :-1], inner[1:, 1:], inner[:-1, 1:]], -1).reshape(-1, 4)
    sheet = np.concatenate([quads[:, [0, 1, 2]], quads[:, [0, 2, 3]]]).astype(np.int32)
    dent = -1.0 * np.square(np.maximum(1 - (x**2 + y**2) / 9, 0))
    lower = np.stack([x, y, dent], -1).reshape(-1, 3)
    rod = trimesh.creation.icosphere(2, radius=0.5)
    above = np.asarray(rod.vertices) * [1, 1, 1] + [0, 0, -0.4]
    vertices = np.concatenate([lower, above])
    faces = np.concatenate([sheet, np.asarray(rod.faces, np.int32) + len(lower)])
    finds = bumps.find_bumps(vertices, faces, free(vertices), OVER_MM, WIDEST_MM)
    dents = [bump for bump in finds.bumps if bump.seen.sign < 0 and bump.seen.vertex < len(lower)]
    assert dents
    levelled = bumps.level(vertices, faces, finds.relief, dents, free(vertices))
    assert not any(levelled.done)
    assert (levelled.vertices == vertices).all()
    alone = bumps.level(lower, sheet, finds.relief, dents, free(lower))
    assert any(alone.done)


def test_a_leaning_spike_is_laid_out_flat_again() -> None:
    """A spike that leans carries vertices past one another: heights alone would leave folds."""
    side = np.linspace(-15, 15, 61)
    x, y = np.meshgrid(side, side, indexing="ij")
    cells = np.arange(61 * 61).reshape(61, 61)
    quads = np.stack([cells[:-1, :-1], cells[1:, :-1], cells[1:, 1:], cells[:-1, 1:]], -1).reshape(-1, 4)
    faces = np.concatenate([quads[:, [0, 1, 2]], quads[:, [0, 2, 3]]]).astype(np.int32)
    flat = np.stack([x, y, np.zeros_like(x)], -1).reshape(-1, 3)
    lift = 2.0 * np.square(np.maximum(1 - (flat[:, 0] ** 2 + flat[:, 1] ** 2) / 6.25, 0))
    leaning = flat + lift[:, None] * np.array([0.9, 0.3, 1.0])
    finds = find(leaning, faces)
    levelled = bumps.level(leaning, faces, finds.relief, finds.bumps[:1], free(leaning))
    assert levelled.done == (True,)
    assert np.abs(levelled.vertices[:, 2]).max() < 0.1 * 2.0
    corners = levelled.vertices[faces]
    up = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])[:, 2]
    assert up.min() > 0, "no triangle lies upside down"


def test_the_surface_through_a_rim_follows_a_quadric_exactly() -> None:
    """A polynomial of degree two is met everywhere, not only on the rim."""
    rng = np.random.default_rng(3)
    turn, away = rng.uniform(0, 2 * np.pi, 200), rng.uniform(1, 2, 200)
    rim = np.stack([away * np.cos(turn), away * np.sin(turn)], 1)
    inside = rng.uniform(-0.7, 0.7, (50, 2))

    def height(p: Floats) -> Floats:
        return np.asarray(
            1.5 + 0.3 * p[:, 0] - 0.2 * p[:, 0] ** 2 + 0.15 * p[:, 0] * p[:, 1] + 0.1 * p[:, 1] ** 2
        )

    assert refill.laid_through(rim, height(rim), inside, 0.0) == pytest.approx(height(inside), abs=1e-9)
    grainy = height(rim) + rng.normal(0, 0.1, 200)
    off = refill.laid_through(rim, grainy, inside, 0.1) - height(inside)
    assert np.sqrt(np.mean(off**2)) < 0.1, "the surface must be quieter than the grain of its rim"


def test_a_disc_is_fitted_as_another_library_fits_it(ball: tuple[Floats, Ints]) -> None:
    """The kernel's heights against numpy's least squares on the same vertices."""
    vertices, faces = ball
    spoiled = with_cap(vertices, 2.5, 1.2, np.array([0.0, 0.0, 1.0]))
    relief, places = relief_and_places(spoiled, faces, free(vertices), OVER_MM, WIDEST_MM)
    rows = bump_measures.look_at(spoiled, relief, places[:1], WIDEST_MM)[0]
    column = bump_measures.AT
    for row in rows[rows[:, column["radius"]] > 0]:
        centre, up, radius = row[:3], row[3:6], row[column["radius"]]
        across = bump_measures.frame(up)
        flat = (spoiled - centre) @ across.T / radius
        high = (spoiled - centre) @ up
        away = np.linalg.norm(flat, axis=1)
        near = np.linalg.norm(spoiled - centre, axis=1) < 15
        rim = near & (away >= 1) & (away * radius < bump_measures.rim_radius(radius, relief.edge_mm))
        solution = np.linalg.lstsq(bump_measures.cubic(flat[rim]), high[rim], rcond=None)[0]
        disc = near & (away < 1)
        over = high[disc] - bump_measures.cubic(flat[disc]) @ solution
        profile = np.square(1 - away[disc] ** 2)
        assert row[column["height"]] == pytest.approx(profile @ over / (profile @ profile), abs=1e-4)


def studded(ball: tuple[Floats, Ints], height_mm: float, foot_mm: float, half: bool = False) -> Floats:
    """The ball with domes at the 642 corners of an icosahedron halved three times, 5.5 to 6.5 mm apart; on
    half of it, where X > 0. No two are more than 1 % apart in height: a texture, and no accident.
    """
    vertices, _ = ball
    corners = np.asarray(trimesh.creation.icosphere(3).vertices)
    corners = corners[corners[:, 0] > 0] if half else corners
    away = np.linalg.norm(vertices[:, None] / 40 - corners[None], axis=2).min(axis=1) * 40
    lift = height_mm * np.square(np.maximum(1 - np.square(away / foot_mm), 0))
    return np.asarray(vertices * (1 + lift / 40)[:, None])


def test_on_texture_nothing_is_sure_and_beside_it_all_is_as_before(ball: tuple[Floats, Ints]) -> None:
    """A bump three times as high as the domes around it is put before a person, at most; the same bump on the
    smooth half is certain. Where the domes are is the truth: they end at X = 0.
    """
    vertices, faces = ball
    domes = studded(ball, 0.6, 2.8, half=True)
    on, beside = np.array([0.8, 0.6, 0.0]), np.array([-0.8, 0.6, 0.0])
    both = domes
    for way in (on, beside):
        both = both * (np.linalg.norm(with_cap(vertices, 2.5, 1.8, way), axis=1) / 40)[:, None]
    finds = find(both, faces)
    nearest = {
        side: min(finds.bumps, key=lambda b: float(np.linalg.norm(b.seen.centre / 40 - way)))
        for side, way in (("on", on), ("beside", beside))
    }
    assert nearest["beside"].confidence > 0.95 and not nearest["beside"].textured
    assert nearest["on"].textured and nearest["on"].confidence <= bumps.AMONG_OTHERS
    assert not [b for b in finds.bumps if b.seen.centre[0] > 5 and b.confidence > bumps.AMONG_OTHERS]
    assert not finds.all_over
    # Half of the ball, and up to the reach of a neighbourhood (16 mm) more or less.
    assert 0.5 - 16 / 80 < finds.textured_share < 0.5 + 16 / 80


def test_the_cap_on_what_is_certain_is_there_because_of_the_texture(
    ball: tuple[Floats, Ints], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The same finds, judged without and with it: those that were surer than 0.9 are at 0.9, the others stay
    as they were, and none is lost. `SURE` of the step is above that, or the cap would hold nothing back.
    """
    from fettlebox_steps.knockdown import SURE

    vertices, faces = ball
    bump = with_cap(vertices, 2.5, 1.8, np.array([0.8, 0.6, 0.0]))
    spoiled = studded(ball, 0.5, 2.8) * (np.linalg.norm(bump, axis=1) / 40)[:, None]
    capped = find(spoiled, faces)
    nowhere = np.zeros(len(vertices), np.bool_)
    monkeypatch.setattr(bumps, "textured", lambda *_: (nowhere, 0.0))
    monkeypatch.setattr(bumps, "among_others", lambda _vertices, _relief, looks, _mm: [False] * len(looks))
    free_of_it = {b.seen.vertex: b.confidence for b in find(spoiled, faces).bumps}
    assert capped.all_over and capped.textured_share > 0.95
    assert max(free_of_it.values()) > SURE > bumps.AMONG_OTHERS == 0.9
    assert {b.seen.vertex: b.confidence for b in capped.bumps} == {
        vertex: min(sure, 0.9) for vertex, sure in free_of_it.items()
    }


@pytest.mark.parametrize("seed", [61, 62, 63])
def test_thirty_bumps_on_a_smooth_ball_are_no_texture(ball: tuple[Floats, Ints], seed: int) -> None:
    """Of random place, height and width, at least 14 mm apart, as scanners leave them at the very worst."""
    vertices, faces = ball
    rng = np.random.default_rng(seed)
    ways: list[Floats] = []
    spoiled = vertices
    while len(ways) < 30:
        way = rng.normal(size=3)
        way /= np.linalg.norm(way)
        if all(np.linalg.norm(way - other) * 40 > 14 for other in ways):
            ways.append(way)
            cap = with_cap(vertices, rng.uniform(1.8, 3.5), rng.uniform(0.6, 1.8), way, rng.random() < 0.25)
            spoiled = spoiled * (np.linalg.norm(cap, axis=1) / 40)[:, None]
    finds = find(spoiled, faces)
    assert not finds.all_over and finds.textured_share < 0.05
    right = [
        min(float(np.linalg.norm(b.seen.centre / np.linalg.norm(b.seen.centre) - way)) for way in ways) * 40
        < 2
        for b in finds.bumps
        if b.confidence >= 0.95
    ]
    assert sum(right) >= 0.6 * 30 and sum(right) >= 0.95 * len(right)


@pytest.mark.parametrize(("depth_mm", "textured"), [(0.6, True), (0.27, True), (0.08, False)])
def test_how_deep_waves_are_a_texture(ball: tuple[Floats, Ints], depth_mm: float, textured: bool) -> None:
    """Waves 8 mm long and two thirds as deep as the height asked for, are one; a fifth as deep, none.

    What a blur of 1 mm keeps of a wave (amplitude a, wave number k = 2π/8 mm) and one of 1.8 mm takes away is
    a·(exp(-k²/2) - exp(-1.8²·k²/2)), 0.37·a, by the heat equation. Over 0.075 of 0.4 mm it stands
    on (2/π)·arccos(0.03/0.37a) of its length, 0.55 at a depth 2a of 0.25 mm.
    """
    vertices, faces = ball
    high = np.arccos(np.clip(vertices[:, 2] / 40, -1, 1)) * 40
    spoiled = vertices * (1 + depth_mm / 2 * np.cos(2 * np.pi * high / 8) / 40)[:, None]
    finds = find(spoiled, faces)
    assert finds.all_over is textured
    assert (finds.textured_share > 0.9) if textured else (finds.textured_share < 0.1)


def test_what_has_many_like_it_about_is_never_certain(
    ball: tuple[Floats, Ints], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Domes too far apart to cover the surface: the measure of covered surface is silent, and each has others
    like it. One three times as wide apart has none. How far apart they are is the truth.
    """
    vertices, faces = ball
    monkeypatch.setattr(bumps, "textured", lambda *_: (np.zeros(len(vertices), np.bool_), 0.0))
    for halvings, many in ((2, True), (1, False)):  # 162 corners 11 to 13 mm apart, and 42, 22 to 25 mm apart
        corners = np.asarray(trimesh.creation.icosphere(halvings).vertices)
        away = np.linalg.norm(vertices[:, None] / 40 - corners[None], axis=2).min(axis=1) * 40
        lift = 0.8 * np.square(np.maximum(1 - np.square(away / 2.5), 0))
        finds = find(vertices * (1 + lift / 40)[:, None], faces)
        told = [bump.textured for bump in finds.bumps if bump.confidence > 0.5]
        assert len(told) >= 0.6 * len(corners)
        assert np.mean(told) > 0.9 if many else not any(told)


def test_grain_is_no_texture(ball: tuple[Floats, Ints]) -> None:
    vertices, faces = ball
    for grain_mm in (0.1, 0.3):
        grain = np.random.default_rng(8).normal(0, grain_mm, len(vertices))
        assert find(vertices * (1 + grain / 40)[:, None], faces).textured_share < 0.05


def test_a_finer_cut_of_the_same_surface_is_as_textured(ball: tuple[Floats, Ints]) -> None:
    """Every triangle in four. The border may shift by the cubes that are counted, 3 mm: by Archimedes a zone
    of a sphere has the share of its area that its height has of the diameter, 3 / 80.
    """
    faces = ball[1]
    spoiled = studded(ball, 0.6, 2.8, half=True)
    finer, more = trimesh.remesh.subdivide(spoiled, faces)
    one, other = find(spoiled, faces), find(np.asarray(finer), np.asarray(more, np.int32))
    assert other.textured_share == pytest.approx(one.textured_share, abs=3 / 80)


def test_the_same_surface_gives_the_same_bytes_on_any_number_of_threads(ball: tuple[Floats, Ints]) -> None:
    import numba

    vertices, faces = ball
    spoiled = with_cap(vertices, 2.0, 0.8, np.array([0.0, 1.0, 0.0]))
    results: list[Any] = []
    before = numba.get_num_threads()
    for threads in {1, before}:
        numba.set_num_threads(threads)
        finds = find(spoiled, faces)
        results.append(
            bumps.level(spoiled, faces, finds.relief, finds.bumps, free(vertices)).vertices.tobytes()
        )
    numba.set_num_threads(before)
    assert len(set(results)) == 1
