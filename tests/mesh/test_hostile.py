"""Files that lie, break off, point outside or explode: each gets one sentence, and nothing else."""

from __future__ import annotations

import base64
import io
import json
import struct
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from fettlebox.errors import ScanError
from fettlebox.mesh import Part, ReadLimits, read_scan, write_part

TETRAHEDRON = Part(
    np.array([[0.0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1]]),
    np.array([[0, 2, 1], [0, 1, 3], [0, 3, 2], [1, 2, 3]], dtype=np.int32),
    np.array([[255, 0, 0, 255]] * 4, dtype=np.uint8),
)
CORE = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
RELATIONS = (
    '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships"><Relationship '
    'Target="/3D/3dmodel.model" Id="r" Type="http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"/>'
    "</Relationships>"
)
POINTS = "0 0 0\n1 0 0\n0 1 0\n0 0 1\n"
PLY = (
    "ply\nformat ascii 1.0\nelement vertex 4\nproperty float x\nproperty float y\nproperty float z\n"
    "element face 1\nproperty list uchar int vertex_indices\nend_header\n" + POINTS + "3 0 1 2\n"
)
OBJ = "v 0 0 0\nv 1 0 0\nv 0 1 0\nf 1 2 3\n"
OFF = "OFF\n4 1 0\n" + POINTS + "3 0 1 2\n"
STL = (
    "solid s\nfacet normal 0 0 1\nouter loop\nvertex 0 0 0\nvertex 1 0 0\nvertex 0 1 0\n"
    "endloop\nendfacet\nendsolid s\n"
)
WIDE = "".join(f"property float p{k}\n" for k in range(9000))
FACET = struct.pack("<12fH", 0, 0, 1, 0, 0, 0, 1, 0, 0, 0, 1, 0, 0)


def packed(entries: dict[str, bytes | str], method: int = zipfile.ZIP_DEFLATED) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", method) as archive:
        for name, content in entries.items():
            archive.writestr(name, content)
    return out.getvalue()


def package(model: str | bytes, **more: str | bytes) -> bytes:
    return packed({"_rels/.rels": RELATIONS, "3D/3dmodel.model": model, **more})


def model(
    vertices: str = "<vertex x='0' y='0' z='0'/><vertex x='1' y='0' z='0'/><vertex x='0' y='1' z='0'/>",
    triangles: str = '<triangle v1="0" v2="1" v3="2"/>',
    build: str = '<item objectid="1"/>',
    unit: str = "millimeter",
    before: str = "",
    more: str = "",
) -> str:
    return (
        f'<?xml version="1.0" encoding="UTF-8"?>{before}<model unit="{unit}" xmlns="{CORE}"><resources>'
        f'<object id="1"><mesh><vertices>{vertices}</vertices><triangles>{triangles}</triangles></mesh>'
        f"</object>{more}</resources><build>{build}</build></model>"
    )


def stl(count: int, body: bytes) -> bytes:
    return b" " * 80 + struct.pack("<I", count) + body


def big_endian_ply(body: bytes, faces: int = 1, counts: str = "uchar") -> bytes:
    header = PLY.partition("end_header\n")[0].replace("ascii", "binary_big_endian")
    header = header.replace("element face 1", f"element face {faces}").replace("list uchar", f"list {counts}")
    return header.encode() + b"end_header\n" + struct.pack(">12f", *map(float, POINTS.split())) + body


def gltf(change: Callable[[dict[str, Any]], None] = lambda tree: None) -> bytes:
    data = struct.pack("<9f3H", 0, 0, 0, 1, 0, 0, 0, 1, 0, 0, 1, 2)
    tree: dict[str, Any] = {
        "asset": {"version": "2.0"},
        "scene": 0,
        "scenes": [{"nodes": [0]}],
        "nodes": [{"mesh": 0}],
        "meshes": [{"primitives": [{"attributes": {"POSITION": 0}, "indices": 1}]}],
        "accessors": [
            {"bufferView": 0, "componentType": 5126, "count": 3, "type": "VEC3"},
            {"bufferView": 1, "componentType": 5123, "count": 3, "type": "SCALAR"},
        ],
        "bufferViews": [
            {"buffer": 0, "byteOffset": 0, "byteLength": 36},
            {"buffer": 0, "byteOffset": 36, "byteLength": 6},
        ],
        "buffers": [
            {
                "byteLength": len(data),
                "uri": "data:application/octet-stream;base64," + base64.b64encode(data).decode(),
            }
        ],
    }
    change(tree)
    return json.dumps(tree).encode()


