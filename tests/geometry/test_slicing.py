"""Layers against closed forms (CRC Standard Mathematical Tables), Cavalieri, trimesh and shapely."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
import trimesh
from fettlebox_steps.geometry.slicing import Layers, layer_heights, slice_layers
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Arrays = tuple[Floats, NDArray[np.int64]]


def arrays(mesh: trimesh.Trimesh) -> Arrays:
    return np.array(mesh.vertices, np.float64), np.array(mesh.faces, np.int64)


def cut(mesh: trimesh.Trimesh, *height: float) -> Layers:
    return slice_layers(*arrays(mesh), np.array(height))


def region(outlines: list[Floats]) -> Any:
    """What winds round at least once, by shapely."""
    rings = sorted((shapely.Polygon(ring) for ring in outlines), key=lambda one: -one.area)
    signs = [shapely.LinearRing(outline).is_ccw for outline in outlines]
    solid = shapely.unary_union([shapely.Polygon(o) for o, ccw in zip(outlines, signs, strict=True) if ccw])
    holes = shapely.unary_union(
        [shapely.Polygon(o) for o, ccw in zip(outlines, signs, strict=True) if not ccw]
    )
    assert len(rings) == len(outlines)
    return solid.difference(holes)


def test_sphere() -> None:
    # The circle at height z has the area π(r² − z²).
    heights = np.linspace(-29.5, 29.5, 60)
    found = cut(trimesh.creation.icosphere(6, radius=30.0), *heights)
    np.testing.assert_allclose(found.layer_area_mm2, np.pi * (900 - heights**2), rtol=2e-3, atol=0.2)


def test_cone() -> None:
    # Similar to the base, in the ratio of the distances from the tip.
    cone = trimesh.creation.cone(radius=20.0, height=50.0, sections=720)
    heights = np.array([0.1, 10.0, 25.0, 49.0])
    expected = np.pi * 400 * (1 - heights / 50) ** 2
    np.testing.assert_allclose(cut(cone, *heights).layer_area_mm2, expected, rtol=1e-4)


def test_torus_has_a_hole_in_it() -> None:
    # Across its axis: a ring between R ± √(r² − z²), so its area is 4πR√(r² − z²); along it: two pieces.
    torus = trimesh.creation.torus(40.0, 14.0, major_sections=360, minor_sections=180)
    heights = np.array([-12.0, 0.5, 9.0])
    found = cut(torus, *heights)
    np.testing.assert_allclose(found.layer_area_mm2, 4 * np.pi * 40 * np.sqrt(196 - heights**2), rtol=1e-3)
    for k in range(3):
        areas = found.area_mm2[found.layers[k] : found.layers[k + 1]]
        assert sorted(np.sign(areas)) == [-1, 1]
    torus.apply_transform(trimesh.transformations.rotation_matrix(np.pi / 2, [1, 0, 0]))
    upright = cut(torus, 0.3)
    assert len(upright.area_mm2) == 2 and (upright.area_mm2 > 0).all()
    assert upright.layer_area_mm2[0] == pytest.approx(2 * np.pi * 196, rel=2e-3)


def test_cube_on_its_corner_is_cut_in_a_regular_hexagon() -> None:
    # Halfway up, the hexagon has sides a/√2: area 3√3/4·a².
    cube = trimesh.creation.box((10.0, 10.0, 10.0))
    cube.apply_transform(trimesh.geometry.align_vectors([1, 1, 1], [0, 0, 1]))
    assert cut(cube, 0.0).layer_area_mm2[0] == pytest.approx(3 * np.sqrt(3) / 4 * 100, rel=1e-9)
    # A third of the way, an equilateral triangle of side a√2: area √3/2·a².
    third = -np.sqrt(3) * 10 / 6
    assert cut(cube, third).layer_area_mm2[0] == pytest.approx(np.sqrt(3) / 2 * 100, rel=1e-6)


@pytest.mark.parametrize("height", [0.0, -5.0, 5.0, -2.5, 2.5])
def test_planes_through_vertices_and_faces_close(height: float) -> None:
    cube = trimesh.creation.box((10.0, 10.0, 10.0)).subdivide().subdivide()
    found = cut(cube, height)
    # A plane counts as just below the vertices it meets: the floor is not yet met, the lid still is.
    assert found.layer_area_mm2[0] == pytest.approx(0.0 if height == -5.0 else 100.0)


def test_tips_that_just_reach_a_plane_leave_nothing() -> None:
    cone = trimesh.creation.cone(radius=5.0, height=10.0)
    assert len(cut(cone, 10.0).area_mm2) == 0
    assert len(cut(cone, 11.0).points) == 0


def test_cavalieri(head: Callable[..., Any]) -> None:
    """Area times height comes to the volume as the layers get thinner, and errs less each time."""
    shape = head(5)
    low, high = shape.vertices[:, 2].min(), shape.vertices[:, 2].max()
    wrong = []
    for layer_mm in (8.0, 2.0, 0.5, 0.1):
        found = slice_layers(shape.vertices, shape.faces, layer_heights(low, high, layer_mm))
        wrong.append(abs(found.layer_area_mm2.sum() * layer_mm / shape.volume_mm3 - 1))
    assert wrong[0] < 0.02 and wrong[2] < 2e-4 and wrong[3] < 2e-5


def procedural() -> list[tuple[str, trimesh.Trimesh]]:
    rng = np.random.default_rng(7)
    make = trimesh.creation
    found = [
        ("box", make.box((10, 20, 30))), ("cylinder", make.cylinder(8, 20)), ("capsule", make.capsule(20, 6)),
        ("cone", make.cone(9, 22)), ("annulus", make.annulus(5, 11, 14)), ("torus", make.torus(12, 4)),
        ("icosahedron", make.icosahedron()), ("ball", make.icosphere(3, 9)), ("globe", make.uv_sphere(9)),
    ]  # fmt: skip
    for seed in range(6):
        turn = trimesh.transformations.random_rotation_matrix(rng.random(3))
        solid = trimesh.boolean.difference(
            [make.box((20, 20, 20)), make.icosphere(2, radius=11), make.cylinder(3, 40)], engine="manifold"
        )
        solid.apply_transform(turn)
        found.append((f"frame {seed}", solid))
    for seed in range(5):
        ball = make.icosphere(4, radius=20)
        ball.vertices *= 1 + 0.3 * np.sin(ball.vertices @ rng.normal(0, 0.2, (3, 4))).sum(axis=1)[:, None] / 4
        found.append((f"lump {seed}", ball))
    return found


def compared(mesh: trimesh.Trimesh) -> None:
    low, high = mesh.bounds[:, 2]
    heights = low + (high - low) * np.array([0.013, 0.21, 0.477, 0.739, 0.981])
    mine = cut(mesh, *heights)
    for k, height in enumerate(heights):
        theirs = mesh.section(plane_origin=[0, 0, height], plane_normal=[0, 0, 1])
        expected = shapely.Polygon()
        for loop in theirs.discrete:
            expected = expected.symmetric_difference(shapely.Polygon(loop[:, :2]).buffer(0))
        found = region(mine.layer(k))
        assert found.area == pytest.approx(expected.area, rel=1e-6)
        assert mine.layer_area_mm2[k] == pytest.approx(expected.area, rel=1e-6)
        assert found.symmetric_difference(expected).area < 1e-6 * expected.area + 1e-9
        outer = [o for o in mine.layer(k) if shapely.LinearRing(o).is_ccw]
        assert len(outer) == len(getattr(expected, "geoms", [expected]))


@pytest.mark.parametrize(("name", "mesh"), procedural(), ids=[name for name, _ in procedural()])
def test_agrees_with_trimesh_and_shapely(name: str, mesh: trimesh.Trimesh) -> None:
    compared(mesh)


SAMPLES = Path("tests", "sample_meshes")
REAL = [
    ("pymeshlab", SAMPLES / "bunny10k_textured.obj"),
    ("pymeshlab", SAMPLES / "bone.ply"),
    ("pymeshlab", SAMPLES / "cow.obj"),
    ("pymeshlab", SAMPLES / "airplane.obj"),
    ("pymeshfix", Path("examples", "StanfordBunny.ply")),
    ("", Path("miller.ply")),
]
"""Scans and models that ship in packages, and a head of the example inbox; each in four positions."""


@pytest.mark.parametrize(("package", "path"), REAL, ids=[path.stem for _, path in REAL])
def test_agrees_on_real_meshes(package: str, path: Path) -> None:
    import importlib.util

    import pymeshfix

    place = Path(__file__).resolve().parents[2] / "inbox_example" / "inbox"
    if package:
        spec = importlib.util.find_spec(package)
        assert spec is not None and spec.origin is not None
        place = Path(spec.origin).parent
    scan = trimesh.load(place / path, process=True, force="mesh")
    fixer = pymeshfix.MeshFix(np.array(scan.vertices, float), np.array(scan.faces))
    fixer.repair()
    points = np.asarray(fixer.points) * (100.0 / np.ptp(np.asarray(fixer.points), axis=0).max())
    closed = trimesh.Trimesh(points, np.asarray(fixer.faces), process=False)
    rng = np.random.default_rng(len(points))
    for turn in (
        np.eye(4),
        *(trimesh.transformations.random_rotation_matrix(rng.random(3)) for _ in range(3)),
    ):
        turned = closed.copy()
        turned.apply_transform(turn)
        compared(turned)


def test_an_open_surface_is_refused() -> None:
    vertices, faces = arrays(trimesh.creation.icosphere(2))
    with pytest.raises(ValueError, match="not closed: 3 edges"):
        slice_layers(vertices, faces[1:], [0.0])
    with pytest.raises(ValueError, match="rise"):
        slice_layers(vertices, faces, [0.0, 0.0])


def test_nothing_to_cut() -> None:
    assert len(slice_layers(np.zeros((0, 3)), np.zeros((0, 3), int), [0.0, 1.0]).layer_area_mm2) == 2


def test_layers_are_counted_without_rounding() -> None:
    assert len(layer_heights(0.0, 20.0, 0.2)) == 100
    assert len(layer_heights(0.0, 0.6, 0.2)) == 3
    assert len(layer_heights(0.0, 20.05, 0.2)) == 100
    assert len(layer_heights(0.0, 20.15, 0.2)) == 101
    assert len(layer_heights(0.0, 0.05, 0.2)) == 1
    assert layer_heights(1.0, 2.0, 0.5) == pytest.approx([1.25, 1.75])


def test_inputs_stay_and_bytes_repeat_on_any_number_of_threads(head: Callable[..., Any]) -> None:
    import numba

    shape = head(4)
    before = shape.vertices.tobytes(), shape.faces.tobytes()
    heights = layer_heights(shape.vertices[:, 2].min(), shape.vertices[:, 2].max(), 0.5)
    usual = numba.get_num_threads()
    found = []
    for threads in (1, usual, usual):
        numba.set_num_threads(threads)
        made = slice_layers(shape.vertices, shape.faces, heights)
        found.append((made.points.tobytes(), made.outlines.tobytes(), made.area_mm2.tobytes()))
    numba.set_num_threads(usual)
    assert len(set(found)) == 1
    assert before == (shape.vertices.tobytes(), shape.faces.tobytes())
