"""Support volumes by hand for shapes that allow it, and against independent rays (embree) on a scan."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import trimesh
from fettlebox_steps.geometry.plane_cut import cut_above
from fettlebox_steps.geometry.support_columns import Solid, evaluate
from numpy.typing import NDArray

Floats = NDArray[np.float64]
UP = np.array([[0.0, 0.0, 1.0]])


def arrays(mesh: trimesh.Trimesh) -> tuple[Floats, NDArray[np.int32]]:
    return np.array(mesh.vertices, dtype=np.float64), np.array(mesh.faces, dtype=np.int32)


def union(*solids: trimesh.Trimesh) -> trimesh.Trimesh:
    return trimesh.boolean.union(list(solids), engine="manifold")


def at(height: float) -> Floats:
    """A row of heights that begins at the one asked for."""
    return height + np.arange(4)[None] * 0.25


def test_mushroom() -> None:
    # The underside of the cap, a ring from 5 to 15, hangs 20 above the bed: π(R² − r²)·h.
    stem = trimesh.creation.cylinder(5.0, 30.0, sections=96)
    cap = trimesh.creation.cylinder(15.0, 4.0, sections=96)
    stem.apply_translation([0, 0, 15.0])
    cap.apply_translation([0, 0, 22.0])
    vertices, faces = arrays(union(stem, cap))
    found = evaluate(Solid.of(vertices, faces), UP, at(0.001), 0.25)
    ring = np.pi * (15**2 - 5**2)
    assert found.support_mm3[0, 0] == pytest.approx(ring * 20, rel=0.02)
    higher = evaluate(Solid.of(vertices, faces), UP, at(7.0), 0.25)
    assert higher.support_mm3[0, 0] == pytest.approx(ring * 13, rel=0.02)
    above = evaluate(Solid.of(vertices, faces), UP, at(20.5), 0.25)
    assert above.support_mm3[0, 0] == 0
    assert found.base_mm2[0, 0] == pytest.approx(np.pi * 25, rel=0.02)
    assert found.volume_mm3[0, 0] == pytest.approx(np.pi * (25 * 26 + 225 * 4), rel=0.02)
    assert found.inside_mm[0, 0] == pytest.approx(5.0, abs=0.3)


def test_beam_on_a_post() -> None:
    # A T: the beam's underside, 40 × 10 less the post's 10 × 10, hangs 20 above the bed.
    post, beam = trimesh.creation.box((10.0, 10.0, 20.0)), trimesh.creation.box((40.0, 10.0, 5.0))
    post.apply_translation([0, 0, 10.0])
    beam.apply_translation([0, 0, 22.5])
    vertices, faces = arrays(union(post, beam))
    found = evaluate(Solid.of(vertices, faces), UP, at(0.001), 0.2)
    assert found.support_mm3[0, 0] == pytest.approx(300 * 20, rel=0.02)


def test_ball() -> None:
    # Undersides flatter than 45 degrees: those below -r/√2. The column under a point at distance p from the
    # axis is the height of the sphere's lower half over the bed, r − √(r² − p²).
    radius = 30.0
    vertices, faces = arrays(trimesh.creation.icosphere(6, radius=radius))
    edge = radius / np.sqrt(2)
    expected = 2 * np.pi * (radius * edge**2 / 2 - (radius**3 - (radius**2 - edge**2) ** 1.5) / 3)
    for up in ([0, 0, 1.0], [0.6, 0, 0.8], [0.36, 0.48, 0.8]):
        found = evaluate(Solid.of(vertices, faces), np.array([up]), at(-radius), 0.25)
        assert found.support_mm3[0, 0] == pytest.approx(expected, rel=0.02)
        assert found.volume_mm3[0, 0] == pytest.approx(4 / 3 * np.pi * radius**3, rel=0.005)


def test_support_stands_on_the_part_where_the_part_is_below() -> None:
    """A shelf over a step: half of its support rests on the step, 10 high, half on the bed."""
    foot, wall = trimesh.creation.box((20.0, 10.0, 10.0)), trimesh.creation.box((4.0, 10.0, 40.0))
    shelf = trimesh.creation.box((24.0, 10.0, 4.0))
    foot.apply_translation([10, 0, 5])
    wall.apply_translation([2.0, 0, 20])
    shelf.apply_translation([12.0, 0, 38])
    vertices, faces = arrays(union(foot, wall, shelf))
    found = evaluate(Solid.of(vertices, faces), UP, at(0.001), 0.2)
    assert found.support_mm3[0, 0] == pytest.approx((16 * 26 + 4 * 36) * 10, rel=0.02)


def test_a_leaning_part_stands_outside_of_its_base() -> None:
    tower = trimesh.creation.box((10.0, 10.0, 60.0))
    tower.vertices[:, 0] += np.asarray(tower.vertices)[:, 2] * 0.5
    vertices, faces = arrays(tower)
    found = evaluate(Solid.of(vertices, faces), UP, at(-29.9), 0.25)
    # The centre of mass is 15 from the middle of a base that reaches out 5.
    assert found.inside_mm[0, 0] == pytest.approx(-10.0, abs=0.3)


def test_height_of_the_centre_of_mass() -> None:
    """CRC, mensuration: above the cut, half the height of a cylinder, a quarter of a cone's, 3/8 r of half a
    ball's; in a frame that leans, the same."""
    turn = trimesh.transformations.rotation_matrix(np.radians(33.0), [1.0, 2.0, 0.0])
    up = turn[:3, 2]
    cylinder = trimesh.creation.cylinder(8.0, 40.0, sections=128)
    cone = trimesh.creation.cone(20.0, 60.0, sections=128)
    ball = trimesh.creation.icosphere(5, radius=20.0)
    for solid, height, centre in ((cylinder, -10.0, 15.0), (cone, 20.0, 10.0), (ball, 0.0, 7.5)):
        vertices, faces = arrays(solid.copy().apply_transform(turn).apply_translation(100.0 * up))
        found = evaluate(Solid.of(vertices, faces), up[None], at(100.0 + height), 0.25)
        assert found.centre_mm[0, 0] == pytest.approx(centre, abs=0.05)


