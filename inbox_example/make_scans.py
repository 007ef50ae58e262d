"""Makes the example scans: carved puppet heads, as a handheld scanner would leave them.

    python inbox_example/make_scans.py

Each head is a blend of simple solids given by their distance (J. C. Hart, "Sphere tracing", The Visual
Computer, 1996), turned into triangles, opened at the neck, and then spoiled: graininess, a ragged rim,
holes, scanning bumps, floating crumbs. Everything is invented; the same bytes come out every time.
"""

from __future__ import annotations

import zipfile
from dataclasses import dataclass, replace
from io import BytesIO
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
INBOX = Path(__file__).parent / "inbox"
GRAIN_MM = 0.12
FRONT = np.array([0.0, -1.0, 0.0])


@dataclass(frozen=True)
class Character:
    """What tells one carved head from another. Lengths in mm, life-size."""

    nose: float = 30.0
    nose_width: float = 11.0
    nostrils_back: float = 0.0
    chin: float = 16.0
    brow: float = 9.0
    ears: float = 1.0
    cheeks: float = 24.0
    hair: float = 2.4
    locks: int = 22
    beard: float = 0.0
    crown: float = 0.0
    smile: float = 4.0


def blend(a: Array, b: Array, width: float) -> Array:
    """Union of two solids with a fillet of about `width`."""
    h = np.clip(0.5 + 0.5 * (b - a) / width, 0.0, 1.0)
    return b + (a - b) * h - width * h * (1.0 - h)


def carve(a: Array, b: Array, width: float) -> Array:
    """Solid `a` without `b`, the edge rounded."""
    return -blend(-a, b, width)


def ball(p: Array, centre: tuple[float, float, float], radii: tuple[float, float, float]) -> Array:
    q = (p - np.array(centre)) / np.array(radii)
    length = np.linalg.norm(q, axis=1)
    slope = np.linalg.norm(q / np.array(radii), axis=1)
    return length * (length - 1.0) / np.maximum(slope, 1e-9)


def rod(
    p: Array, a: tuple[float, float, float], b: tuple[float, float, float], ra: float, rb: float
) -> Array:
    start, along = np.array(a), np.array(b) - np.array(a)
    t = np.clip((p - start) @ along / (along @ along), 0.0, 1.0)
    return np.linalg.norm(p - start - t[:, None] * along, axis=1) - (ra + (rb - ra) * t)


def head(p: Array, c: Character) -> Array:
    """Signed distance (about) of points (n,3) to a carved head: face towards -Y, neck down to z = -150."""
    mirrored = np.column_stack([np.abs(p[:, 0]), p[:, 1:]])
    solid = ball(p, (0, 6, 22), (72, 88, 84))
    solid = blend(solid, ball(p, (0, -22, -42), (54, 58, 58)), 22)
    solid = blend(solid, rod(p, (0, 18, -40), (0, 24, -170), 42, 46), 20)
    solid = blend(solid, ball(mirrored, (34, -52, -22), (c.cheeks, 24, c.cheeks)), 14)
    solid = blend(solid, ball(p, (0, -62, -80), (c.chin + 6, c.chin + 4, c.chin)), 14)
    solid = blend(solid, rod(mirrored, (8, -82, 26), (42, -66, 30), c.brow, c.brow * 0.8), 8)
    solid = carve(solid, ball(mirrored, (27, -92, 10), (17, 17, 12)), 7)
    solid = blend(solid, ball(mirrored, (27, -67, 9), (13, 12, 11)), 1.5)
    solid = carve(solid, rod(mirrored, (16, -80.5, 8.5), (38, -76.5, 7.5), 1.2, 1.2), 1.0)
    bridge, tip = (0.0, -80.0, 20.0), (0.0, -84.0 - c.nose, -20.0)
    solid = blend(solid, rod(p, bridge, tip, 7.0, c.nose_width), 7)
    solid = blend(
        solid, ball(mirrored, (c.nose_width, c.nostrils_back - 82 - 0.5 * c.nose, -22), (8, 11, 8)), 4
    )
    corner = (24.0, -72.0, -50.0 + c.smile)
    solid = blend(solid, rod(mirrored, (0, -84, -47), corner, 5.5, 2.5), 3)
    solid = blend(solid, rod(mirrored, (0, -83, -57), (22, -72, -52 + c.smile), 6.0, 2.5), 3)
    solid = carve(solid, rod(mirrored, (0, -90, -52), (25, -75, -51 + c.smile), 1.6, 0.8), 1.5)
    if c.ears:
        ear = ball(mirrored, (76, 8, 0), (9, 20 * c.ears, 32 * c.ears))
        ear = carve(ear, ball(mirrored, (86, 4, 2), (9, 12 * c.ears, 22 * c.ears)), 3)
        solid = blend(solid, ear, 4)
    if c.beard:
        solid = blend(solid, ball(p, (0, -58, -78 - c.beard / 2), (34, 24, 22 + c.beard / 2)), 12)
    if c.crown:
        ring = np.hypot(np.hypot(p[:, 0] / 0.86, p[:, 1] - 8) - 80, 0.0)
        band = np.maximum(ring - 5.0, np.abs(p[:, 2] - 62) - 10)
        points = np.maximum(
            ring - 5.0, p[:, 2] - 78 - c.crown * np.cos(4 * np.arctan2(p[:, 1] - 8, p[:, 0])) ** 2
        )
        solid = blend(solid, np.maximum(np.minimum(band, points), 52 - p[:, 2]), 2)
    if c.hair:
        angle = np.arctan2(p[:, 1] - 8, p[:, 0])
        grooves = np.sin(c.locks * angle + 0.05 * p[:, 2]) * c.hair
        grown = np.clip((p[:, 1] + 24 + 0.35 * p[:, 2]) / 18, 0, 1) * np.clip((p[:, 2] + 62) / 20, 0, 1)
        grown = np.maximum(grown, np.clip((p[:, 2] - 62) / 14, 0, 1))
        behind_ears = ball(mirrored, (76, 8, 0), (24, 26 * max(c.ears, 0.5), 40 * max(c.ears, 0.5)))
        solid = solid - (3.0 + grooves) * grown * np.clip(behind_ears / 10, 0, 1)
    return solid


