"""Valid files changed at random, and noise: `read_scan` gives a Scan or raises ScanError, whatever comes."""

from __future__ import annotations

import io
import json
import struct
import zipfile

import numpy as np
import pytest
from fettlebox.errors import ScanError
from fettlebox.mesh import Part, ReadLimits, Scan, read_scan, write_part
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

TETRAHEDRON = Part(
    np.array([[0.0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1]]),
    np.array([[0, 2, 1], [0, 1, 3], [0, 3, 2], [1, 2, 3]], dtype=np.int32),
    np.array([[255, 0, 0, 255]] * 4, dtype=np.uint8),
)
POINTS = "0 0 0\n1 0 0\n0 1 0\n0 0 1\n"
PLY = (
    "ply\nformat {} 1.0\nelement vertex 4\nproperty float x\nproperty float y\nproperty float z\n"
    "element face 2\nproperty list uchar int vertex_indices\nproperty uchar flags\nend_header\n"
)
OBJ = "v 0 0 0 1 0 0\nv 1 0 0 1 0 0\nv 0 1 0 1 0 0\nf 1/1 2/2 -1//3 1 \\\n 2\n"
OFF = "COFF\n3 1 0\n0 0 0 1 1 1 1\n1 0 0 1 1 1 1\n0 1 0 1 1 1 1\n3 0 1 2 9 9 9\n"
STL = (
    "solid s\nfacet normal 0 0 1\nouter loop\nvertex 0 0 0\nvertex 1 0 0\nvertex 0 1 0\n"
    "endloop\nendfacet\nendsolid s\n"
)


def stored(entries: dict[str, bytes]) -> bytes:
    """A zip that is not compressed, so that a changed byte reaches the inside."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        for name, content in entries.items():
            archive.writestr(name, content)
    return out.getvalue()


def as_gltf(glb: bytes) -> bytes:
    """The JSON of a `.glb` with its buffer embedded as text."""
    import base64

    (size,) = struct.unpack_from("<I", glb, 12)
    tree = json.loads(glb[20 : 20 + size])
    tree["buffers"][0]["uri"] = "data:;base64," + base64.b64encode(glb[28 + size :]).decode()
    return json.dumps(tree).encode()


@pytest.fixture(scope="module")
def valid(tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    folder = tmp_path_factory.mktemp("valid")
    written = {}
    for suffix in (".stl", ".ply", ".glb", ".3mf"):
        write_part(TETRAHEDRON, folder / f"part{suffix}")
        written[suffix] = (folder / f"part{suffix}").read_bytes()
    with zipfile.ZipFile(io.BytesIO(written[".3mf"])) as archive:
        package = {name: archive.read(name) for name in archive.namelist()}
    faces = struct.pack(">B4iBB3iB", 4, 0, 1, 2, 3, 0, 3, 0, 1, 2, 0)
    big = struct.pack(">12f", *map(float, POINTS.split())) + faces
    files = {
        "written.stl": written[".stl"],
        "written.ply": written[".ply"],
        "written.glb": written[".glb"],
        "plain.3mf": stored(package),
        "text.stl": STL.encode(),
        "text.ply": (PLY.format("ascii") + POINTS + "3 0 1 2 7\n4 0 1 2 3 7\n").encode(),
        "text.obj": OBJ.encode(),
        "text.off": OFF.encode(),
        "text.gltf": as_gltf(written[".glb"]),
        "big.ply": PLY.format("binary_big_endian").encode() + big,
        "scan.zip": stored({"a.obj": OBJ.encode(), "a.mtl": b"newmtl a\n"}),
    }
    for name, content in files.items():
        (folder / name).write_bytes(content)
        assert len(read_scan(folder / name).part.faces), name
    return files


@st.composite
def mutations(draw: st.DrawFn) -> list[tuple[str, float, bytes]]:
    words = st.sampled_from(
        [b"\0", b"\xff", b"\xff\xff\xff\xff", b"\xff\xff\xff\x7f", b"-1", b"1e999", b"nan", b"\n", b" ", b'"',
         b"<", b"/>", b"{", b"]", b"99999999999999999999", b"0.", b"e", b"-", b"PK\x03\x04", b"#", b"\\\n"]
    )  # fmt: skip
    change = st.tuples(
        st.sampled_from(["put", "insert", "delete", "cut", "double"]),
        st.floats(0, 1, exclude_max=True),
        st.one_of(words, st.binary(min_size=1, max_size=8)),
    )
    return draw(st.lists(change, min_size=1, max_size=6))


def mutated(data: bytes, changes: list[tuple[str, float, bytes]]) -> bytes:
    for how, where, word in changes:
        at = int(where * len(data))
        if how == "put":
            data = data[:at] + word + data[at + len(word) :]
        elif how == "insert":
            data = data[:at] + word + data[at:]
        elif how == "delete":
            data = data[:at] + data[at + len(word) :]
        elif how == "cut":
            data = data[:at]
        else:
            data = data[:at] + data[at : at + 40] * 2 + data[at + 40 :]
    return data


@settings(max_examples=800, deadline=None, suppress_health_check=list(HealthCheck))
@given(which=st.integers(0, 10), changes=mutations())
def test_a_mutated_file_is_a_scan_or_a_sentence(
    valid: dict[str, bytes],
    tmp_path_factory: pytest.TempPathFactory,
    which: int,
    changes: list[tuple[str, float, bytes]],
) -> None:
    name = sorted(valid)[which]
    path = tmp_path_factory.getbasetemp() / name
    path.write_bytes(mutated(valid[name], changes))
    small = ReadLimits(unpacked_bytes=1_000_000, triangles=10_000, vertices=10_000)
    try:
        scan = read_scan(path, small)
    except ScanError as error:
        assert "\n" not in str(error)
        assert "expected" in str(error)
        return
    assert isinstance(scan, Scan)
    assert len(scan.part.faces)
    assert np.isfinite(scan.part.vertices).all()


@settings(max_examples=300, deadline=None)
@given(name=st.sampled_from(["a.stl", "a.ply", "a.obj", "a.off", "a.3mf", "a.glb", "a.gltf", "a.zip", "a"]),
       data=st.binary(max_size=300))  # fmt: skip
def test_noise_is_a_scan_or_a_sentence(
    tmp_path_factory: pytest.TempPathFactory, name: str, data: bytes
) -> None:
    path = tmp_path_factory.getbasetemp() / f"noise_{name}"
    path.write_bytes(data)
    try:
        read_scan(path)
    except ScanError as error:
        assert "expected" in str(error)
