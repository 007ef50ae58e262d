"""Shapes with planted bumps: those that `knockdown` was tuned on, and others that it was not.

Carved heads, blends of balls and rings, and scanned animals get seeded bumps, spikes and pits of known size,
and grain that is smoothed or not. Haired, scaly and furry ones count as textured.
"""

from __future__ import annotations

import importlib.util
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from bump_textures import TEXTURES
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]
ROOT = Path(__file__).resolve().parent.parent


def _from_path(name: str, path: Path) -> Any:
    spec = importlib.util.spec_from_file_location(name, path)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module


scans = _from_path("make_scans", ROOT / "inbox_example" / "make_scans.py")


@dataclass(frozen=True)
class Planted:
    """A shape with known bumps. `true` (n,3): the surface without bumps and grain."""

    name: str
    vertices: Floats
    faces: Ints
    true: Floats
    lift: Floats  # (n,) signed height of the bumps at each vertex, mm
    label: NDArray[np.int64]  # (n,) bump, -1 elsewhere
    heights: Floats
    radii: Floats
    textured: bool = False


@dataclass(frozen=True)
class Recipe:
    name: str
    make: Callable[[], tuple[Floats, Ints]]
    grain_mm: float
    smoothed: bool
    seed: int
    textured: bool = False
    bumps: int = 24


def head(step: float, **how: float) -> Callable[[], tuple[Floats, Ints]]:
    def make() -> tuple[Floats, Ints]:
        character = scans.Character(**how)
        # Half as fine and split once, which takes an eighth of the time; then pulled on to the surface.
        vertices, faces = split(*scans.polygonise(character, 2 * step))
        for _ in range(3):
            pull = scans.head(vertices, character)[:, None] * scans._gradient(vertices, character)
            vertices = vertices - 0.7 * pull
        keep = (vertices[:, 2] > -120)[faces].all(axis=1)
        return largest(vertices, faces[keep])

    return make


def blob(step: float, seed: int, balls: int, ring: float) -> Callable[[], tuple[Floats, Ints]]:
    """A blend of balls about a ring: smooth, with saddles, necks and knobs of 8 to 25 mm."""

    def make() -> tuple[Floats, Ints]:
        import igl

        rng = np.random.default_rng(seed)
        centres, sizes = rng.normal(0, 26, (balls, 3)), rng.uniform(8, 25, balls)

        def value(p: Floats) -> Floats:
            flat = np.hypot(p[:, 0], p[:, 1]) - ring
            solid = np.hypot(flat, p[:, 2]) - 11
            for centre, size in zip(centres, sizes, strict=True):
                solid = scans.blend(solid, np.linalg.norm(p - centre, axis=1) - size, 6)
            return np.asarray(solid)

        side = np.arange(-95, 95 + step, step)
        grid = np.stack(np.meshgrid(side, side, side, indexing="ij"), -1).transpose(2, 1, 0, 3).reshape(-1, 3)
        samples = np.concatenate([value(block) for block in np.array_split(grid, 20)])
        vertices, faces = igl.marching_cubes(samples, np.ascontiguousarray(grid), *[len(side)] * 3, 0.0)[:2]
        vertices, faces = np.asarray(vertices), np.asarray(faces)
        if _volume(vertices, faces) < 0:
            faces = faces[:, ::-1]
        return largest(vertices, faces)

    return make


def scaly(step: float, across: int = 13, high_mm: float = 1.2) -> Callable[[], tuple[Floats, Ints]]:
    """A ball covered with scales, 2·across about its middle: no scale is a scanner's doing."""

    def make() -> tuple[Floats, Ints]:
        import trimesh

        ball = trimesh.creation.icosphere(7 if step < 1.5 else 6, radius=60)
        p = np.asarray(ball.vertices)
        high, turn = np.arccos(np.clip(p[:, 2] / 60, -1, 1)) * 60, np.arctan2(p[:, 1], p[:, 0])
        wave = np.abs(np.sin(np.pi * across / 13 * high / 14)) * np.abs(np.sin(across * turn)) ** 0.7
        return p + p / 60 * (high_mm * wave)[:, None], np.asarray(ball.faces, np.int32)

    return make


