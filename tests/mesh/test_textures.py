"""The colours of a texture come to the vertices; nothing outside the scan's folder or zip is ever read."""

from __future__ import annotations

import io
import os
import re
import shutil
import zipfile
import zlib
from pathlib import Path

import numpy as np
import pymeshlab
import pytest
import trimesh
from fettlebox.mesh import Scan, read_scan
from fettlebox.mesh.formats.mtl import Material, materials
from fettlebox.mesh.formats.source import ReadLimits
from fettlebox.mesh.formats.textures import carried, encoded, linear, looked_up
from PIL import Image

SIDE = 64
GRID = 9


def ramp(side: int = SIDE) -> np.ndarray:
    """Red grows to the right, green downwards."""
    grow = np.rint((np.arange(side) + 0.5) / side * 255).astype(np.uint8)
    image = np.zeros((side, side, 3), np.uint8)
    image[..., 0], image[..., 1], image[..., 2] = grow[None, :], grow[:, None], 40
    return image


def packed(image: np.ndarray, kind: str = "PNG") -> bytes:
    out = io.BytesIO()
    Image.fromarray(image).save(out, kind, quality=95)
    return out.getvalue()


def sheet(texture: str = "t.png", library: str = "m.mtl", material: str = "skin") -> tuple[str, str]:
    """OBJ of a square, u to the right and v up over it, and its materials."""
    at = np.linspace(0, 1, GRID)
    lines = [f"mtllib {library}"]
    lines += [f"v {10 * x} {10 * y} 0" for y in at for x in at]
    lines += [f"vt {x} {y}" for y in at for x in at]
    lines.append(f"usemtl {material}")
    for j in range(GRID - 1):
        for i in range(GRID - 1):
            a = j * GRID + i + 1
            lines.append("f " + " ".join(f"{k}/{k}" for k in (a, a + 1, a + GRID + 1, a + GRID)))
    return "\n".join(lines) + "\n", f"newmtl {material}\nKd 1 1 1\nmap_Kd {texture}\n"


def folder_of(place: Path, files: dict[str, bytes | str]) -> Path:
    for name, content in files.items():
        path = place / "scan" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content.encode() if isinstance(content, str) else content)
    return place / "scan"