def polygonise(c: Character, step: float) -> tuple[Array, NDArray[np.int64]]:
    """Surface of a head as triangles of about `step` mm, each vertex pulled on to the surface."""
    import igl

    low, high = np.array([-110.0, -150.0, -165.0]), np.array([110.0, 125.0, 140.0])
    size = np.ceil((high - low) / step).astype(int)
    axes = [low[k] + step * np.arange(size[k]) for k in range(3)]
    grid = np.stack(np.meshgrid(*axes, indexing="ij"), -1).transpose(2, 1, 0, 3).reshape(-1, 3)
    value = np.concatenate([head(block, c) for block in np.array_split(grid, 40)])
    vertices, faces = igl.marching_cubes(value, np.ascontiguousarray(grid), *map(int, size), 0.0)[:2]
    vertices, faces = np.asarray(vertices), np.asarray(faces, dtype=np.int64)
    for _ in range(3):
        vertices = vertices - 0.7 * head(vertices, c)[:, None] * _gradient(vertices, c)
    corners = vertices[faces]
    if np.einsum("ij,ij->i", corners[:, 0], np.cross(corners[:, 1], corners[:, 2])).sum() < 0:
        faces = faces[:, ::-1]
    return vertices, faces


def _gradient(p: Array, c: Character) -> Array:
    out = np.empty_like(p)
    for k in range(3):
        shift = np.zeros(3)
        shift[k] = 0.05
        out[:, k] = (head(p + shift, c) - head(p - shift, c)) / 0.1
    return out / np.maximum(np.linalg.norm(out, axis=1, keepdims=True), 1e-9)


def scan(
    c: Character, step: float, seed: int, holes: int = 4, crumbs: int = 14
) -> tuple[Array, NDArray[np.int64]]:
    """What a scanner leaves of a head: grainy, open at the neck, with holes, bumps and crumbs."""
    return spoiled(c, *polygonise(c, step), seed, holes, crumbs)


def spoiled(
    c: Character,
    vertices: Array,
    faces: NDArray[np.int64],
    seed: int,
    holes: int,
    crumbs: int,
    grain_mm: float = GRAIN_MM,
) -> tuple[Array, NDArray[np.int64]]:
    """The same of a head that is made of triangles already."""
    rng = np.random.default_rng(seed)
    normal = _gradient(vertices, c)
    waves = rng.normal(size=(3, 24)) * 0.12
    ragged = -118 + 4 * np.sin(3 * np.arctan2(vertices[:, 1], vertices[:, 0]) + seed)
    ragged = ragged + 1.5 * np.sin(vertices @ waves).sum(axis=1)
    keep = (vertices[:, 2] > ragged)[faces].all(axis=1)
    kept = np.unique(faces[keep])
    for _ in range(holes):
        spot = vertices[rng.choice(kept)]
        keep &= np.linalg.norm(vertices[faces].mean(axis=1) - spot, axis=1) > rng.uniform(4, 9)
    for _ in range(6):
        spot, height, width = vertices[rng.choice(kept)], rng.uniform(0.4, 0.9), rng.uniform(1.5, 3.0)
        d = np.linalg.norm(vertices - spot, axis=1) / width
        vertices = vertices + normal * (height * np.exp(-d * d))[:, None]
    vertices = vertices + normal * rng.normal(0.0, grain_mm, (len(vertices), 1))
    vertices, faces = _compact(vertices, faces[keep])
    low, high = vertices.min(axis=0) - 15, vertices.max(axis=0) + 15
    for _ in range(crumbs):
        crumb, crumb_faces = _crumb(rng)
        faces = np.vstack([faces, crumb_faces + len(vertices)])
        vertices = np.vstack([vertices, crumb + rng.uniform(low, high)])
    return vertices, faces


