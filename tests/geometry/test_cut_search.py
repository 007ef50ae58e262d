"""The search is held against optima that are known from the shape, worked out by quadrature."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from fettlebox_steps.geometry.cut_costs import LOSS_WEIGHT, Cut, Limits
from fettlebox_steps.geometry.cut_search import search, spread_directions
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Point = tuple[float, float, float]
NOTHING = np.zeros((0, 3))


def arrays(mesh: trimesh.Trimesh) -> tuple[Floats, NDArray[np.int32]]:
    return np.array(mesh.vertices, dtype=np.float64), np.array(mesh.faces, dtype=np.int32)


def degrees_between(a: Floats, b: Floats) -> float:
    return float(np.degrees(np.arccos(np.clip(a @ b, -1, 1))))


def leaning(lean_deg: float, mesh: trimesh.Trimesh) -> tuple[trimesh.Trimesh, Floats]:
    turn = trimesh.transformations.rotation_matrix(np.radians(lean_deg), [1, 0, 0])
    turned = mesh.copy().apply_transform(turn)
    return turned, turn[:3, 2]


def test_directions_are_spread_evenly() -> None:
    found = spread_directions(50.0, 738)
    assert 650 < len(found) < 830
    assert np.degrees(np.arccos(found[:, 2].min())) == pytest.approx(50.0)
    gaps = [np.sort([degrees_between(a, b) for b in found])[1] for a in found[::37]]
    assert max(gaps) < 2 * min(gaps)
    assert spread_directions(0.0, 738).tolist() == [[0, 0, 1]]


def test_nothing_within_a_dense_look_is_much_better() -> None:
    """A long stem under a wide cap, leaning 25 degrees: several hills, and no level cut that stands."""
    stem = trimesh.creation.cylinder(6.0, 60.0, sections=64)
    cap = trimesh.creation.cylinder(20.0, 10.0, sections=128)
    cap.apply_translation([0, 0, 30.0])
    solid, _ = leaning(25.0, trimesh.boolean.union([stem, cap], engine="manifold"))
    vertices, faces = arrays(solid)
    limits = Limits(40.0, 0.8 * solid.volume, 50.0, NOTHING, NOTHING)
    found = search(vertices, faces, limits)
    assert found.best
    assert found.best[0].support_mm3 <= dense_best(vertices, faces, limits) * 1.05


def dense_best(vertices: Floats, faces: NDArray[np.int32], limits: Limits) -> float:
    from fettlebox_steps.geometry.support_columns import Solid, evaluate

    ups = spread_directions(limits.most_tilt_deg, 700)
    along = vertices @ ups.T
    low, high = along.min(axis=0), along.max(axis=0)
    heights = low[:, None] + (high - low)[:, None] * (np.arange(60) + 0.5) / 120
    found = evaluate(Solid.of(vertices, faces), ups, heights, 0.5)
    good = (found.volume_mm3 >= limits.least_mm3) & (found.base_mm2 >= limits.least_base_mm2)
    good &= found.inside_mm >= 0
    return float(found.support_mm3[good].min())


def ellipsoid_cost(axes: Floats, up: Floats, least: float, samples: int = 1000) -> float:
    """Support of an ellipsoid cut to `least` of its volume along `up`, by quadrature over its surface.

    Affine maps keep shares of volumes: the cut is at the same share of the reach as for a ball.
    """
    share = np.linspace(-1, 1, 20001)
    kept = 1 - (1 + share) ** 2 * (2 - share) / 4
    level = float(np.interp(-least, -kept, share))
    u = (np.arange(samples) + 0.5) / samples * 2 - 1
    v = (np.arange(samples) + 0.5) / samples * 2 * np.pi
    s = np.sqrt(1 - u**2)[:, None]
    ball = np.stack([s * np.cos(v), s * np.sin(v), np.broadcast_to(u[:, None], (samples, samples))], axis=-1)
    normal = ball / axes
    area = np.prod(axes) * np.linalg.norm(normal, axis=-1) * (2 / samples) * (2 * np.pi / samples)
    steep = (normal @ up) / np.linalg.norm(normal, axis=-1)
    height = (ball * axes) @ up - level * np.linalg.norm(axes * up)
    under = (steep < -np.cos(np.pi / 4)) & (height > 0)
    return float((height * -steep * area)[under].sum())


def test_ellipsoid_that_leans() -> None:
    axes = np.array([22.0, 22.0, 50.0])
    ball = trimesh.creation.icosphere(6)
    ball.vertices *= axes
    solid, axis = leaning(20.0, ball)
    vertices, faces = arrays(solid)
    # The undersides flatter than 45 degrees end at c²/√(a² + c²) = 45.8 below the middle: cutting off 4.2
    # of 50, half a percent of the volume, upright takes just these away; at a tilt some are left.
    least = 0.995
    found = search(vertices, faces, Limits(45.0, least * solid.volume, 20.0, NOTHING, NOTHING))
    tilts = np.radians([0.0, 1.0, 2.0, 4.0, 8.0, 16.0, 32.0, 64.0])
    costs = [ellipsoid_cost(axes, np.array([0, np.sin(t), np.cos(t)]), least) for t in tilts]
    assert costs == sorted(costs) and costs[0] < 0.5 * costs[1]
    assert degrees_between(found.best[0].up, axis) < 1.0
    assert found.best[0].support_mm3 == pytest.approx(costs[0], abs=1.0)


@pytest.mark.parametrize(
    ("axes", "least", "lean_deg", "about"),
    [
        ((30.0, 30.0, 40.0), 0.995, 20.0, (1.0, 0.0, 0.0)),
        ((34.0, 34.0, 40.0), 0.98, 13.0, (1.0, 0.5, 0.0)),
        ((25.0, 30.0, 40.0), 0.995, 20.0, (1.0, 0.0, 0.0)),
    ],
)
def test_round_ellipsoids(axes: Point, least: float, lean_deg: float, about: Point) -> None:
    """Nearly a ball: four degrees change the support by a hundredth, as triangles and columns do."""
    half = np.array(axes)
    ball = trimesh.creation.icosphere(6)
    ball.vertices *= half
    turn = about_axis(lean_deg, about)
    solid = ball.copy().apply_transform(turn)
    found = search(*arrays(solid), Limits(45.0, least * solid.volume, 20.0, NOTHING, NOTHING))
    tilts = np.radians([0.0, 4.0, 8.0])
    ways = [np.array([0, np.sin(t), np.cos(t)]) for t in tilts]
    costs = [ellipsoid_cost(half, way, least) for way in ways]
    assert costs == sorted(costs) and costs[1] < 1.05 * costs[0]
    assert degrees_between(found.best[0].up, turn[:3, 2]) < 1.0
    assert found.best[0].support_mm3 == pytest.approx(costs[0], rel=0.01)


@pytest.mark.parametrize(("lean_deg", "about"), [(20.0, (1.0, 0.0, 0.0)), (13.0, (1.0, 0.5, 0.0))])
def test_cone_that_leans(lean_deg: float, about: Point) -> None:
    """A cone's sides never need support while it leans less than 45 degrees more than they do. A plane that
    is not parallel to its base leaves a wedge of the flat base hanging or takes one off; the base's own
    plane costs nothing, so it is the optimum."""
    radius, height = 20.0, 60.0
    turn = trimesh.transformations.rotation_matrix(np.radians(lean_deg), about)
    solid = trimesh.creation.cone(radius, height, sections=256).apply_transform(turn)
    footing = 0.5 * np.pi * radius**2
    limits = Limits(45.0, 0.7 * solid.volume, footing, NOTHING, NOTHING, steady_deg=6.0)
    best = search(*arrays(solid), limits).best[0]
    assert degrees_between(best.up, turn[:3, 2]) < 1.0
    assert best.support_mm3 < 1.0
    # CRC, mensuration: a cone's base, its volume, and its centroid a quarter of the way up.
    assert best.base_mm2 == pytest.approx(np.pi * radius**2, rel=0.01)
    assert best.volume_mm3 == pytest.approx(np.pi * radius**2 * height / 3, rel=0.01)
    assert best.tips_beyond_deg == pytest.approx(np.degrees(np.arctan(radius / (height / 4))), abs=1.0)


@pytest.mark.parametrize("turned_deg", [0.0, 70.0])
def test_cylinder_with_overhangs(turned_deg: float) -> None:
    """Two arms at ±45 degrees from a side rise at 30 degrees from a cylinder, so that their undersides, with
    normals n = (sin 30, 0, -cos 30) turned to their sides, lean out by 60 and need support.

    They stop needing it where n·up = -cos 45 for both. By symmetry up = (sin t, 0, cos t), and
        sin 30 cos 45 sin t - cos 30 cos t = -cos 45.
    With A = sin 30 cos 45, B = cos 30: √(A² + B²) sin(t - φ) = -cos 45, tan φ = B/A, so t = 18.69 degrees.
    Turning further takes more of the cylinder off (π r³ tan t), turning less leaves arms to be supported.
    """
    along, across = np.sin(np.pi / 6) * np.sqrt(0.5), np.cos(np.pi / 6)
    tilt = np.arctan2(across, along) - np.arcsin(np.sqrt(0.5) / np.hypot(along, across))
    radius = 15.0
    post = trimesh.creation.cylinder(radius, 56.0, sections=256).apply_translation([0, 0, 28.0])
    arms = []
    for side_deg in (45.0, -45.0):
        arm = trimesh.creation.box((40.0, 14.0, 10.0)).apply_translation([20.0, 0, 5.0])
        arm.apply_transform(about_axis(-30.0, (0, 1, 0))).apply_translation([0, 0, 30.0])
        arms.append(arm.apply_transform(about_axis(side_deg, (0, 0, 1))))
    turn = about_axis(turned_deg, (0, 0, 1))
    solid = trimesh.boolean.union([post, *arms], engine="manifold").apply_transform(turn)
    limits = Limits(45.0, 0.7 * solid.volume, 300.0, NOTHING, NOTHING, steady_deg=6.0)
    found = search(*arrays(solid), limits)
    optimum = turn[:3, :3] @ np.array([np.sin(tilt), 0.0, np.cos(tilt)])
    assert degrees_between(found.best[0].up, optimum) < 1.0
    assert found.best[0].support_mm3 < 5.0
    # Upright, the arms need centimetres of support: 2 × 14 wide, some 20 long as seen from above, 30 up.
    assert found.level is not None and found.level.support_mm3 > 10_000
    removed = solid.volume - found.best[0].volume_mm3
    assert removed == pytest.approx(np.pi * radius**3 * np.tan(tilt), rel=0.1)
    assert found.best[0].base_mm2 == pytest.approx(np.pi * radius**2 / np.cos(tilt), rel=0.05)


def about_axis(degrees: float, axis: Point) -> Floats:
    return np.asarray(trimesh.transformations.rotation_matrix(np.radians(degrees), axis))


def test_a_steadier_cut_is_chosen_where_it_is_asked_for() -> None:
    """A thin oblique post: its centre of mass is half way up. Standing 30 degrees takes a cut that is closer
    to square to it than standing 1 degree does."""
    post = trimesh.creation.box((20.0, 20.0, 60.0)).subdivide().subdivide()
    post.vertices[:, 0] += 0.3 * post.vertices[:, 2]
    least = 0.75 * post.volume
    for steady_deg in (1.0, 10.0, 14.0):
        found = search(*arrays(post), Limits(40.0, least, 50.0, NOTHING, NOTHING, steady_deg=steady_deg))
        assert found.best and found.steadiest is None
        assert all(cut.tips_beyond_deg >= steady_deg for cut in found.best)


def test_the_steadiest_is_told_where_none_is_steady_enough() -> None:
    """A square post of side a and height h tips at atan((a/2)/(h/2)) = atan(a/h), or at a little
    more for what is cut off."""
    post = trimesh.creation.box((10.0, 10.0, 100.0)).subdivide().subdivide()
    found = search(*arrays(post), Limits(20.0, 0.99 * post.volume, 20.0, NOTHING, NOTHING, steady_deg=20.0))
    assert found.best == [] and found.steadiest is not None
    assert found.steadiest.tips_beyond_deg == pytest.approx(np.degrees(np.arctan(10 / 100)), abs=0.5)


def test_limits_are_kept() -> None:
    solid, _ = leaning(30.0, trimesh.creation.cone(20.0, 60.0, sections=64))
    vertices, faces = arrays(solid)
    high = vertices[vertices[:, 2] > 0]
    limits = Limits(12.0, 0.7 * solid.volume, 100.0, high, NOTHING)
    found = search(vertices, faces, limits)
    for cut in found.best:
        assert cut.tilt_deg <= 12.0 + 1e-6
        assert cut.volume_mm3 >= limits.least_mm3 and cut.base_mm2 >= 100.0
        assert (high @ cut.up).min() >= cut.height_mm - 1e-9
    nothing = search(vertices, faces, Limits(12.0, 0.7 * solid.volume, 1e6, high, NOTHING))
    assert nothing.best == [] and nothing.level is None


def test_a_given_point_is_run_through() -> None:
    vertices, faces = arrays(trimesh.creation.icosphere(4, radius=30.0))
    point = np.array([0.0, 0, -22.0])
    found = search(vertices, faces, Limits(30.0, 0.5 * 4 / 3 * np.pi * 30**3, 10.0, NOTHING, NOTHING, point))
    assert all(abs(cut.height_mm - cut.up @ point) <= 0.002 for cut in found.best)


def test_an_invented_base_goes() -> None:
    block = trimesh.creation.box((30.0, 30.0, 60.0)).subdivide().subdivide()
    vertices, faces = arrays(block)
    base = vertices[vertices[:, 2] < -29.9]
    # Uncut, a block needs no support at all: only the wish to be rid of the base costs it anything.
    limits = Limits(20.0, 0.7 * block.volume, 100.0, NOTHING, base)
    found = search(vertices, faces, limits)
    assert found.clears_base
    assert all((base @ cut.up).max() < cut.height_mm for cut in found.best)
    kept = search(vertices, faces, Limits(20.0, 0.7 * block.volume, 100.0, vertices, base))
    assert not kept.clears_base


def test_the_same_again() -> None:
    solid, _ = leaning(20.0, trimesh.creation.capsule(40.0, 12.0))
    vertices, faces = arrays(solid)
    limits = Limits(40.0, 0.85 * solid.volume, 30.0, NOTHING, NOTHING)
    assert repr(search(vertices, faces, limits)) == repr(search(vertices, faces, limits))
    assert LOSS_WEIGHT < 0.1


def test_the_level_cut_is_not_passed_over_where_it_is_best() -> None:
    """A bowl on a stem that stands upright: nothing that leans can be better than level."""
    stem = trimesh.creation.cylinder(8.0, 60.0, sections=64)
    bowl = trimesh.creation.icosphere(3, 20.0).apply_translation([0, 0, 40.0])
    vertices, faces = arrays(trimesh.boolean.union([stem, bowl], engine="manifold"))
    found = search(vertices, faces, Limits(40.0, 0.8 * 20**3, 50.0, NOTHING, NOTHING))
    assert found.level is not None

    def cost(cut: Cut) -> float:
        return cut.support_mm3 - LOSS_WEIGHT * cut.volume_mm3

    assert cost(found.best[0]) <= cost(found.level)


@pytest.mark.parametrize("wide_mm", [1.7, 3.3, 3.9])
def test_support_of_a_small_underside_high_up(wide_mm: float) -> None:
    """A square peg sticks out of a post, high above the bed: its support is a prism, as wide as the peg
    and as high as it is above the cut, however few columns find it at first (mensuration)."""
    post = trimesh.creation.box((80.0, 80.0, 240.0)).apply_translation([0, 0, 120.0])
    peg = trimesh.creation.box((wide_mm + 1.0, wide_mm, 8.0))
    peg.apply_translation([40.0 + (wide_mm - 1.0) / 2.0, 0.3, 200.0])
    solid = trimesh.boolean.union([post, peg], engine="manifold")
    found = search(*arrays(solid), Limits(0.0, 0.9 * solid.volume, 300.0, NOTHING, NOTHING, steady_deg=6.0))
    assert found.level is not None
    expected = wide_mm**2 * (196.0 - found.level.height_mm)
    assert found.level.support_mm3 == pytest.approx(expected, rel=0.05)
    assert found.best[0].support_mm3 == pytest.approx(expected, rel=0.05)
