"""Cutting a large part into pieces, against manifold3d's cut of the same planes, in one run.

    python benchmarks/split.py [--detail 7] [--mesh FILE]

The whole step (search, cuts, keys, numbers, pictures) and the cuts alone are compared with
`Manifold.split_by_plane` at the places that the step chose. Processor time of all threads; read the ratios.
Printed with them: by how much the pieces, with what was taken away, miss the part's volume, and how many
of them are sound.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from pathlib import Path

import manifold3d
import numpy as np
import trimesh
from fettlebox.api import Origin, Part, Printer, StepContext
from fettlebox.mesh.soundness import inspect
from fettlebox_steps.geometry.split_cutting import Block, sliced
from fettlebox_steps.split import Params, split
from rows import Row, ratio, spent, tell


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("--detail", type=int, default=7)
    asked.add_argument("--mesh")
    given = asked.parse_args()
    mesh = (
        trimesh.load_mesh(given.mesh)
        if given.mesh
        else trimesh.creation.icosphere(given.detail, radius=100.0)
    )
    part = Part(np.array(mesh.vertices), np.array(mesh.faces, np.int32))
    low, high = part.bounds
    room = tuple(float(side) for side in 0.7 * (high - low))
    with tempfile.TemporaryDirectory() as place:
        context = StepContext(
            Origin("toy", "stl", "0" * 64),
            part,
            np.random.default_rng(0),
            Path(place),
            Printer("bench", room),
        )
        split(part, Params(), context)  # the first run compiles
        start = time.process_time()
        result = split(part, Params(), context)
        whole = time.process_time() - start
    levels = np.array(sorted(cut["at_mm"] for cut in result.evidence["cuts"] if cut["across"] == "Z"))

    def by_manifold() -> list[manifold3d.Mesh64]:
        rest = manifold3d.Manifold(
            manifold3d.Mesh64(np.array(part.vertices), np.array(part.faces, np.uint64))
        )
        blocks = []
        for at in levels[::-1]:
            above, rest = rest.split_by_plane((0.0, 0.0, 1.0), float(at))
            blocks.append(above.to_mesh64())
        return [*blocks, rest.to_mesh64()]

    own = spent(lambda: sliced(Block(part.vertices, part.faces, None), 2, levels))
    other = spent(by_manifold)
    ours, cutting, theirs, peer = own.made, own.cpu_s, other.made, other.cpu_s
    print(f"{len(part.faces):,} triangles, {len(result.pieces)} pieces, {len(levels)} level cuts")
    print(f"whole step {whole:.2f} s; level cuts {cutting:.2f} s, ", end="")
    print(f"manifold3d's {peer:.2f} s: {cutting / peer:.1f} times as long")
    sound = sum(inspect(piece).sound for piece in result.pieces.values())
    missing_mm3 = result.evidence["volume_missing_mm3"]
    print(f"{sound} of {len(result.pieces)} pieces are sound; {missing_mm3:.3g} mm3 are missing")
    print(f"level blocks: {len(ours)} ours, {len(theirs)} theirs")
    unsound = len(result.pieces) - sound
    tell(
        Row(
            "split, level cuts", len(part.faces), "manifold3d split_by_plane",
            ratio(peer, cutting), ratio(other.grown_mb, own.grown_mb),
            f"{sound} of {len(result.pieces)} pieces sound, {missing_mm3:.1g} mm3 missing",
            f"unsound in {unsound} pieces" if unsound else "",
        )
    )  # fmt: skip


if __name__ == "__main__":
    main()
