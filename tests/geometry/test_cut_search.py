"""The search is held against optima that are known from the shape, worked out by quadrature."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from fettlebox_steps.geometry.cut_search import LOSS_WEIGHT, Cut, Limits, search, spread_directions
from numpy.typing import NDArray

Floats = NDArray[np.float64]
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
    from fettlebox_steps.geometry.support_columns import evaluate

    ups = spread_directions(limits.most_tilt_deg, 700)
    along = vertices @ ups.T
    low, high = along.min(axis=0), along.max(axis=0)
    heights = low[:, None] + (high - low)[:, None] * (np.arange(60) + 0.5) / 120
    found = evaluate(vertices, faces, ups, heights, 0.5)
    good = (found.volume_mm3 >= limits.least_mm3) & (found.base_mm2 >= limits.least_base_mm2)
    good &= found.inside_mm >= 0.1 * np.sqrt(found.base_mm2)
    return float(found.support_mm3[good].min())


def ellipsoid_cost(axes: Floats, up: Floats, least: float, samples: int = 1500) -> float:
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
    least = 0.96
    limits = Limits(45.0, least * solid.volume, 20.0, NOTHING, NOTHING)
    found = search(vertices, faces, limits)
    tilts = np.arange(0.0, 66.0, 2.0)
    costs = [
        ellipsoid_cost(axes, np.array([0, np.sin(np.radians(t)), np.cos(np.radians(t))]), least, 500)
        for t in tilts
    ]
    # The quadrature says that the long axis upright is best: everything else needs more.
    assert int(np.argmin(costs)) == 0
    assert degrees_between(found.best[0].up, axis) < 1.0
    exact = ellipsoid_cost(axes, np.array([0, 0, 1.0]), least)
    assert found.best[0].support_mm3 == pytest.approx(exact, rel=0.05, abs=20)


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
