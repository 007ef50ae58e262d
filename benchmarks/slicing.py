"""Layer outlines against trimesh's, as a ratio of times taken in one run.

    python benchmarks/slicing.py [--side 317] [--layers 600]

`--side` sets the size: a closed wavy ball of about 4·side² triangles (317 gives 400,000). Ours is the least
of three; trimesh's `section_multiplane`, which takes much longer, is run once. Processor time of all threads;
read the ratio. The target is 5.
"""

from __future__ import annotations

import argparse

import numpy as np
import trimesh
from fettlebox_steps.geometry.slicing import layer_heights, slice_layers
from rows import Row, ratio, spent, tell

TARGET = 5.0
SAME = 1e-6


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
    runs = [spent(lambda: slice_layers(vertices, faces, heights)) for _ in range(3)]
    best = min(runs, key=lambda run: run.cpu_s)
    ours = best.made
    peer = spent(lambda: mesh.section_multiplane([0, 0, 0], [0, 0, 1], heights))
    sections = peer.made
    area = sum(section.area for section in sections[:: len(sections) // 5] if section is not None)
    same = float(ours.layer_area_mm2[:: len(sections) // 5].sum())
    print(f"{len(faces):,} triangles, {len(heights)} layers, {len(ours.area_mm2):,} outlines")
    apart = abs(same / area - 1)
    print(f"ours {best.cpu_s:.3f} s, trimesh section_multiplane {peer.cpu_s:.2f} s")
    print(f"ratio {peer.cpu_s / best.cpu_s:.1f} (target {TARGET:g}); areas differ by {apart:.1e}")
    tell(
        Row(
            "layer outlines", len(faces), "trimesh section_multiplane",
            ratio(peer.cpu_s, best.cpu_s), ratio(peer.grown_mb, runs[0].grown_mb),
            f"areas apart {apart:.0e}", "" if apart < SAME else "another area", target=TARGET,
        )
    )  # fmt: skip


if __name__ == "__main__":
    main()
