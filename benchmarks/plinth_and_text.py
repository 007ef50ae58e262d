"""A plinth under a bust, and text on a flat face, against the booleans of manifold3d, in one run.

    python benchmarks/plinth_and_text.py [--detail 7]

`--detail` sets the size: a closed ball of 20·4^detail triangles (7 gives 327,680). Each is the least of
three, interleaved; processor seconds, so that another load on the machine disturbs less. Both ways start from
arrays and end with arrays; the outline of the plinth, and for manifold3d the body to unite, are ready made.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from typing import Any

import manifold3d
import numpy as np
import trimesh
from fettlebox_steps.geometry.flat_places import flat_faces
from fettlebox_steps.geometry.lettering import font_file, lettered
from fettlebox_steps.geometry.plinth_joining import cut_at, joined
from fettlebox_steps.geometry.plinth_shapes import footprint, outline
from fettlebox_steps.geometry.prisms import prism
from fettlebox_steps.geometry.raised_faces import raised

TOP_MM, HEIGHT_MM, DEPTH_MM, OVERLAP_MM = -55.0, 14.0, 0.8, 0.3


def boolean(one: Any, other: Any, *, add: bool) -> tuple[np.ndarray, np.ndarray]:
    """The library's way, from arrays to arrays."""
    bodies = [manifold3d.Manifold(manifold3d.Mesh64(v, f.astype(np.uint64))) for v, f in (one, other)]
    mesh = (bodies[0] + bodies[1] if add else bodies[0] - bodies[1]).to_mesh64()
    return np.array(mesh.vert_properties)[:, :3], np.array(mesh.tri_verts).astype(np.int64)


def least(ways: dict[str, Callable[[], Any]]) -> dict[str, tuple[float, Any]]:
    """Processor seconds and result of each way; the first round, which compiles, does not count."""
    found: dict[str, tuple[float, Any]] = {}
    for turn in range(4):
        for name, way in ways.items():
            start = time.process_time()
            made = way()
            seconds = time.process_time() - start
            if turn and seconds < found.get(name, (np.inf, None))[0]:
                found[name] = (seconds, made)
    return found


def report(title: str, found: dict[str, tuple[float, Any]]) -> None:
    ours, theirs = (found[name] for name in ("ours", "manifold3d"))
    print(f"{title}: ours {ours[0]:.3f} s, manifold3d {theirs[0]:.3f} s, ratio {theirs[0] / ours[0]:.1f}")
    volumes = [trimesh.Trimesh(*made, process=False).volume for _, made in (ours, theirs)]
    print(
        f"  volumes {volumes[0]:.4f} and {volumes[1]:.4f} mm3, apart {abs(volumes[0] / volumes[1] - 1):.1e}"
    )


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("--detail", type=int, default=7)
    given = asked.parse_args()
    mesh = trimesh.creation.icosphere(given.detail, radius=60.0)
    vertices, faces = np.array(mesh.vertices), np.array(mesh.faces, np.int32)
    print(f"{len(faces):,} triangles")

    _, lower = cut_at(vertices, faces, TOP_MM)
    around = outline("round", footprint(lower), 5.0, (np.zeros(2), 0.0))
    alone = prism(around, TOP_MM - HEIGHT_MM, TOP_MM)

    def put_on_plinth() -> Any:
        above, _ = cut_at(vertices, faces, TOP_MM)
        made = joined(above, around, TOP_MM, HEIGHT_MM, 0.0)
        return made.vertices, made.faces

    ways = {"ours": put_on_plinth, "manifold3d": lambda: boolean((vertices, faces), alone, add=True)}
    report("plinth", least(ways))

    vertices, faces = put_on_plinth()
    shape = lettered("LY-1041", font_file("bold"), 6.0)
    under = next(face for face in flat_faces(vertices, faces) if face.frame.normal[2] < -0.99)
    flat, triangles = prism(shape, -DEPTH_MM, OVERLAP_MM)
    tool = (under.frame.space(flat), triangles)
    ways = {
        "ours": lambda: raised(vertices, faces, under, under.frame, shape, -DEPTH_MM)[:2],
        "manifold3d": lambda: boolean((vertices, faces), tool, add=False),
    }
    report("text sunk into a flat face", least(ways))


if __name__ == "__main__":
    main()
