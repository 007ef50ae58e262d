"""GLB against the structure in ISO/IEC 12113:2022 (Khronos glTF 2.0), and Khronos' own validator."""

from __future__ import annotations

import base64
import json
import os
import shutil
import struct
import subprocess
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import trimesh
from fettlebox.mesh import Part, read_scan, write_part

ROOT = Path(__file__).parents[2]
VALIDATE = """
const path = require('path');
const validator = require(path.join(process.argv[1], 'gltf-validator'));
const bytes = new Uint8Array(require('fs').readFileSync(process.argv[2]));
validator.validateBytes(bytes).then(report => console.log(JSON.stringify(report.issues)));
"""


@pytest.fixture(scope="module")
def coloured() -> Part:
    ball = trimesh.creation.icosphere(3, radius=35)
    colours = np.random.default_rng(6).integers(0, 256, (len(ball.vertices), 4)).astype(np.uint8)
    return Part(ball.vertices + np.array([0, 0, 60]), ball.faces, colours)


def split(data: bytes) -> tuple[dict[str, Any], bytes]:
    """The chunks of a GLB, by the layout of section 4.4."""
    magic, version, length = struct.unpack_from("<III", data)
    assert (magic, version, length) == (0x46546C67, 2, len(data))
    size, kind = struct.unpack_from("<II", data, 12)
    assert kind == 0x4E4F534A and size % 4 == 0
    tree = json.loads(data[20 : 20 + size])
    binary_size, kind = struct.unpack_from("<II", data, 20 + size)
    assert kind == 0x004E4942 and binary_size % 4 == 0
    assert 28 + size + binary_size == len(data)
    return tree, data[28 + size :]


def test_the_container_is_as_the_standard_lays_it_out(tmp_path: Path, coloured: Part) -> None:
    path = tmp_path / "ball.glb"
    write_part(coloured, path, {"Title": "A ball"})
    tree, binary = split(path.read_bytes())
    assert tree["asset"]["version"] == "2.0"
    assert tree["buffers"][0]["byteLength"] == len(binary)
    positions = tree["accessors"][tree["meshes"][0]["primitives"][0]["attributes"]["POSITION"]]
    view = tree["bufferViews"][positions["bufferView"]]
    points = np.frombuffer(binary, "<f4", 3 * positions["count"], view["byteOffset"]).reshape(-1, 3)
    assert positions["min"] == points.min(axis=0).tolist()  # 3.6.2.5: position bounds are required
    assert positions["max"] == points.max(axis=0).tolist()
    # metres, and Z up turned to +Y up: the ball's middle is 60 mm high
    assert np.allclose(points.mean(axis=0), [0, 0.06, 0], atol=1e-6)
    x, y, z = coloured.vertices.T
    assert np.allclose(points, np.stack([x, z, -y], axis=1) / 1000, atol=1e-8)


def test_khronos_validator_finds_nothing(tmp_path: Path, coloured: Part, face_scan: Path) -> None:
    modules = Path(os.environ.get("FETTLEBOX_GLTF_VALIDATOR", ROOT / "node_modules"))
    modules = modules / "node_modules" if (modules / "node_modules").is_dir() else modules
    node = shutil.which("node")
    if node is None or not (modules / "gltf-validator").is_dir():
        pytest.skip(
            "needs node and the npm package gltf-validator (FETTLEBOX_GLTF_VALIDATOR or node_modules)"
        )
    for name, part in (("ball", coloured), ("face", read_scan(face_scan).part)):
        path = tmp_path / f"{name}.glb"
        write_part(part, path, {"Title": 'A "quoted" \u2028 title', "Application": "Fettlebox"})
        run = subprocess.run(
            [node, "-e", VALIDATE, str(modules), str(path)], capture_output=True, encoding="utf-8", check=True
        )
        issues = json.loads(run.stdout)
        assert (issues["numErrors"], issues["numWarnings"], issues["messages"]) == (0, 0, [])


def test_what_is_written_reads_back_with_its_colours(tmp_path: Path, coloured: Part) -> None:
    path = tmp_path / "ball.glb"
    write_part(coloured, path)
    scan = read_scan(path)
    assert (scan.origin.unit_mm, scan.origin.up) == (1000.0, "+y")
    x, y, z = scan.part.vertices.T * 1000
    assert np.allclose(np.stack([x, -z, y], axis=1), coloured.vertices, atol=1e-5)
    assert np.array_equal(scan.part.faces, coloured.faces)
    assert np.array_equal(scan.part.colours, coloured.colours)  # type: ignore[arg-type]
    other = trimesh.load(path, force="mesh")
    assert other.is_watertight
    assert np.isclose(
        other.volume * 1e9, trimesh.Trimesh(coloured.vertices, coloured.faces).volume, rtol=1e-5
    )


