"""Closing raw scans: our rungs beside the library calls that a user would otherwise script.

    python benchmarks/closing.py [scan …] [--bound SECONDS]

Every way runs on every scan in a process of its own, one after the other in one run, so that seconds and
peak memory can be compared. Ratios mean something, seconds depend on the machine. The scans come with the
installed packages pymeshlab and pymeshfix, and are named `face000`, `bunny10k_textured`, `StanfordBunny`, or
are files. What takes more processor time than the bound is ended, and was of no use.
"""

from __future__ import annotations

import argparse
import importlib.util
import json
import resource
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from bounded import run
from numpy.typing import NDArray
from rows import Row, ratio, tell

Mesh = tuple[NDArray[np.float64], NDArray[np.int64]]

BOUND_S = 300.0
"""Processor seconds that a way may take of one scan: many times what the slowest of use needs."""

MEMORY_MB = 10_000.0

LIKENESS_EDGES = 0.06
"""Median edges from the scan within which 95 % of its vertices must lie, or the likeness is lost."""

HANGS_S = 600.0
"""After so many seconds a way is ended whatever processor time it had: before the whole run would be."""

CROSSING_SHARE = 1e-7
"""Of the diagonal: what passes less deep through another triangle may be rounding, ours or theirs."""

SUBJECT = 0.005
"""Pieces under this share of the surface are crumbs: whether they were kept is no matter of likeness."""


def shipped_scans() -> list[Path]:
    """A raw range scan of a head and two figurines, from packages that are installed."""
    wanted = [
        ("pymeshlab", "tests/sample_meshes/rangemaps/face000.ply"),
        ("pymeshlab", "tests/sample_meshes/bunny10k_textured.obj"),
        ("pymeshfix", "examples/StanfordBunny.ply"),
    ]
    found = []
    for package, path in wanted:
        spec = importlib.util.find_spec(package)
        if spec is not None and spec.origin is not None and (Path(spec.origin).parent / path).is_file():
            found.append(Path(spec.origin).parent / path)
    return found


def read(path: Path) -> Mesh:
    import trimesh

    mesh = trimesh.load(path, process=False, force="mesh")
    vertices, name = np.unique(np.asarray(mesh.vertices, np.float64), axis=0, return_inverse=True)
    return vertices, name.ravel()[np.asarray(mesh.faces, np.int64)]


def volumetric(vertices: NDArray[np.float64], faces: NDArray[np.int64]) -> Mesh:
    from fettlebox_steps.geometry.solids import keep_solid_bodies
    from fettlebox_steps.geometry.volumetric import cell_for, close_by_winding, follow_scan

    cell_mm = cell_for(vertices, faces)
    surface = close_by_winding(vertices, faces, cell_mm)
    return keep_solid_bodies(*follow_scan(surface, vertices, faces, cell_mm))[:2]


def _step(name: str, vertices: NDArray[np.float64], faces: NDArray[np.int64]) -> Mesh:
    from fettlebox.api import Origin, Part, StepContext
    from fettlebox.catalog import find_steps

    step = find_steps().steps[name]
    part = Part(vertices, faces.astype(np.int32))
    with tempfile.TemporaryDirectory() as scratch:
        context = StepContext(Origin("scan", "ply", "0" * 64), part, np.random.default_rng(0), Path(scratch))
        result = step(part, step.params(), context).part
    return np.array(result.vertices), np.array(result.faces, np.int64)


def repair_step(vertices: NDArray[np.float64], faces: NDArray[np.int64]) -> Mesh:
    return _step("repair", vertices, faces)


def rewrap_step(vertices: NDArray[np.float64], faces: NDArray[np.int64]) -> Mesh:
    return _step("rewrap", vertices, faces)


def _filtered(
    vertices: NDArray[np.float64], faces: NDArray[np.int64], *filters: tuple[str, dict[str, object]]
) -> Mesh:
    import pymeshlab

    meshes = pymeshlab.MeshSet()
    meshes.add_mesh(pymeshlab.Mesh(vertices, faces))
    for name, options in filters:
        given = {
            k: pymeshlab.PercentageValue(v) if k in ("alpha", "offset") else v for k, v in options.items()
        }
        meshes.apply_filter(name, **given)
    mesh = meshes.current_mesh()
    return np.array(mesh.vertex_matrix()), np.array(mesh.face_matrix(), np.int64)