def potato(subdivisions: int, seed: int) -> Callable[[], tuple[Floats, Ints]]:
    """A ball of 55 mm with dents and humps: cosines of random directions, up to six waves around."""

    def make() -> tuple[Floats, Ints]:
        import trimesh

        rng = np.random.default_rng(seed)
        ball = trimesh.creation.icosphere(subdivisions)
        p = np.asarray(ball.vertices)
        size = np.full(len(p), 55.0)
        for waves in range(1, 7):
            for way in rng.normal(size=(3, 3)):
                unit = way / np.linalg.norm(way)
                size += rng.normal(0, 4.0 / waves) * np.cos(waves * (p @ unit) + rng.uniform(0, 6))
        return p * size[:, None], np.asarray(ball.faces, np.int32)

    return make


def clad(
    texture: str, subdivisions: int, seed: int, pitch: float, high_mm: float, half: bool = False
) -> Callable[[], tuple[Floats, Ints]]:
    """A `potato` in a texture that repeats every `pitch` mm and is `high_mm` deep; `half`: only where X > 0,
    and over 10 mm less and less.
    """

    def make() -> tuple[Floats, Ints]:
        vertices, faces = potato(subdivisions, seed)()
        rng = np.random.default_rng(seed + 1)
        lift = high_mm * TEXTURES[texture](vertices, pitch, rng)
        if half:
            lift *= np.clip(vertices[:, 0] / 10, 0, 1)
        # Along the rays of the potato, which is all but round.
        unit = vertices / np.linalg.norm(vertices, axis=1)[:, None]
        return vertices + unit * lift[:, None], faces

    return make


def knot(step: float, thick: float) -> Callable[[], tuple[Floats, Ints]]:
    """A rope of radius `thick` in a trefoil."""
    return lambda: _tube(
        step,
        thick,
        1,
        lambda t: np.stack(
            [
                22 * (np.sin(t) + 2 * np.sin(2 * t)),
                22 * (np.cos(t) - 2 * np.cos(2 * t)),
                -24 * np.sin(3 * t),
            ],
            1,
        ),
    )


def wreath(step: float, thick: float) -> Callable[[], tuple[Floats, Ints]]:
    """A ring of 50 mm, of seven swellings."""
    return lambda: _tube(
        step, thick, 7, lambda t: np.stack([50 * np.cos(t), 50 * np.sin(t), 8 * np.sin(2 * t)], 1)
    )


def _tube(step: float, thick: float, swellings: int, line: Callable[[Floats], Floats]) -> tuple[Floats, Ints]:
    """Triangles of about `step` around a closed line, carried along without a twist but for the last join."""
    t = np.linspace(0, 2 * np.pi, 4001)[:-1]
    middle = line(t)
    length = np.linalg.norm(np.roll(middle, -1, axis=0) - middle, axis=1).sum()
    count, around = int(length / step), int(2 * np.pi * thick / step)
    t = np.arange(count) * 2 * np.pi / count
    middle = line(t)
    along = np.roll(middle, -1, axis=0) - np.roll(middle, 1, axis=0)
    along /= np.linalg.norm(along, axis=1)[:, None]
    side = np.zeros_like(along)
    side[0] = np.cross(along[0], [0.3, 0.5, 0.8])
    for k in range(count):
        carried = side[max(k - 1, 0)]
        side[k] = carried - along[k] * (carried @ along[k])
        side[k] /= np.linalg.norm(side[k])
    end = side[-1] - along[0] * (side[-1] @ along[0])
    twist = np.arctan2(np.cross(side[0], end) @ along[0], side[0] @ end)
    angle = np.arange(around) * 2 * np.pi / around
    angle = angle[None, :] - (twist * t / (2 * np.pi))[:, None]
    size = thick * (1 + 0.15 * np.cos(swellings * t))[:, None, None] if swellings > 1 else thick
    other = np.cross(along, side)
    points = middle[:, None] + size * (
        np.cos(angle)[..., None] * side[:, None] + np.sin(angle)[..., None] * other[:, None]
    )
    i, j = np.meshgrid(np.arange(count), np.arange(around), indexing="ij")
    a, b = i * around + j, (i + 1) % count * around + j
    c, d = (i + 1) % count * around + (j + 1) % around, i * around + (j + 1) % around
    faces = np.concatenate([np.stack([a, b, c], -1), np.stack([a, c, d], -1)]).reshape(-1, 3)
    vertices = points.reshape(-1, 3)
    faces = faces if _volume(vertices, faces) > 0 else faces[:, ::-1]
    return vertices, np.ascontiguousarray(faces, np.int32)


