"""Support by hand where a shape allows it, and by independent rays (embree) on scans."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import trimesh
from fettlebox_steps.geometry.overhang import Support, lean_deg, on_bed, support
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def union(*solids: trimesh.Trimesh) -> trimesh.Trimesh:
    return trimesh.boolean.union(list(solids), engine="manifold")


def box(x: float, y: float, z: float, at: tuple[float, float, float]) -> trimesh.Trimesh:
    """A box whose lowest corner is at a place."""
    made = trimesh.creation.box((x, y, z))
    made.apply_translation(np.array(at) + np.array([x, y, z]) / 2)
    return made


def measured(mesh: trimesh.Trimesh, beyond_deg: float = 45.0) -> Support:
    low, high = mesh.bounds[:, 2]
    return support(mesh.vertices, mesh.faces, beyond_deg, np.arange(low + 0.1, high, 0.2))


def test_a_ball() -> None:
    # The column under the lower half at distance p from the axis is r − √(r² − p²) high, out to p = r/√2.
    radius = 20.0
    edge = radius / np.sqrt(2)
    expected = 2 * np.pi * (radius * edge**2 / 2 - (radius**3 - (radius**2 - edge**2) ** 1.5) / 3)
    found = measured(trimesh.creation.icosphere(6, radius=radius))
    assert found.on_bed_mm3 == pytest.approx(expected, rel=0.02)
    assert found.on_part_mm3 == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize("beyond_deg", [30.0, 60.0])
def test_a_ball_for_another_angle(beyond_deg: float) -> None:
    # A ball leans out by more than β below −r·sin β, so out to p = r·cos β.
    radius = 20.0
    edge = radius * np.cos(np.radians(beyond_deg))
    expected = 2 * np.pi * (radius * edge**2 / 2 - (radius**3 - (radius**2 - edge**2) ** 1.5) / 3)
    found = measured(trimesh.creation.icosphere(6, radius=radius), beyond_deg)
    assert found.on_bed_mm3 == pytest.approx(expected, rel=0.03)


def test_a_beam_on_a_post() -> None:
    # A T: 40 × 10 less the post's 10 × 10 hangs 20 above the bed.
    found = measured(union(box(10, 10, 20, (15, 0, 0)), box(40, 10, 5, (0, 0, 20))))
    assert found.on_bed_mm3 == pytest.approx(300 * 20, rel=0.02)
    assert found.on_part_mm3 == pytest.approx(0.0, abs=60)
    assert found.on_bed_mm2[:99] == pytest.approx([300.0] * 99, rel=0.02)
    assert not found.on_bed_mm2[101:].any()


def test_a_mushroom_on_a_foot() -> None:
    """A cap of radius 15, 20 up, on a stem of 5 on a foot of 10 that is 4 high: half stands on the foot."""
    solids = []
    for radius, low, high in ((5.0, 0.0, 22.0), (15.0, 20.0, 25.0), (10.0, 0.0, 4.0)):
        made = trimesh.creation.cylinder(radius, high - low, sections=180)
        made.apply_translation([0, 0, (low + high) / 2])
        solids.append(made)
    found = measured(union(*solids))
    assert found.on_bed_mm3 == pytest.approx(np.pi * (15**2 - 10**2) * 20, rel=0.02)
    assert found.on_part_mm3 == pytest.approx(np.pi * (10**2 - 5**2) * 16, rel=0.02)


def test_the_areas_by_layer_come_to_the_volume(head: Callable[..., Any]) -> None:
    shape = head(4)
    found = measured(shape.mesh())
    assert found.on_bed_mm2.sum() * 0.2 == pytest.approx(found.on_bed_mm3, rel=0.01)
    assert found.on_part_mm2.sum() * 0.2 == pytest.approx(found.on_part_mm3, rel=0.05)


def test_how_far_faces_lean() -> None:
    mesh = box(10, 10, 10, (0, 0, 3))
    lean = lean_deg(np.asarray(mesh.vertices), np.asarray(mesh.faces, np.int32))
    assert sorted(lean) == pytest.approx([0.0] * 10 + [90.0] * 2, abs=1e-6)
    assert on_bed(np.asarray(mesh.vertices), np.asarray(mesh.faces, np.int32), 0.01).sum() == 2


def rays_support(mesh: trimesh.Trimesh, step_mm: float) -> tuple[float, float]:
    """Gaps under undersides flatter than 45 degrees: those down to the bed, those down to the part."""
    low, high = mesh.bounds
    x, y = np.meshgrid(
        np.arange(low[0], high[0], step_mm) + 0.123, np.arange(low[1], high[1], step_mm) + 0.077
    )
    origins = np.column_stack([x.ravel(), y.ravel(), np.full(x.size, low[2] - 1.0)])
    caster = trimesh.ray.ray_pyembree.RayMeshIntersector(mesh)
    triangle, ray, place = caster.intersects_id(
        origins, np.tile([0, 0, 1.0], (len(origins), 1)), multiple_hits=True, return_locations=True
    )
    order = np.lexsort((place[:, 2], ray))
    triangle, ray, height = triangle[order], ray[order], place[order, 2]
    first = np.concatenate([[True], ray[1:] != ray[:-1]])
    below = np.where(first, low[2], np.concatenate([[0.0], height[:-1]]))
    gap = (height - below) * (mesh.face_normals[triangle][:, 2] < -np.cos(np.radians(45))) * step_mm**2
    return float(gap[first].sum()), float(gap[~first].sum())


def test_against_rays(head: Callable[..., Any], textured_bunny: Path) -> None:
    import pymeshfix

    scan = trimesh.load(textured_bunny, process=True, force="mesh")
    fixer = pymeshfix.MeshFix(np.array(scan.vertices, float), np.array(scan.faces))
    fixer.repair()
    points = np.asarray(fixer.points, np.float64)
    bunny = trimesh.Trimesh(points * (60.0 / np.ptp(points, axis=0).max()), fixer.faces, process=False)
    for mesh in (head(5).mesh(), bunny):
        bed, part = rays_support(mesh, 0.3)
        found = measured(mesh)
        assert found.on_bed_mm3 == pytest.approx(bed, rel=0.05)
        assert found.on_part_mm3 == pytest.approx(part, rel=0.05, abs=0.01 * bed)


def test_inputs_stay_and_bytes_repeat(head: Callable[..., Any]) -> None:
    shape = head(3)
    before = shape.vertices.tobytes(), shape.faces.tobytes()
    one, two = measured(shape.mesh()), measured(shape.mesh())
    assert (one.on_bed_mm3, one.on_bed_mm2.tobytes()) == (two.on_bed_mm3, two.on_bed_mm2.tobytes())
    assert before == (shape.vertices.tobytes(), shape.faces.tobytes())