def hole_closing(vertices: NDArray[np.float64], faces: NDArray[np.int64]) -> Mesh:
    return _filtered(
        vertices,
        faces,
        ("meshing_repair_non_manifold_edges", {}),
        ("meshing_repair_non_manifold_vertices", {}),
        ("meshing_close_holes", {"maxholesize": 100_000}),
    )


def screened_poisson(vertices: NDArray[np.float64], faces: NDArray[np.int64]) -> Mesh:
    return _filtered(
        vertices,
        faces,
        ("compute_normal_per_vertex", {}),
        ("generate_surface_reconstruction_screened_poisson", {"depth": 9, "preclean": True}),
    )


def alpha_wrap(vertices: NDArray[np.float64], faces: NDArray[np.int64]) -> Mesh:
    return _filtered(vertices, faces, ("generate_alpha_wrap", {"alpha": 0.5, "offset": 0.05}))


def fixing(vertices: NDArray[np.float64], faces: NDArray[np.int64]) -> Mesh:
    import pymeshfix

    fixer = pymeshfix.MeshFix(vertices, faces)
    fixer.repair()
    points = fixer.points if hasattr(fixer, "points") else fixer.v
    triangles = fixer.faces if hasattr(fixer, "faces") else fixer.f
    return np.array(points, np.float64), np.array(triangles, np.int64)


def offset_surface(vertices: NDArray[np.float64], faces: NDArray[np.int64]) -> Mesh:
    import igl

    result = igl.offset_surface(vertices, faces, 0.0, 300, igl.SIGNED_DISTANCE_TYPE_FAST_WINDING_NUMBER)
    return np.array(result[0]), np.array(result[1], np.int64)


WAYS: dict[str, Callable[[NDArray[np.float64], NDArray[np.int64]], Mesh]] = {
    "our volumetric rung": volumetric,
    "our repair step": repair_step,
    "our rewrap step": rewrap_step,
    "pymeshlab hole closing": hole_closing,
    "pymeshlab screened Poisson": screened_poisson,
    "pymeshlab alpha wrap": alpha_wrap,
    "pymeshfix": fixing,
    "igl offset by winding": offset_surface,
}


def subject(vertices: NDArray[np.float64], faces: NDArray[np.int64]) -> NDArray[np.float64]:
    """The vertices of all pieces but crumbs, by trimesh."""
    import trimesh

    mesh = trimesh.Trimesh(vertices, faces, process=False)
    pieces = trimesh.graph.connected_components(mesh.edges_unique, nodes=np.unique(faces))
    number = np.full(len(vertices), -1)
    for k, piece in enumerate(pieces):
        number[piece] = k
    area = np.bincount(number[faces[:, 0]], mesh.area_faces, len(pieces))
    return vertices[np.concatenate([pieces[k] for k in np.flatnonzero(area >= SUBJECT * area.sum())])]


def measured(way: str, path: Path) -> dict[str, object]:
    """Run one way on one scan here, and say how long it took and how good it is."""
    import igl
    import trimesh
    from fettlebox.mesh.overlaps import overlapping_faces

    vertices, faces = read(path)
    coarse = trimesh.creation.icosphere(2)
    if way.startswith("our "):  # compiled code is cached on disk; reading the cache is not the work
        WAYS[way](np.array(coarse.vertices), np.array(coarse.faces))
    before_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1000
    wall, busy = time.perf_counter(), time.process_time()
    new_vertices, new_faces = WAYS[way](vertices, faces)
    wall, busy = time.perf_counter() - wall, time.process_time() - busy
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1000
    mesh = trimesh.Trimesh(new_vertices, new_faces, process=False)
    squared = igl.point_mesh_squared_distance(
        subject(vertices, faces), np.ascontiguousarray(new_vertices), np.ascontiguousarray(new_faces)
    )[0]
    p95, p999, most = np.percentile(np.sqrt(squared), [95, 99.9, 100])
    tolerance = CROSSING_SHARE * float(np.linalg.norm(np.ptp(new_vertices, axis=0)))
    crossing = overlapping_faces(np.ascontiguousarray(new_vertices), new_faces.astype(np.int32), tolerance)
    return {
        "seconds": wall, "cpu": busy, "peak_mb": peak_mb, "grown_mb": peak_mb - before_mb,
        "triangles": len(new_faces), "closed": bool(mesh.is_watertight and mesh.is_winding_consistent),
        "crossings": int(crossing.sum()), "volume_cm3": mesh.volume / 1000,
        "p95": p95, "p999": p999, "max": most, "edge": _median_edge(vertices, faces),
    }  # fmt: skip