def test_against_rays(textured_bunny: Path) -> None:
    """A scan, cut by our exact cut; vertical rays from below through embree; the same rule, other code."""
    import pymeshfix

    scan = trimesh.load(textured_bunny, process=True, force="mesh")
    fixer = pymeshfix.MeshFix(np.array(scan.vertices, float), np.array(scan.faces))
    fixer.repair()
    points = np.asarray(fixer.points, dtype=np.float64)
    vertices = points * (100.0 / np.ptp(points, axis=0).max())
    faces = np.asarray(fixer.faces, dtype=np.int32)
    for up in (np.array([0, 0, 1.0]), np.array([0.3, -0.4, 0.866])):
        up = up / np.linalg.norm(up)
        height = float((vertices @ up).min() + 0.2 * np.ptp(vertices @ up))
        found = evaluate(Solid.of(vertices, faces), up[None], at(height), 0.5)
        made = cut_above(vertices, faces, up * height, up)
        turned = trimesh.Trimesh(made.vertices, made.faces, process=False)
        turned.apply_transform(trimesh.geometry.align_vectors(up, [0, 0, 1]))
        turned.apply_translation([0, 0, -turned.bounds[0, 2]])
        assert found.support_mm3[0, 0] == pytest.approx(support_by_rays(turned, 0.4), rel=0.05)
        assert found.volume_mm3[0, 0] == pytest.approx(turned.volume, rel=0.005)


def support_by_rays(mesh: trimesh.Trimesh, step_mm: float) -> float:
    """Sum of the gaps under faces that look down flatter than 45 degrees, down to what lies below."""
    low, high = mesh.bounds
    x, y = np.meshgrid(
        np.arange(low[0], high[0], step_mm) + 0.123, np.arange(low[1], high[1], step_mm) + 0.077
    )
    origins = np.column_stack([x.ravel(), y.ravel(), np.full(x.size, -1.0)])
    caster = trimesh.ray.ray_pyembree.RayMeshIntersector(mesh)
    triangle, ray, place = caster.intersects_id(
        origins, np.tile([0, 0, 1.0], (len(origins), 1)), multiple_hits=True, return_locations=True
    )
    order = np.lexsort((place[:, 2], ray))
    triangle, ray, height = triangle[order], ray[order], place[order, 2]
    first = np.concatenate([[True], ray[1:] != ray[:-1]])
    below = np.where(first, 0.0, np.concatenate([[0.0], height[:-1]]))
    needs = mesh.face_normals[triangle][:, 2] < -np.cos(np.radians(45))
    return float(((height - below) * needs).sum() * step_mm**2)


def test_the_same_on_one_thread_and_two() -> None:
    import numba

    vertices, faces = arrays(trimesh.creation.icosphere(4, radius=20.0))
    ups = np.array([[0, 0, 1.0], [0.6, 0, 0.8], [0, 0.6, 0.8], [0.36, 0.48, 0.8]])
    heights = np.tile(np.linspace(-19, 0, 16), (4, 1))
    before = numba.get_num_threads()
    results = []
    for threads in {1, before}:
        numba.set_num_threads(threads)
        results.append(evaluate(Solid.of(vertices, faces), ups, heights, 0.5))
    numba.set_num_threads(before)
    for name in ("support_mm3", "volume_mm3", "base_mm2", "inside_mm"):
        assert len({getattr(r, name).tobytes() for r in results}) == 1
