"""Raw scans of any number of triangles, with the truth beneath them: what benchmarks work on.

The heads of `inbox_example/make_scans.py`, made finer by halving edges and pulling the new points on to the
shape, then spoiled as there: grain, a ragged rim, holes, bumps, crumbs. Grain is a share of the edge, as
finer scanners have less of it. A scan is made once and kept in `build/benchmarks/scans`.
"""

from __future__ import annotations

import importlib.util
import os
import sys
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

ROOT = Path(__file__).resolve().parents[1]
KEPT = ROOT / "build" / "benchmarks" / "scans"
GRAIN_OF_EDGE = 0.06
TRIANGLES_MM2 = 446_000.0
"""Triangles of a head times the square of their edge in mm, as its surface makes them (measured)."""

FURTHEST = 0.1
"""Height of an arc of an eighth of a circle over its chord, as a share of that: no edge bends by more."""

FIGURINE = 0.4
"""A figurine is a head this large: 100 mm high."""

KINDS = ("head", "figurine", "relief")
REAL = {
    "face": ("pymeshlab", "tests/sample_meshes/rangemaps/face000.ply", 1.0),
    "bunny": ("pymeshfix", "examples/StanfordBunny.ply", 2.0),
}
"""Real scans in installed packages: package, file, mm of a unit of the file (the figurine is 100 mm high)."""

LEAST_PIECE = 0.02


@dataclass(frozen=True)
class RawScan:
    """scan: a PLY in mm. truth: vertices (n,3), faces (m,3) of the clean surface, in the scan's numbers;
    `made_up`: with Z up.
    """

    scan: Path
    truth: Path
    triangles: int
    made_up: bool = True

    def height_mm(self) -> tuple[float, float]:
        """From where to where along Z the scan reaches, its crumbs left out."""
        import trimesh

        pieces = trimesh.load_mesh(self.scan).split(only_watertight=False)
        low, high = max(pieces, key=lambda piece: len(piece.faces)).bounds[:, 2]
        return float(low), float(high)

    def true_surface(self) -> tuple[Floats, Ints]:
        with np.load(self.truth) as kept:
            return kept["vertices"].astype(np.float64), kept["faces"].astype(np.int64)


def raw_scan(kind: str, triangles: int) -> RawScan:
    """A scan of one of `KINDS` with about as many triangles (within a few percent)."""
    if kind not in KINDS:
        raise ValueError(f"{kind!r} is none of {', '.join(KINDS)}")
    scan, truth = (KEPT / f"{kind}-{triangles}.{ending}" for ending in ("ply", "npz"))
    if not (scan.is_file() and truth.is_file()):
        _make(kind, triangles, scan, truth)
    return RawScan(scan, truth, _count(scan))


def real_scan(name: str) -> RawScan:
    """One of `REAL`, in mm. Its truth is the scan itself without its crumbs, grain and all."""
    import trimesh

    package, path, mm = REAL[name]
    spec = importlib.util.find_spec(package)
    assert spec is not None and spec.origin is not None
    mesh = trimesh.load_mesh(Path(spec.origin).parent / path)
    vertices, faces = np.asarray(mesh.vertices) * mm, np.asarray(mesh.faces, np.int64)
    scan, truth = KEPT / f"{name}.ply", KEPT / f"{name}.npz"
    KEPT.mkdir(parents=True, exist_ok=True)
    with _whole(scan) as place:
        _shapes().write_ply(place, vertices, faces)
    pieces = trimesh.graph.connected_components(mesh.face_adjacency, nodes=np.arange(len(faces)))
    large = np.concatenate([piece for piece in pieces if len(piece) >= LEAST_PIECE * len(faces)])
    with _whole(truth) as place, place.open("wb") as file:
        np.savez(file, vertices=vertices, faces=faces[large])
    return RawScan(scan, truth, len(faces), made_up=False)