def packaged(package: str, *parts: str, size_mm: float) -> Callable[[], tuple[Floats, Ints]]:
    def make() -> tuple[Floats, Ints]:
        import trimesh

        spec = importlib.util.find_spec(package)
        assert spec is not None and spec.origin is not None
        mesh = trimesh.load(Path(spec.origin).parent.joinpath(*parts), process=True, force="mesh")
        vertices = np.asarray(mesh.vertices, np.float64)
        return largest(vertices * size_mm / np.ptp(vertices, axis=0).max(), np.asarray(mesh.faces))

    return make


def split(vertices: Floats, faces: NDArray[Any]) -> tuple[Floats, NDArray[Any]]:
    """Every triangle in four."""
    import trimesh

    finer = trimesh.remesh.subdivide(vertices, faces)
    return np.asarray(finer[0]), np.asarray(finer[1])


def largest(vertices: Floats, faces: NDArray[Any]) -> tuple[Floats, Ints]:
    """The largest connected piece, without loose vertices."""
    from fettlebox_steps.geometry.topology import components

    faces = np.asarray(faces, np.int32)
    _, labels = components(faces, len(vertices))
    kept = faces[labels == np.bincount(labels).argmax()]
    used, inverse = np.unique(kept, return_inverse=True)
    return np.ascontiguousarray(vertices[used]), inverse.reshape(-1, 3).astype(np.int32)


def _volume(vertices: Floats, faces: NDArray[Any]) -> float:
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    return float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6)


def plant(recipe: Recipe, *, bumps: int | None = None, shape: tuple[Floats, Ints] | None = None) -> Planted:
    """Bumps with heights of 0.5 to 2 mm and radii of 1.5 to 4 mm, one in four a pit, and grain over all."""
    from fettlebox_steps.geometry import smoothing
    from fettlebox_steps.geometry.surface_links import links_of
    from scipy.spatial import cKDTree

    vertices, faces = shape if shape is not None else recipe.make()
    normal = smoothing.vertex_normals(vertices, faces)
    rng = np.random.default_rng(recipe.seed)
    rim = links_of(faces, len(vertices)).rim
    near_rim = (
        cKDTree(vertices[rim]).query(vertices)[0] < 8 if rim.any() else np.zeros(len(vertices), np.bool_)
    )
    tree = cKDTree(vertices)
    edge = smoothing.typical_edge(vertices, faces)
    lift, label = np.zeros(len(vertices)), np.full(len(vertices), -1)
    heights: list[float] = []
    radii: list[float] = []
    centres: list[Floats] = []
    count = recipe.bumps if bumps is None else bumps
    for _ in range(8000):
        if len(heights) >= count:
            break
        at = int(rng.integers(len(vertices)))
        radius, height = rng.uniform(1.5, 4.0), rng.uniform(0.5, 2.0) * (-1 if rng.random() < 0.25 else 1)
        radius = max(radius, 1.2 * edge)
        if near_rim[at] or any(np.linalg.norm(vertices[at] - c) < 14 for c in centres):
            continue
        ids = np.array(tree.query_ball_point(vertices[at], radius))
        ids = ids[normal[ids] @ normal[at] > 0.3]
        if len(ids) < 3:
            continue
        d = np.linalg.norm(vertices[ids] - vertices[at], axis=1) / radius
        profile = (1 - d**2) ** 2 if rng.random() < 0.5 else np.exp(-((2 * d) ** 2)) * (1 - d**4)
        lift[ids] += height * profile
        label[ids] = len(heights)
        heights.append(height)
        radii.append(radius)
        centres.append(vertices[at])
    spoiled = vertices + normal * (lift + rng.normal(0, recipe.grain_mm, len(vertices)))[:, None]
    if recipe.smoothed:
        spoiled = smoothed(spoiled, faces)
    return Planted(
        recipe.name,
        spoiled,
        faces,
        vertices,
        lift,
        label,
        np.array(heights),
        np.array(radii),
        recipe.textured,
    )


def smoothed(vertices: Floats, faces: Ints) -> Floats:
    """As the step `smooth` leaves it."""
    from fettlebox.api import Part
    from fettlebox_steps.smooth import Params, smooth

    return np.asarray(smooth.run(Part(vertices, faces), Params(), _no_context()).part.vertices)


def _no_context() -> Any:
    from fettlebox.api import Origin, Part, StepContext

    nothing = Part(np.zeros((0, 3)), np.zeros((0, 3), np.int32))
    return StepContext(Origin("planted", "ply", ""), nothing, np.random.default_rng(0), Path())
