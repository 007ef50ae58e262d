"""PLY in every encoding, against trimesh, pymeshlab and vtk as independent writers and readers."""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
import pytest
import trimesh
from fettlebox.mesh import Part, read_scan, write_part

HEADER = """ply
format {order} 1.0
comment a square of two colours, with a bell and a whistle
element bell 2
property list ushort double strokes
property uchar loud
element vertex 4
property double x
property double y
property float confidence
property double z
property uchar red
property uchar green
property uchar blue
element face 2
property uchar flags
property list uchar {index} vertex_index
property list uchar float texcoord
end_header
"""
SQUARE = [(0.0, 0.0, 0.5), (1.0, 0.0, 0.5), (1.0, 1.0, 0.5), (0.0, 1.0, 0.5)]


def square(order: str, index: str) -> bytes:
    """A quad and a triangle, with elements and properties around them that nobody here knows."""
    sign = {"binary_little_endian": "<", "binary_big_endian": ">"}.get(order)
    head = HEADER.format(order=order, index=index).encode()
    if sign is None:
        rows = ["2 1.5 2.5 7", "0 9"]
        rows += [f"{x} {y} 0.25 {z} 10 20 {k}" for k, (x, y, z) in enumerate(SQUARE)]
        rows += ["5 4 0 1 2 3 2 0.5 0.5", "6 3 0 1 2 0"]
        return head + ("\n".join(rows) + "\n").encode()
    code = {"int": "i", "ushort": "H", "uint": "I", "char": "b"}[index]
    body = struct.pack(f"{sign}HddBHB", 2, 1.5, 2.5, 7, 0, 9)
    for k, (x, y, z) in enumerate(SQUARE):
        body += struct.pack(f"{sign}ddfd3B", x, y, 0.25, z, 10, 20, k)
    body += struct.pack(f"{sign}BB4{code}B2f", 5, 4, 0, 1, 2, 3, 2, 0.5, 0.5)
    return head + body + struct.pack(f"{sign}BB3{code}B", 6, 3, 0, 1, 2, 0)


@pytest.mark.parametrize("index", ["int", "ushort", "uint", "char"])
@pytest.mark.parametrize("order", ["ascii", "binary_little_endian", "binary_big_endian"])
def test_extra_elements_are_skipped_and_polygons_become_fans(tmp_path: Path, order: str, index: str) -> None:
    path = tmp_path / "square.ply"
    path.write_bytes(square(order, index))
    part = read_scan(path).part
    assert part.vertices.tolist() == [list(point) for point in SQUARE]
    assert part.faces.tolist() == [[0, 1, 2], [0, 2, 3], [0, 1, 2]]
    assert part.colours is not None
    assert part.colours.tolist() == [[10, 20, k, 255] for k in range(4)]


@pytest.mark.parametrize("encoding", ["ascii", "binary"])
def test_what_trimesh_writes_is_read(tmp_path: Path, encoding: str) -> None:
    sphere = trimesh.creation.icosphere(3, radius=7.3)
    sphere.visual.vertex_colors = np.random.default_rng(5).integers(0, 256, (len(sphere.vertices), 4))
    path = tmp_path / "sphere.ply"
    sphere.export(path, encoding=encoding)
    part = read_scan(path).part
    assert np.allclose(part.vertices, sphere.vertices, atol=1e-6)
    assert np.array_equal(part.faces, sphere.faces)
    assert part.colours is not None
    assert np.array_equal(part.colours, sphere.visual.vertex_colors)


def test_text_with_17_digits_is_read_to_the_last_bit(tmp_path: Path) -> None:
    points = np.random.default_rng(1).normal(scale=100, size=(3000, 3))
    faces = np.arange(3000).reshape(-1, 3)
    head = f"ply\nformat ascii 1.0\nelement vertex {len(points)}\n" + "".join(
        f"property double {axis}\n" for axis in "xyz"
    )
    head += f"element face {len(faces)}\nproperty list uchar int vertex_indices\nend_header\n"
    rows = "".join(" ".join(repr(float(v)) for v in p) + "\n" for p in points)
    rows += "".join(f"3 {a} {b} {c}\n" for a, b, c in faces)
    path = tmp_path / "points.ply"
    path.write_text(head + rows)
    assert np.array_equal(read_scan(path).part.vertices, points)


def test_real_scans_are_read_as_an_independent_reader_reads_them(
    face_scan: Path, bunny_scan: Path, sheet_scan: Path
) -> None:
    import pymeshlab

    for path in (face_scan, bunny_scan, sheet_scan, face_scan.parents[1] / "bone.ply"):
        meshes = pymeshlab.MeshSet()
        meshes.load_new_mesh(str(path))
        mesh = meshes.current_mesh()
        part = read_scan(path).part
        ours, theirs = part.vertices[part.faces], mesh.vertex_matrix()[mesh.face_matrix()]
        assert ours.shape == theirs.shape
        assert np.array_equal(ours.astype(np.float32), theirs.astype(np.float32))


def test_what_we_write_pymeshlab_and_trimesh_read(tmp_path: Path) -> None:
    pymeshlab = pytest.importorskip("pymeshlab")
    box = trimesh.creation.box((2, 3, 5))
    colours = np.random.default_rng(2).integers(0, 256, (8, 4)).astype(np.uint8)
    part = Part(box.vertices + 1 / 3, box.faces, colours)
    path = tmp_path / "box.ply"
    write_part(part, path, {"Title": "a box\nelement vertex 99"})
    again = read_scan(path).part
    assert np.array_equal(again.vertices, part.vertices)
    assert np.array_equal(again.colours, colours)  # type: ignore[arg-type]
    other = trimesh.load(path, process=False)
    assert np.array_equal(other.vertices, part.vertices)
    assert np.array_equal(other.faces, part.faces)
    assert np.array_equal(other.visual.vertex_colors, colours)
    meshes = pymeshlab.MeshSet()
    meshes.load_new_mesh(str(path))
    assert np.allclose(meshes.current_mesh().vertex_matrix(), part.vertices, atol=1e-6)
    assert np.array_equal(meshes.current_mesh().face_matrix(), part.faces)