def put(*path: Any) -> Callable[[dict[str, Any]], None]:
    """Set the value at `path`, whose last item is the value."""
    *keys, last, value = path

    def change(tree: dict[str, Any]) -> None:
        target: Any = tree
        for key in keys:
            target = target[key]
        target[last] = value

    return change


def glb(chunk_length: int | None = None, total: int | None = None, kind: int = 0x4E4F534A) -> bytes:
    text = gltf()
    text += b" " * (-len(text) % 4)
    body = struct.pack("<II", len(text) if chunk_length is None else chunk_length, kind) + text
    return struct.pack("<4sII", b"glTF", 2, 12 + len(body) if total is None else total) + body


def far_zip_entry(name: str) -> bytes:
    """A zip entry whose name `zipfile` would not write as it is."""
    plain = packed({"x" * len(name): OBJ}, zipfile.ZIP_STORED)
    return plain.replace(b"x" * len(name), name.encode())


def nested_components(depth: int) -> str:
    more = "".join(
        f'<object id="{k}"><components><component objectid="{k - 1}"/><component objectid="{k - 1}"/>'
        "</components></object>"
        for k in range(2, depth + 2)
    )
    return model(more=more, build=f'<item objectid="{depth + 1}"/>')


CYCLE = '<object id="2"><components><component objectid="2"/></components></object>'
LAUGHS = '<!DOCTYPE m [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;&a;&a;">]>'
OUTSIDE = '<!DOCTYPE m [<!ENTITY a SYSTEM "file:///etc/hostname">]>'

