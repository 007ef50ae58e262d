"""The inner wall against libigl's offset surface, as a ratio of times taken in one run.

    python benchmarks/hollow.py [--detail 7] [--wall 2]

`--detail` sets the size: a closed wavy ball of 20·4^detail triangles (7 gives 327,680). Ours, which includes
the tree of distances, is the least of three; `igl.offset_surface`, with 300 cells
and fast winding numbers, is run once. Another load on the machine moves both, so read the ratio. The
target is 5.
"""

from __future__ import annotations

import argparse
import time

import igl
import numpy as np
import trimesh
from fettlebox_steps.geometry.cavity import cell_for, inner_wall
from fettlebox_steps.geometry.distance import DistanceTree
from fettlebox_steps.geometry.hollowing import hollowed

TARGET = 5.0


def ball(detail: int) -> trimesh.Trimesh:
    """A closed ball of radius 60 mm, waved so that its inner wall is nowhere round."""
    mesh = trimesh.creation.icosphere(detail, radius=60.0)
    at = np.asarray(mesh.vertices)
    wave = np.sin(at[:, 0] / 6) * np.sin(at[:, 1] / 5) * np.cos(at[:, 2] / 7)
    mesh.vertices = at * (1 + 0.06 * wave[:, None])
    return mesh


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("--detail", type=int, default=7)
    asked.add_argument("--wall", type=float, default=2.0)
    given = asked.parse_args()
    mesh = ball(given.detail)
    vertices, faces = np.array(mesh.vertices), np.array(mesh.faces, np.int64)
    cell_mm = cell_for(vertices.min(axis=0), vertices.max(axis=0), given.wall)
    times, whole = [], []
    for run in range(4):
        start = time.perf_counter()
        tree = DistanceTree.of(vertices, faces)
        made = inner_wall(vertices, faces, tree, given.wall, 0.0, cell_mm)
        middle = time.perf_counter()
        done = hollowed(vertices, faces, tree, given.wall, cell_mm, 1.0)
        if run:  # the first compiles
            times.append(middle - start)
            whole.append(time.perf_counter() - middle)
    kind = igl.SIGNED_DISTANCE_TYPE_FAST_WINDING_NUMBER
    start = time.perf_counter()
    theirs = igl.offset_surface(vertices, faces, -given.wall, 300, kind)
    igl_s = time.perf_counter() - start
    print(f"{len(faces):,} triangles, wall {given.wall:g} mm, cells of {cell_mm:.3g} mm")
    rows = (
        ("inner wall", min(times), made.vertices, made.faces),
        ("igl.offset_surface", igl_s, np.asarray(theirs[0]), theirs[1]),
        ("inner wall, simplified and checked", min(whole), done.vertices, done.faces),
    )
    for name, seconds, points, triangles in rows:
        print(f"{name}: {seconds:.2f} s, {len(triangles):,} triangles, wall {tree.at(points).min():.4f} mm")
    print(f"ratio {igl_s / min(times):.1f} (target {TARGET:g}), of the whole {igl_s / min(whole):.1f}")


if __name__ == "__main__":
    main()
