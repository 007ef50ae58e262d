"""Reading and writing against other libraries, as ratios of times taken in one run.

    python benchmarks/formats.py [--side 895]

`--side` sets the size: a closed ball of about 2·side² triangles (895 gives 1.6 million). Every time is
the least of three; another load on the machine moves them all, so read the ratios. The first reading
and writing of each format is not counted: it loads the library.
"""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pymeshlab
import stl_reader
import trimesh
from fettlebox.mesh import Part, read_scan, write_part
from rows import Row, Spent, ratio, spent, tell

REPEATS = 3
TARGETS = {("read binary.stl", "trimesh"): 10.0, ("read binary.stl", "stl_reader"): 0.5}


def ball(side: int) -> Part:
    """A closed, slightly wavy ball of radius 50 mm, so that no two numbers are alike."""
    turn, tilt = np.meshgrid(np.arange(side) * 2 * np.pi / side, np.linspace(0.02, np.pi - 0.02, side))
    radius = 50 + np.sin(7 * turn) * np.sin(5 * tilt)
    points = radius[..., None] * np.stack(
        [np.cos(turn) * np.sin(tilt), np.sin(turn) * np.sin(tilt), np.cos(tilt)], axis=-1
    )
    row, column = np.meshgrid(np.arange(side - 1), np.arange(side), indexing="ij")
    a, b = row * side + column, row * side + (column + 1) % side
    quads = np.stack([a, a + side, b + side, b], axis=-1).reshape(-1, 4)
    poles = np.array([[0, 0, 55.0], [0, 0, -55.0]])
    rim = np.arange(side)
    top, last = side * side, (side - 1) * side
    caps = [
        np.stack([np.full(side, top), rim, (rim + 1) % side], axis=1),
        np.stack([np.full(side, top + 1), last + (rim + 1) % side, last + rim], axis=1),
    ]
    faces = np.concatenate([quads[:, :3], quads[:, [0, 2, 3]], *caps])
    return Part(np.concatenate([points.reshape(-1, 3), poles]), faces.astype(np.int32))


def least(work: Callable[[], object]) -> Spent:
    """The run of `REPEATS` that took the least time, after one that only warms up."""
    work()
    return min((spent(work) for _ in range(REPEATS)), key=lambda run: run.cpu_s)


def by_pymeshlab(path: Path) -> None:
    meshes = pymeshlab.MeshSet()
    meshes.load_new_mesh(str(path))
    meshes.current_mesh().vertex_matrix()
    meshes.current_mesh().face_matrix()


def readers(path: Path) -> dict[str, Callable[[], object]]:
    others: dict[str, Callable[[], object]] = {
        "trimesh": lambda: trimesh.load(path, force="mesh"),
    }
    if path.name == "binary.stl":
        others["stl_reader"] = lambda: stl_reader.read(str(path))
    if path.suffix not in (".glb", ".3mf"):
        others["pymeshlab"] = lambda: by_pymeshlab(path)
    return others


def by_trimesh(part: Part, path: Path) -> None:
    """Write from arrays, as we do: a mesh that was written before remembers its normals."""
    trimesh.Trimesh(part.vertices, part.faces, process=False).export(path)


def make_files(part: Part, folder: Path) -> list[Path]:
    mesh = trimesh.Trimesh(part.vertices, part.faces, process=False)
    files = []
    for name in ("binary.stl", "binary.ply", "part.3mf", "part.glb"):
        files.append(folder / name)
        write_part(part, files[-1])
    for name, kind in (("text.ply", {"encoding": "ascii"}), ("text.obj", {}), ("text.off", {})):
        files.append(folder / name)
        mesh.export(files[-1], **kind)
    files.append(folder / "text.stl")
    files[-1].write_text(trimesh.exchange.stl.export_stl_ascii(mesh))
    return files


def report(what: str, part: Part, path: Path, own: Spent, others: dict[str, Spent]) -> None:
    """Print and tell the times, and whether the file, read by us, holds the surface that we began with."""
    rest = "  ".join(
        f"{name} {run.cpu_s:.3f} s ({run.cpu_s / own.cpu_s:.1f}×)" for name, run in others.items()
    )
    print(f"{what:<18} fettlebox {own.cpu_s:.3f} s   {rest}", flush=True)
    came_back = read_scan(path).part
    counts = [(len(mesh.faces), len(mesh.vertices)) for mesh in (came_back, part)]
    quality = f"{counts[0][0]:,} triangles, {counts[0][1]:,} vertices"
    wrong = "" if counts[0] == counts[1] else "another surface"
    for name, run in others.items():
        tell(
            Row(
                what, len(part.faces), name,
                ratio(run.cpu_s, own.cpu_s), ratio(run.grown_mb, own.grown_mb),
                quality, wrong, target=TARGETS.get((what, name), 1.0),
            )
        )  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--side", type=int, default=895)
    part = ball(parser.parse_args().side)
    print(f"{len(part.faces)} triangles; in brackets, how many times as long as fettlebox")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for path in make_files(part, folder):
            others = {library: least(work) for library, work in readers(path).items()}
            report(f"read {path.name}", part, path, least(lambda path=path: read_scan(path)), others)
        for suffix in (".stl", ".ply", ".3mf", ".glb"):
            path = folder / f"out{suffix}"
            others = {"trimesh": least(lambda path=path: by_trimesh(part, path))}
            own = least(lambda path=path: write_part(part, path))  # last, so that ours is read back
            report(f"write {suffix}", part, path, own, others)


if __name__ == "__main__":
    main()