def _median_edge(vertices: NDArray[np.float64], faces: NDArray[np.int64]) -> float:
    return float(np.median(np.linalg.norm(vertices[faces[:, 0]] - vertices[faces[:, 1]], axis=1)))


def _lost(row: dict[str, Any]) -> str:
    """Why a result is of no use, however fast it came; empty if it is."""
    if row["trouble"]:
        return str(row["trouble"])
    if not row["closed"]:
        return "open"
    if row["crossings"]:
        return f"crossing itself in {row['crossings']} triangles"
    return "off the scan" if row["p95"] > LIKENESS_EDGES * row["edge"] else ""


def _place(name: str) -> Path:
    """A scan by the name of a shipped one, or a file."""
    return next((path for path in shipped_scans() if path.stem == name), Path(name))


def main() -> None:
    parser = argparse.ArgumentParser(description="Closing raw scans, ours beside library calls.")
    parser.add_argument("scans", nargs="*")
    parser.add_argument("--bound", type=float, default=BOUND_S, help="processor seconds of one way")
    parser.add_argument("--one", help=argparse.SUPPRESS)
    given = parser.parse_args()
    scans = [_place(name) for name in given.scans] or shipped_scans()
    if given.one:
        print(json.dumps(measured(given.one, scans[0]), default=float))
        return
    for path in scans:
        vertices, faces = read(path)
        edge = _median_edge(vertices, faces)
        print(f"\n{path.name}: {len(faces)} triangles, median edge {edge:.3f} (units of the file)")
        print(f"{'':28}{'wall s':>8}{'cpu s':>8}{'peak MB':>9}{'triangles':>11}{'closed':>8}", end="")
        print(f"{'crossings':>11}{'volume':>10}{'p95':>8}{'p99.9':>8}{'max':>8}  lost", flush=True)
        own: dict[str, Any] | None = None
        for way in WAYS:
            row = bounded_answer(way, path, given.bound)
            print(f"{way:28}{in_figures(row)}  {_lost(row)}", flush=True)
            if way == "our repair step":
                own = row
            elif own is not None and not way.startswith("our "):
                compare(path.stem, len(faces), own, way, row)


def bounded_answer(way: str, path: Path, bound_s: float) -> dict[str, Any]:
    """What `measured` says from a process of its own; "trouble" is why it says nothing, else empty."""
    command = [sys.executable, __file__, "--one", way, str(path)]
    # Elapsed time is that of the machine and its other work: it bounds only what hangs.
    ended = run(command, seconds=HANGS_S, memory_mb=MEMORY_MB, cpu_s=bound_s)
    if ended.trouble:
        return {"trouble": ended.trouble}
    return {"trouble": "", **json.loads(ended.said.strip().splitlines()[-1])}


def in_figures(row: dict[str, Any]) -> str:
    if row["trouble"]:
        return ""
    return (
        f"{row['seconds']:8.1f}{row['cpu']:8.1f}{row['peak_mb']:9.0f}{row['triangles']:11}"
        f"{'yes' if row['closed'] else 'no':>8}{row['crossings']:11}{row['volume_cm3']:10.2f}"
        f"{row['p95']:8.3f}{row['p999']:8.3f}{row['max']:8.3f}"
    )


def in_words(row: dict[str, Any]) -> str:
    if row["trouble"]:
        return "nothing"
    return (
        f"{'closed' if row['closed'] else 'open'}, {row['crossings']} crossing, 95 % within "
        f"{row['p95'] / row['edge']:.3f} edges, 99.9 % within {row['p999'] / row['edge']:.2f}"
    )


def compare(scan: str, triangles: int, own: dict[str, Any], way: str, row: dict[str, Any]) -> None:
    """Tell of our repair step beside a library call. What is unsound or far off is lost."""
    tell(
        Row(
            f"repair {scan}", triangles, way,
            ratio(row.get("cpu"), own.get("cpu")), ratio(row.get("grown_mb"), own.get("grown_mb")),
            f"{in_words(own)}; theirs: {in_words(row)}", _lost(own), _lost(row),
        )
    )  # fmt: skip


if __name__ == "__main__":
    main()