def _make(kind: str, triangles: int, scan: Path, truth: Path) -> None:
    shapes = _shapes()
    king = shapes.Character(nose=26, beard=12, crown=22, brow=11, hair=2.0, ears=0.9)
    wanted = triangles * (2.7 if kind == "relief" else 1.0)
    edge_mm = float(np.sqrt(TRIANGLES_MM2 / wanted))
    halvings = max(int(np.ceil(np.log2(1.2 / edge_mm))), 0)
    vertices, faces = shapes.polygonise(king, edge_mm * 2**halvings)
    for finer in range(halvings, 0, -1):
        vertices, faces = _halved(vertices, faces)
        vertices = _pulled(shapes, king, vertices, edge_mm * 2**finer)
    grain_mm = GRAIN_OF_EDGE * edge_mm
    spoiled, kept = shapes.spoiled(king, vertices, faces, seed=11, holes=4, crumbs=14, grain_mm=grain_mm)
    if kind == "relief":  # seen from in front alone
        kept = kept[(spoiled[kept, 1] < -25.0).all(axis=1)]
        faces = faces[(vertices[faces, 1] < -27.0).all(axis=1)]
    size = FIGURINE if kind == "figurine" else 1.0
    scan.parent.mkdir(parents=True, exist_ok=True)
    with _whole(truth) as place, place.open("wb") as file:
        np.savez(file, vertices=(vertices * size).astype(np.float32), faces=faces.astype(np.int32))
    with _whole(scan) as place:
        shapes.write_ply(place, *_used(spoiled * size, kept))


def _halved(vertices: Floats, faces: Ints) -> tuple[Floats, Ints]:
    """Every triangle becomes four."""
    pairs = np.sort(faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1)
    edges, which = np.unique(pairs @ np.array([len(vertices), 1]), return_inverse=True)
    ends = np.column_stack(np.divmod(edges, len(vertices)))
    middle = which.reshape(-1, 3) + len(vertices)
    (a, b, c), (ab, bc, ca) = faces.T, middle.T
    quarters = np.stack([a, ab, ca, ab, b, bc, ca, bc, c, ab, bc, ca], axis=1).reshape(-1, 3)
    return np.concatenate([vertices, vertices[ends].mean(axis=1)]), quarters


def _pulled(shapes: ModuleType, character: object, vertices: Floats, edge_mm: float) -> Floats:
    """On to the shape, in blocks: four million points at once would take gigabytes.

    No point goes further than a curve over an edge of `edge_mm`, those that were halved: where the strands of
    hair meet, the shape has no width, and points would be thrown about in a crumple that no scanner sees.
    """
    blocks = []
    furthest_mm = FURTHEST * edge_mm
    for block in np.array_split(vertices, max(len(vertices) // 200_000, 1)):
        moved = block
        for _ in range(2):
            away = shapes.head(moved, character)[:, None]
            moved = moved - 0.7 * away * shapes._gradient(moved, character)
        way = moved - block
        length = np.linalg.norm(way, axis=1, keepdims=True)
        blocks.append(block + way * np.minimum(1.0, furthest_mm / np.maximum(length, 1e-12)))
    return np.concatenate(blocks)


def _used(vertices: Floats, faces: Ints) -> tuple[Floats, Ints]:
    used, number = np.unique(faces, return_inverse=True)
    return vertices[used], number.reshape(-1, 3)


def _count(scan: Path) -> int:
    with scan.open("rb") as file:
        for line in file:
            if line.startswith(b"element face"):
                return int(line.split()[-1])
    raise ValueError(f"{scan} tells no faces")


class _whole:  # noqa: N801
    """A file that is there whole or not at all: a benchmark that is stopped leaves no half scan."""

    def __init__(self, place: Path) -> None:
        self.place, self.beside = place, place.with_name(f".{os.getpid()}.{place.name}")

    def __enter__(self) -> Path:
        return self.beside

    def __exit__(self, kind: type | None, *_: object) -> None:
        if kind is None:
            self.beside.replace(self.place)
        else:
            self.beside.unlink(missing_ok=True)


def _shapes() -> ModuleType:
    """The example's own script, which no package holds."""
    place = ROOT / "inbox_example" / "make_scans.py"
    spec = importlib.util.spec_from_file_location("make_scans", place)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module