def test_colours_are_linear_in_the_file(tmp_path: Path) -> None:
    """IEC 61966-2-1: sRGB 188 is about half of the light (0.5028), 255 all of it."""
    part = Part(np.eye(3), np.array([[0, 1, 2]]), np.array([[188, 255, 0, 128]] * 3, dtype=np.uint8))
    path = tmp_path / "one.glb"
    write_part(part, path)
    tree, binary = split(path.read_bytes())
    accessor = tree["accessors"][2]
    assert (accessor["componentType"], accessor["normalized"]) == (5123, True)
    start = tree["bufferViews"][2]["byteOffset"]
    shares = np.frombuffer(binary, "<u2", 4, start) / 65535
    assert np.allclose(shares, [0.5028, 1, 0, 128 / 255], atol=2e-4)


def test_nodes_are_placed_as_another_reader_places_them(tmp_path: Path) -> None:
    """Nested, turned, stretched and mirrored nodes, written by trimesh."""
    scene = trimesh.Scene()
    box = trimesh.creation.box((1, 2, 3))
    turn = trimesh.transformations.rotation_matrix(0.7, [1, 2, 3], [4, 5, 6])
    scene.add_geometry(box, node_name="a", transform=turn)
    inner = np.diag([2.0, 1, 1, 1])
    inner[:3, 3] = [10, 0, 0]
    scene.add_geometry(trimesh.creation.icosphere(1), node_name="b", parent_node_name="a", transform=inner)
    mirror = np.diag([-1.0, 1, 1, 1])
    mirror[:3, 3] = [0, 20, 0]
    scene.add_geometry(box.copy(), node_name="c", transform=mirror)
    for name in ("scene.glb", "scene.gltf"):
        path = tmp_path / name
        if name.endswith("glb"):
            path.write_bytes(trimesh.exchange.gltf.export_glb(scene))
        else:
            files = trimesh.exchange.gltf.export_gltf(scene, merge_buffers=True)
            tree = json.loads(files["model.gltf"])
            for buffer in tree["buffers"]:
                data = base64.b64encode(files[buffer["uri"]]).decode()
                buffer["uri"] = f"data:application/octet-stream;base64,{data}"
            path.write_text(json.dumps(tree))
        part = read_scan(path).part
        bodies = trimesh.Trimesh(part.vertices, part.faces, process=False).split()
        expected = scene.to_mesh().split()
        assert len(bodies) == 3

        def facts(meshes: Any) -> list[list[float]]:
            return sorted([*np.round(m.bounds.ravel(), 4), round(float(m.volume), 4)] for m in meshes)

        assert np.allclose(facts(bodies), facts(expected), atol=1e-3)
        assert all(body.volume > 0 for body in bodies)  # the mirrored box is not inside out


@pytest.mark.parametrize(
    ("mode", "index", "triangles"),
    [
        (4, [0, 1, 2, 0, 2, 3], [[0, 1, 2], [0, 2, 3]]),
        (5, [0, 1, 3, 2], [[0, 1, 3], [1, 2, 3]]),
        (6, [0, 1, 2, 3], [[0, 1, 2], [0, 2, 3]]),
    ],
)
def test_lists_strips_and_fans_face_one_way(
    tmp_path: Path, mode: int, index: list[int], triangles: list[list[int]]
) -> None:
    """Section 3.7.2.1 gives the order of corners; all three draw one square that looks along +Z."""
    data = struct.pack("<12f", 0, 0, 0, 1, 0, 0, 1, 1, 0, 0, 1, 0) + bytes(index)
    tree = {
        "asset": {"version": "2.0"},
        "nodes": [{"mesh": 0}],
        "meshes": [{"primitives": [{"attributes": {"POSITION": 0}, "indices": 1, "mode": mode}]}],
        "accessors": [
            {"bufferView": 0, "componentType": 5126, "count": 4, "type": "VEC3"},
            {"bufferView": 1, "componentType": 5121, "count": len(index), "type": "SCALAR"},
        ],
        "bufferViews": [
            {"buffer": 0, "byteLength": 48},
            {"buffer": 0, "byteOffset": 48, "byteLength": len(index)},
        ],
        "buffers": [{"byteLength": len(data), "uri": "data:;base64," + base64.b64encode(data).decode()}],
    }
    path = tmp_path / "square.gltf"
    path.write_text(json.dumps(tree))
    part = read_scan(path).part
    normals = np.cross(*(part.vertices[part.faces][:, k] - part.vertices[part.faces][:, 0] for k in (1, 2)))
    assert (normals[:, 2] > 0).all()
    assert [sorted(face) for face in part.faces.tolist()] == [sorted(face) for face in triangles]


def test_a_texture_seam_is_welded(tmp_path: Path) -> None:
    """A box with 24 vertices, as every exporter with normals or texture writes it, is closed again."""
    box = trimesh.creation.box()
    box.unmerge_vertices()
    path = tmp_path / "box.glb"
    path.write_bytes(trimesh.exchange.gltf.export_glb(trimesh.Scene(box), include_normals=True))
    part = read_scan(path).part
    assert len(part.vertices) == 8
    assert trimesh.Trimesh(part.vertices, part.faces, process=False).is_watertight
