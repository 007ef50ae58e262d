"""STL against its published layout: Library of Congress format descriptions fdd000504 and fdd000505."""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
import pytest
import stl_reader
import trimesh
from fettlebox.errors import ScanError
from fettlebox.mesh import Part, read_scan, write_part

TETRAHEDRON = Part(
    np.array([[0.0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1]]),
    np.array([[0, 2, 1], [0, 1, 3], [0, 3, 2], [1, 2, 3]], dtype=np.int32),
)


def test_the_binary_form_is_80_plus_4_plus_50_a_facet(tmp_path: Path) -> None:
    path = tmp_path / "part.stl"
    write_part(TETRAHEDRON, path, {"Title": "solid"})
    data = path.read_bytes()
    assert len(data) == 80 + 4 + 50 * 4
    assert not data.startswith(b"solid")  # fdd000505: a header must not begin so
    assert struct.unpack_from("<I", data, 80) == (4,)
    first = struct.unpack_from("<12fH", data, 84)
    assert first[:3] == (0.0, 0.0, -1.0)  # right-hand rule: the bottom facet looks down
    assert first[3:12] == (0, 0, 0, 0, 1, 0, 1, 0, 0)
    assert first[12] == 0
    again = read_scan(path)
    assert again.origin.unit_mm is None
    assert again.origin.format == "stl"


def test_corners_are_welded_as_an_independent_reader_welds_them(tmp_path: Path) -> None:
    sphere = trimesh.creation.icosphere(5)
    path = tmp_path / "sphere.stl"
    path.write_bytes(trimesh.exchange.stl.export_stl(sphere))
    part = read_scan(path).part
    vertices, faces = stl_reader.read(str(path))
    assert len(part.vertices) == 10 * 4**5 + 2  # Euler: an icosahedron split n times in four
    assert np.array_equal(part.vertices, vertices.astype(np.float64))
    assert np.array_equal(part.faces, faces.astype(np.int32))


def test_zero_and_minus_zero_are_one_position(tmp_path: Path) -> None:
    path = tmp_path / "part.stl"
    write_part(TETRAHEDRON, path)
    data = bytearray(path.read_bytes())
    struct.pack_into("<f", data, 84 + 12, -0.0)
    path.write_bytes(data)
    assert len(read_scan(path).part.vertices) == 4


def test_the_text_form_gives_the_same_surface(tmp_path: Path) -> None:
    sphere = trimesh.creation.icosphere(3, radius=12.5)
    text, binary = tmp_path / "text.stl", tmp_path / "binary.stl"
    text.write_text(trimesh.exchange.stl.export_stl_ascii(sphere).upper().replace("SOLID", "solid"))
    binary.write_bytes(trimesh.exchange.stl.export_stl(sphere))
    a, b = read_scan(text).part, read_scan(binary).part
    assert np.array_equal(a.faces, b.faces)
    assert np.allclose(a.vertices, b.vertices, atol=1e-6)


def test_a_header_that_begins_with_solid_is_still_binary(tmp_path: Path) -> None:
    path = tmp_path / "part.stl"
    write_part(TETRAHEDRON, path)
    path.write_bytes(b"solid but binary".ljust(80) + path.read_bytes()[80:])
    assert len(read_scan(path).part.faces) == 4


def test_one_facet_is_a_scan_and_none_is_not(tmp_path: Path) -> None:
    path = tmp_path / "part.stl"
    facet = struct.pack("<12fH", 0, 0, 1, 0, 0, 0, 1, 0, 0, 0, 1, 0, 0)
    path.write_bytes(b" " * 80 + struct.pack("<I", 1) + facet)
    assert len(read_scan(path).part.faces) == 1
    path.write_bytes(b" " * 80 + struct.pack("<I", 0))
    with pytest.raises(ScanError, match=r"part\.stl, byte 80: found a count of 0 facets"):
        read_scan(path)
