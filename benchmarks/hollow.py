"""The inner wall against libigl's offset surface, as a ratio of times taken in one run.

    python benchmarks/hollow.py [--detail 8] [--wall 2] [--mesh FILE]

`--detail` sets the size: a closed wavy ball of 20·4^detail triangles (8 gives 1,310,720); `--mesh` takes a
closed surface instead. Ours, which includes the tree of distances, is the least of three; libigl's
`offset_surface`, with 300 cells and fast winding numbers, is run once. The inner wall is ours with the
proof that it is nowhere thinner than asked; the whole adds the search for crossings, small hollows, islands
and voids. libigl's is neither proven nor searched. Processor time of all threads is
compared, which another load on the machine moves least. The error of the wall is that of 100,000 places of
the inner wall, by libigl's distance. Targets: 5 for the whole, 10 for the inner wall alone, and 0.09 mm at
99 % for a wall of 2 mm.
"""

from __future__ import annotations

import argparse
import time

import igl
import numpy as np
import trimesh
from fettlebox_steps.geometry.cavity import cell_for
from fettlebox_steps.geometry.distance import DistanceTree
from fettlebox_steps.geometry.dual_wall import dual_wall
from fettlebox_steps.geometry.hollowing import hollowed
from rows import Row, ratio, spent, tell

TARGET, TARGET_INNER = 5.0, 10.0
SAMPLES = 100_000
THINNER_MM = 0.01
"""A wall that is thinner than asked by more than this is wrong."""


def cpu_s() -> float:
    """Processor time of this process, all threads."""
    return time.process_time()


def error_mm(
    vertices: np.ndarray, faces: np.ndarray, part: tuple[np.ndarray, np.ndarray], wall: float
) -> np.ndarray:
    """Least, middle, 99 % and largest of what the wall is thicker than asked."""
    inner = trimesh.Trimesh(vertices, faces, process=False)
    points, _ = trimesh.sample.sample_surface(inner, SAMPLES, seed=1)
    squared = igl.point_mesh_squared_distance(np.ascontiguousarray(points), *part)[0]
    return np.asarray(np.percentile(np.sqrt(squared) - wall, [0, 50, 99, 100]))


def ball(detail: int) -> trimesh.Trimesh:
    """A closed ball of radius 60 mm, waved so that its inner wall is nowhere round."""
    mesh = trimesh.creation.icosphere(detail, radius=60.0)
    at = np.asarray(mesh.vertices)
    wave = np.sin(at[:, 0] / 6) * np.sin(at[:, 1] / 5) * np.cos(at[:, 2] / 7)
    mesh.vertices = at * (1 + 0.06 * wave[:, None])
    return mesh


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("--detail", type=int, default=8)
    asked.add_argument("--wall", type=float, default=2.0)
    asked.add_argument("--mesh")
    given = asked.parse_args()
    mesh = trimesh.load_mesh(given.mesh) if given.mesh else ball(given.detail)
    vertices, faces = np.array(mesh.vertices), np.array(mesh.faces, np.int64)
    cell_mm = cell_for(vertices.min(axis=0), vertices.max(axis=0), given.wall)
    times, whole = [], []
    for run in range(4):
        start = cpu_s()
        tree = DistanceTree.of(vertices, faces)
        made = dual_wall(vertices, faces, tree, given.wall, cell_mm)
        alone_s = cpu_s() - start
        assert made is not None, "the wall could not be proven"
        own = spent(
            lambda: hollowed(vertices, faces, DistanceTree.of(vertices, faces), given.wall, cell_mm, 1.0)
        )
        if run:  # the first compiles
            times.append(alone_s)
            whole.append(own.cpu_s)
    done = own.made
    kind = igl.SIGNED_DISTANCE_TYPE_FAST_WINDING_NUMBER
    peer = spent(lambda: igl.offset_surface(vertices, faces, -given.wall, 300, kind))
    theirs, igl_s = peer.made, peer.cpu_s
    print(f"{len(faces):,} triangles, wall {given.wall:g} mm, cells of {cell_mm:.3g} mm")
    rows = (
        ("inner wall", min(times), made.vertices, made.faces),
        ("igl.offset_surface", igl_s, np.asarray(theirs[0]), theirs[1]),
        ("inner wall, checked and made into a part", min(whole), done.vertices, done.faces),
    )
    errors = []
    for name, seconds, points, triangles in rows:
        least, middle, most, largest = error_mm(points, triangles, (vertices, faces), given.wall)
        errors.append((least, most))
        print(
            f"{name}: {seconds:.2f} s, {len(triangles):,} triangles; thicker than asked by {least:.4f} mm ",
            end="",
        )
        print(f"at least, {middle:.4f} in the middle, {most:.4f} at 99 %, {largest:.4f} at most")
    print(f"ratio of the whole {igl_s / min(whole):.1f} (target {TARGET:g}), ", end="")
    print(f"of the inner wall alone {igl_s / min(times):.1f} (target {TARGET_INNER:g})")
    (ours_least, ours_most), (their_least, their_most) = errors[2], errors[1]
    tell(
        Row(
            f"hollow, wall {given.wall:g} mm", len(faces), "igl offset_surface",
            ratio(igl_s, min(whole)), ratio(peer.grown_mb, own.grown_mb),
            f"wall off by {ours_least:+.3f} … {ours_most:+.3f} mm (99 %), "
            f"theirs {their_least:+.3f} … {their_most:+.3f}",
            *("thinner than asked" if least < -THINNER_MM else "" for least in (ours_least, their_least)),
            target=TARGET,
        )
    )  # fmt: skip


if __name__ == "__main__":
    main()
