"""A plinth under a bust, and text on a flat face, against the booleans of manifold3d, in one run.

    python benchmarks/plinth_and_text.py [--detail 7]

`--detail` sets the size: a closed ball of 20·4^detail triangles (7 gives 327,680). Each is the least of
three, interleaved; processor seconds, so that another load on the machine disturbs less. Both ways start from
arrays and end with arrays; the outline of the plinth, and for manifold3d the body to unite, are ready made.
"""

from __future__ import annotations

import argparse
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
from rows import Row, Spent, ratio, spent, tell

TOP_MM, HEIGHT_MM, DEPTH_MM, OVERLAP_MM = -55.0, 14.0, 0.8, 0.3
SAME = 1e-6


def boolean(one: Any, other: Any, *, add: bool) -> tuple[np.ndarray, np.ndarray]:
    """The library's way, from arrays to arrays."""
    bodies = [manifold3d.Manifold(manifold3d.Mesh64(v, f.astype(np.uint64))) for v, f in (one, other)]
    mesh = (bodies[0] + bodies[1] if add else bodies[0] - bodies[1]).to_mesh64()
    return np.array(mesh.vert_properties)[:, :3], np.array(mesh.tri_verts).astype(np.int64)


def least(ways: dict[str, Callable[[], Any]]) -> dict[str, Spent]:
    """Processor seconds and result of each way; the first round, which compiles, does not count."""
    found: dict[str, Spent] = {}
    for turn in range(4):
        for name, way in ways.items():
            run = spent(way)
            if turn and (name not in found or run.cpu_s < found[name].cpu_s):
                found[name] = run
    return found


def report(title: str, triangles: int, found: dict[str, Spent]) -> None:
    ours, theirs = (found[name] for name in ("ours", "manifold3d"))
    times = ratio(theirs.cpu_s, ours.cpu_s)
    print(f"{title}: ours {ours.cpu_s:.3f} s, manifold3d {theirs.cpu_s:.3f} s, ratio {times:.1f}")
    meshes = [trimesh.Trimesh(*way.made, process=False) for way in (ours, theirs)]
    apart = abs(meshes[0].volume / meshes[1].volume - 1)
    print(f"  volumes {meshes[0].volume:.4f} and {meshes[1].volume:.4f} mm3, apart {apart:.1e}")
    wrong = "" if meshes[0].is_watertight and apart < SAME else "open or of another volume"
    memory = ratio(theirs.grown_mb, ours.grown_mb)
    tell(Row(title, triangles, "manifold3d boolean", times, memory, f"volumes apart {apart:.0e}", wrong))


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
    report("plinth", len(faces), least(ways))

    vertices, faces = put_on_plinth()
    shape = lettered("LY-1041", font_file("bold"), 6.0)
    under = next(face for face in flat_faces(vertices, faces) if face.frame.normal[2] < -0.99)
    flat, triangles = prism(shape, -DEPTH_MM, OVERLAP_MM)
    tool = (under.frame.space(flat), triangles)
    ways = {
        "ours": lambda: raised(vertices, faces, under, under.frame, shape, -DEPTH_MM)[:2],
        "manifold3d": lambda: boolean((vertices, faces), tool, add=False),
    }
    report("text sunk into a flat face", len(faces), least(ways))


if __name__ == "__main__":
    main()
