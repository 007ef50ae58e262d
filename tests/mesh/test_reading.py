"""Which format a file is in, scans in folders and zips, and what is kept about where they come from."""

from __future__ import annotations

import hashlib
import subprocess
import sys
import zipfile
from pathlib import Path

import numpy as np
import pytest
from fettlebox.errors import ScanError
from fettlebox.mesh import READABLE, Part, read_scan, write_part

OBJ = "mtllib a.mtl\nv 0 0 0\nv 1 0 0\nv 0 1 0\nf 1 2 3\n"
PART = Part(np.eye(3), np.array([[0, 1, 2]]))


def test_the_digest_is_of_the_files_bytes(tmp_path: Path) -> None:
    path = tmp_path / "a.obj"
    path.write_text(OBJ)
    scan = read_scan(path)
    assert scan.origin.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert scan.origin.name == "a.obj"
    assert scan.origin.notes == ()
    assert np.array_equal(scan.part.placement, np.eye(4))


@pytest.mark.parametrize("written", [".stl", ".ply", ".3mf", ".glb"])
@pytest.mark.parametrize("named", [*READABLE, ".STL", ".dat", ""])
def test_content_decides_and_a_wrong_name_is_noted(tmp_path: Path, written: str, named: str) -> None:
    right = tmp_path / f"right{written}"
    write_part(PART, right)
    path = right.rename(tmp_path / f"wrong{named}")
    origin = read_scan(path).origin
    assert f".{origin.format}" == written
    assert bool(origin.notes) == (named.lower() != written)
    assert all("the name ends in" in note for note in origin.notes)


def test_a_zip_or_folder_with_one_mesh_is_a_scan(tmp_path: Path) -> None:
    folder = tmp_path / "bust"
    (folder / "textures").mkdir(parents=True)
    (folder / "bust.obj").write_text(OBJ)
    (folder / "a.mtl").write_text("newmtl a\nmap_Kd textures/a.png\n")
    (folder / "textures" / "a.png").write_bytes(b"\x89PNG")
    (folder / "._bust.obj").write_bytes(b"\0")
    archive = tmp_path / "bust.zip"
    with zipfile.ZipFile(archive, "w", zipfile.ZIP_DEFLATED) as packed:
        for file in sorted(folder.rglob("*")):
            packed.write(file, "bust/" + file.relative_to(folder).as_posix())
        packed.writestr("__MACOSX/bust/._bust.obj", b"\0")
    for path, digested in ((folder, folder / "bust.obj"), (archive, archive)):
        scan = read_scan(path)
        assert scan.origin.format == "obj"
        assert scan.origin.name == path.name
        assert scan.origin.sha256 == hashlib.sha256(digested.read_bytes()).hexdigest()
        assert len(scan.part.faces) == 1
        assert scan.origin.notes == ()


def test_a_folder_of_several_meshes_names_them(tmp_path: Path) -> None:
    for name in ("b.obj", "a.OBJ"):
        (tmp_path / name).write_text(OBJ)
    with pytest.raises(ScanError, match=r"found 2 meshes in this folder, 'a\.OBJ', 'b\.obj'; expected"):
        read_scan(tmp_path)


def test_links_out_of_a_folder_are_not_followed(tmp_path: Path) -> None:
    (tmp_path / "secret.obj").write_text(OBJ)
    folder = tmp_path / "scan"
    folder.mkdir()
    (folder / "link.obj").symlink_to(tmp_path / "secret.obj")
    with pytest.raises(ScanError, match="no mesh in this folder"):
        read_scan(folder)


def test_importing_the_package_stays_light() -> None:
    code = (
        "import sys, fettlebox.mesh\n"
        "heavy = {'numba', 'scipy', 'trimesh', 'stl_reader', 'lxml', 'zipfile', 'json'} & set(sys.modules)\n"
        "sys.exit(', '.join(sorted(heavy)) or 0)"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, encoding="utf-8", check=False)
    assert run.returncode == 0, run.stderr


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux bounds private memory")
def test_reading_a_small_file_takes_little_memory(tmp_path: Path) -> None:
    """In a process that may use 1 GB, as in a worker of a shop with little memory."""
    path = tmp_path / "a.obj"
    path.write_text("v 0 0 0\nv 1 0 0\nv 0 1 0\nf 1 2 3\n")
    code = (
        "import resource, sys; from pathlib import Path; from fettlebox.mesh import read_scan;"
        "resource.setrlimit(resource.RLIMIT_DATA, (10**9, 10**9));"
        "assert len(read_scan(Path(sys.argv[1])).part.faces) == 1"
    )
    subprocess.run([sys.executable, "-c", code, str(path)], check=True)