def zip_of(place: Path, files: dict[str, bytes | str]) -> Path:
    with zipfile.ZipFile(place / "scan.zip", "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in files.items():
            archive.writestr(name, content)
    return place / "scan.zip"


def check_ramp(scan: Scan, within: float = 3.0) -> None:
    """Red is u, green is 1 - v, but for the border, where the last pixel's middle is as far as it goes."""
    assert scan.part.colours is not None, scan.origin.notes
    u, v = scan.part.vertices[:, 0] / 10, scan.part.vertices[:, 1] / 10
    inside = (np.minimum(u, v) > 0.02) & (np.maximum(u, v) < 0.98)
    found = scan.part.colours[inside].astype(float)
    assert np.abs(found[:, 0] - 255 * u[inside]).max() <= within
    assert np.abs(found[:, 1] - 255 * (1 - v[inside])).max() <= within
    assert (scan.part.colours[:, 3] == 255).all()


@pytest.mark.parametrize("bring", [folder_of, zip_of], ids=["folder", "zip"])
@pytest.mark.parametrize("kind", ["PNG", "JPEG"])
def test_a_texture_in_folder_or_zip_colours_the_vertices(tmp_path: Path, bring: object, kind: str) -> None:
    obj, mtl = sheet()
    scan = read_scan(bring(tmp_path, {"s.obj": obj, "m.mtl": mtl, "t.png": packed(ramp(), kind)}))  # type: ignore[operator]
    check_ramp(scan, 3.0 if kind == "PNG" else 9.0)
    assert scan.origin.notes == ()


@pytest.mark.parametrize(
    ("written", "lies"),
    [
        ("tex/t.png", "sub/tex/t.png"),
        ("..\\images\\T.PNG", "images/t.png"),
        ("C:\\Users\\shop\\scans\\t.png", "sub/t.png"),
        ("-s 1 1 1 -bm 0.5 my skin.png", "sub/my skin.png"),
    ],
)
def test_the_image_is_found_as_the_file_means_it(tmp_path: Path, written: str, lies: str) -> None:
    obj, mtl = sheet(written)
    check_ramp(read_scan(folder_of(tmp_path, {"sub/s.obj": obj, "sub/m.mtl": mtl, lies: packed(ramp())})))


def test_names_that_lead_out_are_not_followed(tmp_path: Path) -> None:
    (tmp_path / "secret.png").write_bytes(packed(ramp()))
    for name in (
        "../secret.png",
        str(tmp_path / "secret.png"),
        "http://127.0.0.1:1/secret.png",
        "file:///etc/passwd",
    ):
        obj, mtl = sheet(name)
        scan = read_scan(folder_of(tmp_path, {"s.obj": obj, "m.mtl": mtl}))
        assert scan.part.colours is None
        assert "did not come with the scan" in scan.origin.notes[0]
    obj, mtl = sheet("t.png", "../outside.mtl")
    (tmp_path / "outside.mtl").write_text(mtl)
    scan = read_scan(folder_of(tmp_path, {"s.obj": obj, "t.png": packed(ramp()), "m.mtl": "# nothing"}))
    assert scan.part.colours is None


def test_links_and_pipes_are_not_followed(tmp_path: Path) -> None:
    (tmp_path / "secret.png").write_bytes(packed(ramp()))
    obj, mtl = sheet("t.png")
    scan = folder_of(tmp_path, {"s.obj": obj, "m.mtl": mtl})
    (scan / "t.png").symlink_to(tmp_path / "secret.png")
    found = read_scan(scan)
    assert found.part.colours is None and found.origin.notes
    (scan / "t.png").unlink()
    os.mkfifo(scan / "t.png")
    found = read_scan(scan)
    assert found.part.colours is None and found.origin.notes


def test_a_file_alone_reads_nothing_beside_it(tmp_path: Path) -> None:
    obj, mtl = sheet()
    scan = folder_of(tmp_path, {"s.obj": obj, "m.mtl": mtl, "t.png": packed(ramp())})
    assert read_scan(scan / "s.obj").part.colours is None


def bomb(side: int) -> bytes:
    """A PNG that says it has side x side pixels, in a few kilobytes of zeros."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return len(data).to_bytes(4, "big") + kind + data + zlib.crc32(kind + data).to_bytes(4, "big")

    head = side.to_bytes(4, "big") * 2 + b"\x08\x00\x00\x00\x00"
    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", head)
        + chunk(b"IDAT", zlib.compress(bytes(1 << 20)))
        + chunk(b"IEND", b"")
    )


@pytest.mark.parametrize(
    ("image", "told"),
    [
        (bomb(60_000), "damaged|pixels"),
        (bomb(12_000), "12000 x 12000 pixels; expected at most"),
        (b"GIF89a" + bytes(40), "neither PNG nor JPEG"),
        (packed(ramp())[:100], "damaged"),
        (b"", "expected|neither"),
        (b"<svg/>", "neither PNG nor JPEG"),
    ],
    ids=["huge", "large", "gif", "cut", "empty", "svg"],
)
def test_an_image_that_cannot_be_used_costs_the_colours_not_the_scan(
    tmp_path: Path, image: bytes, told: str
) -> None:
    obj, mtl = sheet()
    for scan in (
        read_scan(folder_of(tmp_path, {"s.obj": obj, "m.mtl": mtl, "t.png": image})),
        read_scan(zip_of(tmp_path, {"s.obj": obj, "m.mtl": mtl, "t.png": image})),
    ):
        assert scan.part.colours is None
        assert len(scan.part.faces) == 2 * (GRID - 1) ** 2
        (note,) = scan.origin.notes
        assert note.startswith("the texture 't.png' was left out")
        assert re.search(told, note), note


def test_all_images_together_are_bounded(tmp_path: Path) -> None:
    obj, mtl = sheet()
    scan = folder_of(tmp_path, {"s.obj": obj, "m.mtl": mtl, "t.png": packed(ramp())})
    assert read_scan(scan, ReadLimits(texture_pixels=SIDE * SIDE)).part.colours is not None
    assert read_scan(scan, ReadLimits(texture_pixels=SIDE * SIDE - 1)).part.colours is None
    assert read_scan(scan, ReadLimits(texture_bytes=100)).part.colours is None


def test_several_materials_each_colour_their_own_faces(tmp_path: Path) -> None:
    red, plain = np.full((4, 4, 3), [255, 0, 0], np.uint8), np.full((4, 4, 3), [0, 0, 255], np.uint8)
    obj = "mtllib m.mtl\n" + "".join(f"v {x} {y} 0\n" for x in (0, 1, 5, 6, 9, 10) for y in (0, 1))
    obj += "vt 0.5 0.5\nusemtl a\nf 1/1 3/1 2/1\nusemtl b\nf 5/1 7/1 6/1\nusemtl plain\nf 9 11 10\n"
    mtl = "newmtl a\nmap_Kd a.png\nnewmtl b\nmap_Kd b.png\nnewmtl plain\nKd 0 1 0\n"
    part = read_scan(
        folder_of(tmp_path, {"s.obj": obj, "m.mtl": mtl, "a.png": packed(red), "b.png": packed(plain)})
    ).part
    assert part.colours is not None
    assert part.colours[[0, 4, 8], :3].tolist() == [[255, 0, 0], [0, 0, 255], [0, 255, 0]]


def test_where_textures_meet_the_larger_face_counts_more() -> None:
    """IEC 61966-2-1: equal parts of full and no red are sRGB 188, not 128."""
    v = np.array([[0.0, 0, 0], [1, 0, 0], [0, 1, 0], [-1, 0, 0], [-3, 0, 0]])
    red, black = [1.0, 0, 0, 1], [0.0, 0, 0, 1]
    light = np.array([[red] * 3, [black] * 3])
    equal = carried(v, np.array([[0, 1, 2], [0, 2, 3]]), light)
    assert equal is not None and equal[0].tolist() == [188, 0, 0, 255]
    larger = carried(v, np.array([[0, 1, 2], [0, 2, 4]]), light)
    assert larger is not None and larger[0, 0] == encoded(np.array([[0.25, 0, 0, 1]]))[0, 0]
    assert carried(v, np.array([[0, 1, 2]]), np.full((1, 3, 4), np.nan)) is None


def test_looking_up_hits_the_middles_of_pixels_and_repeats() -> None:
    image = np.zeros((2, 4, 4), np.uint8)
    image[..., 0] = [[0, 60, 120, 180], [200, 210, 220, 230]]
    image[..., 3] = 255
    middles = np.array([[(c + 0.5) / 4, (r + 0.5) / 2] for r in range(2) for c in range(4)])
    for shift in (0, 1, -2):
        assert encoded(looked_up(image, middles + shift))[:, 0].tolist() == image[..., 0].ravel().tolist()
    between = looked_up(image, np.array([[0.25, 0.25]]))
    assert between[0, 0] == pytest.approx((linear(image[0, :1]) + linear(image[0, 1:2]))[0, 0] / 2)
    assert np.isfinite(looked_up(image, np.array([[np.nan, np.inf]]))).all()


def test_material_files_are_read_for_what_is_of_use() -> None:
    read = materials(
        b"# x\nnewmtl a b\r\n\tKd 0.5 0.25 1\nmap_Kd  -o 1 2 3 -clamp on skin 1.jpg\nmap_Bump n.png\n"
        b"newmtl c\nKd spectral x.rfl\nKd\nmap_Kd\n"
    )
    assert read == {b"a b": Material((0.5, 0.25, 1.0), "skin 1.jpg"), b"c": Material()}


@pytest.fixture
def bunny(textured_bunny: Path, tmp_path: Path) -> Path:
    """The figurine with its material and texture, in a folder of its own."""
    scan = tmp_path / "bunny"
    scan.mkdir()
    for name in ("bunny10k_textured.obj", "bunny10k_textured.mtl", "TextureDouble_A.png"):
        if not (textured_bunny.parent / name).is_file():
            pytest.skip(f"pymeshlab ships no {name}")
        shutil.copy(textured_bunny.parent / name, scan)
    return scan


def test_a_real_textured_scan_has_the_colours_that_another_library_gives_it(bunny: Path) -> None:
    """pymeshlab's own transfer, which takes one pixel and one of the corners at a seam."""
    ours = read_scan(bunny).part
    meshes = pymeshlab.MeshSet()
    meshes.load_new_mesh(str(bunny / "bunny10k_textured.obj"))
    meshes.apply_filter("compute_color_from_texture_per_vertex")
    theirs = meshes.current_mesh()
    assert np.allclose(theirs.vertex_matrix(), ours.vertices)
    assert ours.colours is not None
    apart = np.abs(np.rint(theirs.vertex_color_matrix()[:, :3] * 255) - ours.colours[:, :3]).max(axis=1)
    assert np.median(apart) <= 2
    assert (apart <= 24).mean() > 0.8  # the rest lies on the checks' edges, where one pixel decides


@pytest.mark.parametrize("kind", ["PNG", "JPEG"])
def test_glb_with_an_embedded_texture(tmp_path: Path, kind: str) -> None:
    """Written by trimesh, whose texture coordinates have v up and which turns them for glTF."""
    at = np.linspace(0, 1, GRID)
    uv = np.array([(x, y) for y in at for x in at])
    a = np.array([j * GRID + i for j in range(GRID - 1) for i in range(GRID - 1)])
    faces = np.concatenate(
        [np.stack([a, a + 1, a + GRID + 1], axis=1), np.stack([a, a + GRID + 1, a + GRID], axis=1)]
    )
    image = Image.open(io.BytesIO(packed(ramp(), kind)))
    material = trimesh.visual.material.PBRMaterial(baseColorTexture=image)
    visual = trimesh.visual.TextureVisuals(uv=uv, material=material)
    mesh = trimesh.Trimesh(np.c_[uv * 10, np.zeros(len(uv))], faces, visual=visual, process=False)
    (tmp_path / "s.glb").write_bytes(mesh.export(file_type="glb"))
    check_ramp(read_scan(tmp_path / "s.glb"), 3.0 if kind == "PNG" else 9.0)