HOSTILE: list[tuple[str, bytes | str, str]] = [
    # nothing there, or nothing that is a mesh
    ("empty.stl", b"", "empty.stl: found no bytes"),
    ("note.txt", "Dear shop, please print my head.\n", "nothing that is a mesh"),
    ("note.obj", "Dear shop, please print my head.\n", "no vertices"),
    ("photo.png", b"\x89PNG\r\n\x1a\n" + bytes(200), "nothing that is a mesh"),
    ("page.3mf", "<html></html>", "a zip file"),
    ("zeros.ply", bytes(500), "line 1"),
    # STL
    ("short.stl", b"abc", "byte 3: found the end of the file; expected an 84-byte STL header"),
    ("none.stl", stl(0, b""), "a count of 0 facets"),
    ("more.stl", stl(5, FACET), "a count of 5 facets; expected 1,"),
    ("fewer.stl", stl(1, FACET * 3), "a count of 1 facets; expected 3,"),
    ("most.stl", stl(0xFFFFFFFF, FACET), "a count of 4294967295 facets"),
    ("cut.stl", stl(2, FACET + FACET[:30]), "a count of 2 facets; expected 1,"),
    ("nan.stl", stl(2, FACET + FACET[:16] + b"\0\0\xc0\x7f" + FACET[20:]), "facet 1, corner 0"),
    ("far.stl", stl(1, FACET[:12] + struct.pack("<f", 1e30) + FACET[16:]), "coordinate 1e+30"),
    ("word.stl", STL.replace("1 0 0", "1 zero 0"), "line 5: found 'zero'; expected a number"),
    ("nan_text.stl", STL.replace("0 1 0\n", "0 nan 0\n"), "line 6: found 'nan'; expected a number"),
    ("inf_text.stl", STL.replace("0 1 0\n", "0 -inf 0\n"), "line 6: found '-inf'; expected a number"),
    ("huge_text.stl", STL.replace("0 1 0\n", "0 1e300 0\n"), "facet 0, corner 2"),
    ("two.stl", STL.replace("vertex 0 1 0\n", ""), "line 7: found 'endfacet'; expected three vertices"),
    ("four.stl", STL.replace("endloop", "vertex 3 3 3\nendloop"), "expected three vertices"),
    ("open.stl", STL[: STL.index("endfacet")], "line 8: found the end of the file; expected endfacet"),
    ("tail.stl", STL.replace("1 0 0", "1 0 0 0"), "expected nothing more in this line"),
    ("prose.stl", STL.replace("outer loop", "router loop"), "line 3: found 'router'"),
    ("hollow.stl", "solid nothing\nendsolid nothing\n", "no facets"),
    # PLY
    ("head.ply", PLY[:60], "no end_header"),
    ("first.ply", "ply\nformat utf8 1.0\nend_header\n", "line 2: found 'format utf8 1.0'"),
    ("noformat.ply", PLY.replace("format ascii 1.0\n", ""), "no format line"),
    ("minus.ply", PLY.replace("vertex 4", "vertex -4"), "line 3: found 'element vertex -4'"),
    ("count.ply", PLY.replace("vertex 4", "vertex 4000000"), "expected 4000000 rows of element 'vertex'"),
    ("limit.ply", PLY.replace("vertex 4", f"vertex {10**17}"), f"{10**17} vertices; expected at most"),
    ("faces.ply", PLY.replace("face 1", f"face {10**15}"), f"{10**15} triangles; expected at most"),
    ("twice.ply", PLY.replace("float y", "float x"), "line 5: found 'property float x'"),
    ("wide.ply", PLY.replace("property float z\n", WIDE), "line 504: found 'property float p498'"),
    ("flat.ply", PLY.replace("float z", "float height"), "no vertex property z"),
    ("type.ply", PLY.replace("float z", "quad z"), "line 6: found 'property quad z'"),
    ("floatlist.ply", PLY.replace("uchar int", "float int"), "line 8"),
    ("floatindex.ply", PLY.replace("uchar int", "uchar float"), "expected whole numbers"),
    ("unnamed.ply", PLY.replace("vertex_indices", "corners"), "faces without a list of vertices"),
    ("cloud.ply", PLY.partition("element face")[0] + "end_header\n" + POINTS, "a point cloud of 4 points"),
    ("nan.ply", PLY.replace("1 0 0", "1 nan 0"), "line 11: found 'nan'"),
    ("e300.ply", PLY.replace("1 0 0", "1 1e300 0"), "vertex 1: found coordinate 1e+300"),
    ("cut.ply", PLY[: PLY.index("0 1 0\n")], "expected 4 rows of element 'vertex'"),
    ("range.ply", PLY.replace("3 0 1 2", "3 0 1 4"), "face 0: found vertex number 4; expected 0 to 3"),
    ("below.ply", PLY.replace("3 0 1 2", "3 0 1 -1"), "face 0: found vertex number -1"),
    ("part.ply", PLY.replace("3 0 1 2", "3 0 1 1.5"), "line 14, 'face' 0: found '1.5'"),
    ("long.ply", PLY.replace("3 0 1 2", "99999 0 1 2"), "a length of a list"),
    ("strips.ply", PLY.replace("element face", "element tristrips"), "triangle strips"),
    ("two.ply", PLY.replace("element face 1", "element vertex 1"), "two elements of one name"),
    ("b_cut.ply", big_endian_ply(b"")[:-4], "expected 4 rows of element 'vertex'"),
    ("b_list.ply", big_endian_ply(b"\xff" + bytes(12)), "expected a length of a list"),
    ("b_minus.ply", big_endian_ply(b"\xff" + bytes(12), counts="char"), "expected a length of a list"),
    ("b_rows.ply", big_endian_ply(b"\0" * 13, faces=60), "expected 60 rows of element 'face'"),
    ("b_range.ply", big_endian_ply(struct.pack(">B3i", 3, 0, 1, 7)), "face 0: found vertex number 7"),
    ("b_nan.ply", big_endian_ply(bytes(13)).replace(b"\x3f\x80\0\0", b"\x7f\xc0\0\0", 1), "coordinate nan"),
    # OBJ
    ("zero.obj", OBJ.replace("f 1", "f 0"), "line 4: found '0'; expected the number of a vertex"),
    ("high.obj", OBJ.replace("f 1", "f 9"), "face 0: found vertex number 8"),
    ("back.obj", OBJ.replace("f 1", "f -9"), "line 4: found '-9'; expected a vertex that"),
    ("word.obj", OBJ.replace("f 1", "f one"), "line 4: found 'one'"),
    ("half.obj", OBJ.replace("f 1", "f 1.5"), "line 4: found '1.5'"),
    ("short.obj", OBJ.replace("v 1 0 0", "v 1 0"), "line 2: found 'v'; expected a number"),
    ("nan.obj", OBJ.replace("v 1 0 0", "v 1 NaN 0"), "line 2: found 'NaN'; expected a number"),
    ("far.obj", OBJ.replace("v 0 1 0", "v 0 1e300 0"), "line 3: found coordinate 1e+300"),
    ("cloud.obj", OBJ.partition("f")[0], "a point cloud of 3 points"),
    ("lines.obj", OBJ.replace("f 1 2 3", "f 1 2"), "a point cloud of 3 points"),
    # OFF
    ("counts.off", OFF.replace("4 1 0", "4 one 0"), "line 2: found 'one'"),
    ("lies.off", OFF.replace("4 1 0", "9000 1 0"), "the counts 9000, 1, 0"),
    ("more.off", OFF.replace("4 1 0", "14 1 0"), "expected 14 vertices of 3 numbers"),
    ("faces.off", OFF.replace("4 1 0", "4 5 0"), "expected how many corners the next face has"),
    ("index.off", OFF.replace("3 0 1 2", "3 0 1 9"), "face 0: found vertex number 9"),
    ("short.off", OFF.replace("3 0 1 2", "3 0 1"), "expected the number of a vertex"),
    ("minus.off", OFF.replace("3 0 1 2", "-3 0 1 2"), "found '-3'"),
    ("binary.off", "OFF BINARY\n" + POINTS, "line 1: found 'BINARY'"),
    ("nan.off", OFF.replace("1 0 0", "nan 0 0"), "line 4: found 'nan'"),
    # 3MF
    ("laughs.3mf", package(model(before=LAUGHS)), "a document type"),
    ("outside.3mf", package(model(before=OUTSIDE)), "a document type"),
    ("entity.3mf", package(model().replace("'1'", "'&a;'")), "undefined entity"),
    ("broken.3mf", package(model()[:-9]), "expected well-formed XML"),
    ("other.3mf", package("<svg/>"), "the element 'svg'"),
    ("unit.3mf", package(model(unit="cubit")), "unit 'cubit'; expected one of micron"),
    ("nan.3mf", package(model().replace("x='1'", "x='nan'")), "x 'nan'; expected a finite number"),
    ("noz.3mf", package(model().replace("x='1'", "w='1'")), "no attribute x"),
    ("far.3mf", package(model().replace("x='1'", "x='1e12'")), "coordinate 1e+12"),
    ("index.3mf", package(model(triangles="<triangle v1='0' v2='1' v3='3'/>")), "triangle 0: found vertices"),
    ("empty.3mf", package(model(triangles="")), "a point cloud of 3 points"),
    ("lost.3mf", package(model(build='<item objectid="7"/>')), "object '7'"),
    ("matrix.3mf", package(model(build='<item objectid="1" transform="1 0 0"/>')), "a transform of 3"),
    ("doubling.3mf", package(nested_components(40)), "repeated without end"),
    ("deep.3mf", package(nested_components(70)), "nested"),
    ("xml.3mf", package(model(before="", more="<a>" * 100 + "</a>" * 100)), "elements nested too deep"),
    ("path.3mf", package(model()).replace(b"3D/3dmodel.model", b"3E/3dmodel.model"), "no such part"),
    (
        "norel.3mf",
        packed({"_rels/.rels": "<Relationships/>", "3D/a.model": model()}),
        "_rels/.rels: found no 3D model",
    ),
    ("cycle.3mf", package(model(more=CYCLE, build='<item objectid="2"/>')), "nested or repeated"),
    # zip
    ("slip.zip", far_zip_entry("../../evil.obj"), "a name that leads outside"),
    ("root.zip", far_zip_entry("/etc/evil.obj"), "a name that leads outside"),
    ("drive.zip", far_zip_entry("C:/evil.obj"), "a name that leads outside"),
    ("back.zip", far_zip_entry("..\\evil.obj"), "a name that leads outside"),
    ("bomb.zip", packed({"a.stl": bytes(10_000_000)}), "an implausible ratio"),
    ("two.zip", packed({"a.stl": STL, "b/b.obj": OBJ}), "2 meshes in this zip, 'a.stl', 'b/b.obj'"),
    ("none.zip", packed({"readme.txt": "hello"}), "no mesh in this zip"),
    ("cut.zip", packed({"a.obj": OBJ})[:-30], "the zip directory"),
    ("inner.zip", packed({"a.obj": packed({"a.obj": OBJ})}), "a zip inside a zip"),
    ("crc.zip", packed({"a.obj": OBJ}, zipfile.ZIP_STORED).replace(b"v 1 0 0", b"v 2 0 0"), "Bad CRC-32"),
    ("many.zip", packed({f"{k}.txt": "" for k in range(1001)}), "1001 entries; expected at most 1000"),
    # glTF
    ("json.gltf", gltf()[:-3], "expected well-formed JSON"),
    ("quote.gltf", b'{"asset": "', "text without end"),
    ("deep.gltf", b'{"asset":' + b"[" * 100_000, "values nested too deep"),
    ("version.gltf", gltf(put("asset", "version", "1.0")), "asset version '1.0'"),
    ("file.gltf", gltf(put("buffers", 0, "uri", "/etc/passwd")), "the outside file '/etc/passwd'"),
    ("net.gltf", gltf(put("buffers", 0, "uri", "https://example.org/x.bin")), "the outside file"),
    ("text.gltf", gltf(put("buffers", 0, "uri", "data:;base64,@@@")), "damaged base64"),
    ("count.gltf", gltf(put("accessors", 0, "count", 10**6)), "1000000 entries of 12 bytes"),
    ("minus.gltf", gltf(put("accessors", 0, "count", -1)), "accessors[0].count"),
    ("view.gltf", gltf(put("bufferViews", 0, "byteLength", 10**9)), "bufferViews[0]"),
    ("stride.gltf", gltf(put("bufferViews", 0, "byteStride", 4)), "entries of 12 bytes"),
    ("type.gltf", gltf(put("accessors", 0, "type", "MAT4")), "'MAT4 of 5126'"),
    ("index.gltf", gltf(put("accessors", 0, "count", 2)), "vertex number 2; expected 0 to 1"),
    ("sparse.gltf", gltf(put("accessors", 0, "sparse", {})), "sparse data"),
    ("node.gltf", gltf(put("nodes", 0, "children", [0])), "hangs in two places"),
    ("mesh.gltf", gltf(put("nodes", 0, "mesh", 4)), "a node's mesh: found the number '4'"),
    ("turn.gltf", gltf(put("nodes", 0, "rotation", [1, 2])), "nodes[0].rotation"),
    ("far.gltf", gltf(put("nodes", 0, "scale", [1e29] * 3)), "a finite number of at most 1e+09"),
    ("packed.gltf", gltf(put("extensionsRequired", ["KHR_draco_mesh_compression"])), "no such extension"),
    ("bare.gltf", gltf(put("scenes", 0, "nodes", [])), "no node with a mesh"),
    ("length.glb", glb(total=10**9), "and 1000000000 bytes"),
    ("chunk.glb", glb(chunk_length=10**9), "a chunk of 1000000000 bytes"),
    ("kind.glb", glb(kind=7), "expected the JSON chunk first"),
    ("head.glb", b"glTF\2\0\0\0", "byte 8: found the end of the file"),
]  # fmt: skip