def _crumb(rng: np.random.Generator) -> tuple[Array, NDArray[np.int64]]:
    """A ragged little fan of triangles: what dust and reflections leave in the air."""
    n = int(rng.integers(4, 9))
    angle = np.linspace(0, 2 * np.pi, n, endpoint=False)
    rim = np.column_stack([np.cos(angle), np.sin(angle), 0.4 * rng.normal(size=n)])
    fan = np.vstack([np.zeros(3), rim * rng.uniform(0.8, 3.0)])
    return fan, np.array([[0, 1 + k, 1 + (k + 1) % n] for k in range(n - 1)])


def _compact(vertices: Array, faces: NDArray[np.int64]) -> tuple[Array, NDArray[np.int64]]:
    used, inverse = np.unique(faces, return_inverse=True)
    return vertices[used], inverse.reshape(-1, 3)


def fragments(seed: int) -> tuple[Array, NDArray[np.int64]]:
    """A failed capture: scraps in every direction that enclose nothing."""
    rng = np.random.default_rng(seed)
    centre = rng.normal(0, 60, (700, 1, 3))
    corners = centre + rng.normal(0, 9, (700, 3, 3))
    return corners.reshape(-1, 3), np.arange(2100).reshape(-1, 3)


def write_ply(path: Path, vertices: Array, faces: NDArray[np.int64]) -> None:
    header = (
        "ply\nformat binary_little_endian 1.0\ncomment made by make_scans.py\n"
        f"element vertex {len(vertices)}\nproperty float x\nproperty float y\nproperty float z\n"
        f"element face {len(faces)}\nproperty list uchar int vertex_indices\nend_header\n"
    )
    rows = np.empty(len(faces), dtype=[("n", "u1"), ("v", "<i4", 3)])
    rows["n"], rows["v"] = 3, faces
    path.write_bytes(header.encode() + vertices.astype("<f4").tobytes() + rows.tobytes())


def write_stl(path: Path, vertices: Array, faces: NDArray[np.int64]) -> None:
    facets = np.zeros(len(faces), dtype=[("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("spare", "<u2")])
    facets["corners"] = vertices[faces]
    path.write_bytes(b"made by make_scans.py".ljust(80) + np.uint32(len(faces)).tobytes() + facets.tobytes())


def obj_text(vertices: Array, faces: NDArray[np.int64], digits: int) -> str:
    lines = ["# made by make_scans.py"]
    lines += [f"v {x:.{digits}f} {y:.{digits}f} {z:.{digits}f}" for x, y, z in vertices]
    lines += [f"f {a} {b} {c}" for a, b, c in faces + 1]
    return "\n".join(lines) + "\n"


def write_zip(path: Path, name: str, text: str) -> None:
    packed = BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as archive:
        archive.writestr(zipfile.ZipInfo(name, (1980, 1, 1, 0, 0, 0)), text, zipfile.ZIP_DEFLATED, 9)
    path.write_bytes(packed.getvalue())


def main() -> None:
    INBOX.mkdir(exist_ok=True)
    king = Character(nose=26, beard=12, crown=22, brow=11, hair=2.0, ears=0.9)
    write_ply(INBOX / "old king.ply", *scan(king, 2.5, seed=11))

    miller = Character(nose=38, nose_width=15, cheeks=29, chin=19, smile=9, hair=0.0, ears=1.25, brow=7)
    vertices, faces = scan(miller, 3.2, seed=12)
    write_ply(INBOX / "miller.ply", vertices / 1000.0, faces)

    witch = Character(
        nose=54, nose_width=8, nostrils_back=26, chin=26, cheeks=19, brow=8, smile=-3, hair=3.2, locks=16
    )
    vertices, faces = scan(witch, 3.2, seed=13, holes=6)
    y_up = vertices[:, [0, 2, 1]] * [1, 1, -1]
    write_zip(INBOX / "witch.zip", "witch.obj", obj_text(y_up, faces, 2))

    boy = replace(miller, nose=20, nose_width=9, chin=13, cheeks=25, hair=2.6, locks=26, ears=1.3, smile=7)
    write_stl(INBOX / "Jäger-Bub.stl", *scan(boy, 4.0, seed=14))

    write_ply(INBOX / "failed capture.ply", *fragments(seed=15))


if __name__ == "__main__":
    main()
