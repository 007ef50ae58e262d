"""How fast and how good the search for a tilted cut is, against cutting and casting rays one plane at a time.

    python benchmarks/tilted_cut.py [TRIANGLES]

Prints seconds of the search, planes a second, and the same for `Manifold.trim_by_plane` with embree rays,
then the support of the chosen cut as both measure it, and that of the best of a dense search.
"""

from __future__ import annotations

import sys
import time

import manifold3d
import numpy as np
import trimesh
from expert import rays_support_mm3
from fettlebox_steps.geometry.cut_costs import Limits
from fettlebox_steps.geometry.cut_search import search, spread_directions
from fettlebox_steps.geometry.measures import volume_and_centroid
from fettlebox_steps.geometry.support_columns import Solid, evaluate
from numpy.typing import NDArray
from rows import Row, ratio, spent, tell

Floats = NDArray[np.float64]
KEEP = 0.995
"""So much that no cut does without support: of nothing, nobody can be within 5 %."""

WITHIN = 0.05
STEP_MM = 0.25
"""Rays stand closer than the columns of the search, so that their own error does not count."""


def figure(triangles: int) -> tuple[Floats, NDArray[np.int32]]:
    """A made-up bust 200 mm high: an egg with nose, ears and brow on a neck that widens below."""
    d, faces = ball(max(16, round(np.sqrt(triangles / 20))))
    x, y, z = d.T
    grow = 1 + 0.22 * np.exp(-((x / 0.13) ** 2 + ((z + 0.05) / 0.2) ** 2)) * (y < 0)
    for side in (-1.0, 1.0):
        grow += 0.3 * np.exp(-(((x - side) / 0.12) ** 2 + (y / 0.12) ** 2 + (z / 0.25) ** 2))
    points = d * grow[:, None] * [62.0, 78.0, 90.0]
    below = np.clip(-0.35 - z, 0, None)
    points[:, 2] -= 140 * below
    points[:, :2] *= (1 + 0.9 * np.clip(below - 0.35, 0, None))[:, None]
    return points, faces


def ball(across: int) -> tuple[Floats, NDArray[np.int32]]:
    """A unit ball of 20·across² triangles: every face of an icosahedron in across² of about one size."""
    twenty = trimesh.creation.icosahedron()
    a, b = np.meshgrid(np.arange(across + 1), np.arange(across + 1), indexing="ij")
    a, b = a[a + b <= across], b[a + b <= across]
    at = np.full((across + 2, across + 2), -1)
    at[a, b] = np.arange(len(a))
    up = np.stack([at[a, b], at[a + 1, b], at[a, b + 1]], axis=1)
    down = np.stack([at[a + 1, b], at[a + 1, b + 1], at[a, b + 1]], axis=1)
    small = np.concatenate([up[(up >= 0).all(axis=1)], down[(down >= 0).all(axis=1)]])
    shares = np.stack([across - a - b, a, b], axis=1) / across
    points = shares @ np.asarray(twenty.vertices)[np.asarray(twenty.faces)]
    faces = small[None] + len(a) * np.arange(20)[:, None, None]
    whole = trimesh.Trimesh(points.reshape(-1, 3), faces.reshape(-1, 3))  # joins the seams
    d = np.asarray(whole.vertices)
    return d / np.linalg.norm(d, axis=1)[:, None], np.asarray(whole.faces, dtype=np.int32)


def by_rays(solid: manifold3d.Manifold, up: Floats, height_mm: float) -> float:
    """Support in mm3 of one cut: exact trim, vertical rays, gaps under flat undersides."""
    kept = solid.trim_by_plane(tuple(up), height_mm).to_mesh64()
    mesh = trimesh.Trimesh(np.array(kept.vert_properties)[:, :3], np.array(kept.tri_verts), process=False)
    mesh.apply_transform(trimesh.geometry.align_vectors(up, [0, 0, 1]))
    return rays_support_mm3(np.asarray(mesh.vertices), np.asarray(mesh.faces), STEP_MM)


def main() -> None:
    vertices, faces = figure(int(sys.argv[1]) if len(sys.argv) > 1 else 400_000)
    volume_mm3, _ = volume_and_centroid(vertices, faces)
    low, high = vertices[:, 2].min(), vertices[:, 2].max()
    upper = vertices[vertices[:, 2] > high - 0.5 * (high - low)]
    limits = Limits(50.0, KEEP * volume_mm3, 100.0, upper, np.zeros((0, 3)), None, 6.0)
    search(vertices, faces, limits)  # compiles
    start = time.perf_counter()
    own = spent(lambda: search(vertices, faces, limits))
    seconds, found, used = time.perf_counter() - start, own.made, own.cpu_s
    print(
        f"{len(faces)} triangles: {seconds:.2f} s, {used:.2f} s of all cores, "
        f"{found.considered / seconds:.0f} planes a second"
    )
    solid = manifold3d.Manifold(manifold3d.Mesh64(vertices, faces.astype(np.uint64)))
    start = time.perf_counter()
    other = spent(lambda: [by_rays(solid, cut.up, cut.height_mm) for cut in found.best])
    rays = other.made
    peer = len(rays) / (time.perf_counter() - start)
    print(f"trim and rays: {peer:.2f} planes a second")
    for cut, ray in zip(found.best, rays, strict=True):
        print(f"tilt {cut.tilt_deg:.1f} deg: {cut.support_mm3 / 1000:.2f} cm3, by rays {ray / 1000:.2f} cm3")
    if found.level is not None:
        print(f"best level cut: {found.level.support_mm3 / 1000:.2f} cm3")
    dense_mm3 = dense_best(vertices, faces, limits)
    print(f"dense search: {dense_mm3 / 1000:.3f} cm3")
    over = found.best[0].support_mm3 / dense_mm3 - 1
    off = max(abs(cut.support_mm3 / ray - 1) for cut, ray in zip(found.best, rays, strict=True))
    tell(
        Row(
            "tilted cut, a plane", len(faces), "manifold3d trim and embree rays",
            ratio(other.cpu_s / len(rays), used / found.considered), None,
            f"{100 * over:+.1f} % on a dense search, rays differ by {100 * off:.1f} %",
            "more than 5 % off" if max(over, off) > WITHIN else "",
        )
    )  # fmt: skip


def dense_best(vertices: Floats, faces: NDArray[np.int32], limits: Limits) -> float:
    """Support in mm3 of the best of 2,600 directions with 240 heights each, on the part itself."""
    ups = spread_directions(limits.most_tilt_deg, 2600)
    best, solid = np.inf, Solid.of(vertices, faces)
    for some in np.array_split(ups, 40):
        along = vertices @ some.T
        low, high = along.min(axis=0), (limits.protected @ some.T).min(axis=0)
        room = high > low
        if room.any():
            heights = low[room, None] + (high - low)[room, None] * (np.arange(240) + 0.5) / 240
            found = evaluate(solid, some[room], heights, STEP_MM * 2)
            good = (found.volume_mm3 >= limits.least_mm3) & (found.base_mm2 >= limits.least_base_mm2)
            lean = np.degrees(np.arctan2(found.inside_mm, found.centre_mm))
            best = min(best, float(found.support_mm3[good & (lean >= limits.steady_deg)].min(initial=np.inf)))
    return best


if __name__ == "__main__":
    main()