@pytest.mark.parametrize(("name", "content", "fragment"), HOSTILE, ids=[row[0] for row in HOSTILE])
def test_a_hostile_file_gets_one_sentence(
    tmp_path: Path, name: str, content: bytes | str, fragment: str
) -> None:
    path = tmp_path / name
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    with pytest.raises(ScanError) as caught:
        read_scan(path)
    sentence = str(caught.value)
    assert fragment in sentence
    assert sentence.startswith(name)
    assert "; expected " in sentence
    assert "\n" not in sentence and len(sentence) < 300


def test_the_table_is_long_and_its_untouched_files_are_readable(tmp_path: Path) -> None:
    assert len(HOSTILE) >= 60
    good = {
        "a.ply": PLY.encode(), "a.obj": OBJ.encode(), "a.off": OFF.encode(), "a.stl": STL.encode(),
        "a.3mf": package(model()), "a.gltf": gltf(), "a.glb": glb(), "b.stl": stl(1, FACET),
        "b.ply": big_endian_ply(struct.pack(">B3i", 3, 0, 1, 2)), "a.zip": packed({"x/a.obj": OBJ}),
    }  # fmt: skip
    for name, content in good.items():
        path = tmp_path / name
        path.write_bytes(content)
        assert len(read_scan(path).part.faces) == 1, name


@pytest.mark.parametrize(
    ("limits", "fragment"),
    [
        (ReadLimits(file_bytes=100), "bytes; expected at most 100"),
        (ReadLimits(triangles=3), "4 triangles; expected at most 3"),
        (ReadLimits(vertices=3), "4 vertices; expected at most 3"),
    ],
)
def test_limits_hold_for_every_format(tmp_path: Path, limits: ReadLimits, fragment: str) -> None:
    for suffix in (".stl", ".ply", ".3mf", ".glb"):
        path = tmp_path / f"part{suffix}"
        write_part(TETRAHEDRON, path)
        with pytest.raises(ScanError, match=fragment):
            read_scan(path, limits)


def test_a_missing_file_and_an_empty_folder_are_refused(tmp_path: Path) -> None:
    for path in (tmp_path, tmp_path / "none.stl"):
        with pytest.raises(ScanError, match="expected"):
            read_scan(path)
