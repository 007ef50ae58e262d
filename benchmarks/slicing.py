"""Layer outlines against trimesh's, as a ratio of times taken in one run.

    python benchmarks/slicing.py [--side 317] [--layers 600]

`--side` sets the size: a closed wavy ball of about 4·side² triangles (317 gives 400,000). Ours is the least
of three; trimesh's `section_multiplane`, which takes much longer, is run once. Another load on the machine
moves both, so read the ratio. The target is 5.
"""

from __future__ import annotations

import argparse
import time

import numpy as np
import trimesh
from fettlebox_steps.geometry.slicing import layer_heights, slice_layers

TARGET = 5.0


def ball(side: int) -> trimesh.Trimesh:
    """A closed ball of radius 50 mm, waved so that layers have many outlines and hardly a number is alike."""
    mesh = trimesh.creation.uv_sphere(radius=50.0, count=[side, side])
    way = np.asarray(mesh.vertices) / 50.0
    radius = 50.0 + 3.0 * np.sin(9.0 * way @ np.array([1.0, 0.3, 0.2])) * np.sin(11.0 * way[:, 2])
    mesh.vertices = way * radius[:, None]
    return mesh


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("--side", type=int, default=317)
    asked.add_argument("--layers", type=int, default=600)
    given = asked.parse_args()
    mesh = ball(given.side)
    low, high = (float(z) for z in mesh.bounds[:, 2])
    heights = layer_heights(low, high, (high - low) / given.layers)
    vertices, faces = np.array(mesh.vertices), np.array(mesh.faces)
    slice_layers(vertices, faces, heights)
    times = []
    for _ in range(3):
        start = time.perf_counter()
        ours = slice_layers(vertices, faces, heights)
        times.append(time.perf_counter() - start)
    start = time.perf_counter()
    sections = mesh.section_multiplane([0, 0, 0], [0, 0, 1], heights)
    theirs = time.perf_counter() - start
    area = sum(section.area for section in sections[:: len(sections) // 5] if section is not None)
    same = float(ours.layer_area_mm2[:: len(sections) // 5].sum())
    print(f"{len(faces):,} triangles, {len(heights)} layers, {len(ours.area_mm2):,} outlines")
    print(f"ours {min(times):.3f} s, trimesh section_multiplane {theirs:.2f} s")
    print(f"ratio {theirs / min(times):.1f} (target {TARGET:g}); areas differ by {abs(same / area - 1):.1e}")


if __name__ == "__main__":
    main()
