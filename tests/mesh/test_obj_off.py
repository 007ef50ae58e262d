"""OBJ and OFF against pymeshlab and trimesh, and their odd corners by hand."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import trimesh
from fettlebox.mesh import read_scan


def test_negative_numbers_polygons_colours_and_long_lines(tmp_path: Path) -> None:
    path = tmp_path / "odd.obj"
    path.write_text(
        "# a comment\nmtllib ../../../etc/passwd\no thing\n"
        "v 0 0 0 1 0 0\r\n  v 1. 0 0 0 1 0 # here too\nv +1 1e0 0 0 0 1\nv 0 1 .0 0.5 0.5 0.5\n"
        "vn 0 0 1\nvt 0 0\nusemtl none\ns off\nf -4//1 -3//1 \\\n -2//1 4/1/1\nf 1 2\n"
    )
    scan = read_scan(path)
    assert scan.part.vertices.tolist() == [[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]]
    assert scan.part.faces.tolist() == [[0, 1, 2], [0, 2, 3]]
    assert scan.part.colours is not None
    assert scan.part.colours[:, :3].tolist() == [[255, 0, 0], [0, 255, 0], [0, 0, 255], [128, 128, 128]]
    assert scan.origin.notes == ("1 faces of fewer than three corners were left out",)
    assert scan.origin.unit_mm is None and scan.origin.up is None


@pytest.mark.parametrize("name", ["bunny.obj", "bunny10k_textured.obj", "cow.obj", "cube.obj"])
def test_scans_are_read_as_pymeshlab_reads_them(textured_bunny: Path, name: str) -> None:
    import pymeshlab

    path = textured_bunny.with_name(name)
    if not path.is_file():
        pytest.skip(f"pymeshlab ships no {name}")
    meshes = pymeshlab.MeshSet()
    meshes.load_new_mesh(str(path))
    mesh = meshes.current_mesh()
    part = read_scan(path).part
    assert len(part.faces) == mesh.face_number()
    ours = part.vertices[part.faces]
    theirs = mesh.vertex_matrix()[mesh.face_matrix()]
    assert np.allclose(ours, theirs, atol=1e-5)


@pytest.mark.parametrize("suffix", [".obj", ".off"])
def test_what_others_write_is_read(tmp_path: Path, suffix: str) -> None:
    import pymeshlab

    ball = trimesh.creation.icosphere(3, radius=41.5)
    by_trimesh, by_pymeshlab = tmp_path / f"a{suffix}", tmp_path / f"b{suffix}"
    ball.export(by_trimesh)
    meshes = pymeshlab.MeshSet()
    meshes.add_mesh(pymeshlab.Mesh(ball.vertices, ball.faces))
    meshes.save_current_mesh(str(by_pymeshlab))
    for path in (by_trimesh, by_pymeshlab):
        part = read_scan(path).part
        assert np.allclose(part.vertices, ball.vertices, atol=1e-4)
        assert np.array_equal(part.faces, ball.faces)


def test_off_with_colours_comments_and_polygons(tmp_path: Path) -> None:
    path = tmp_path / "odd.off"
    path.write_text(
        "COFF # coloured\n# counts\n4 2 0\n0 0 0 255 0 0 255\n1 0 0 0 255 0 255\n1 1 0 0 0 255 128\n"
        "0 1 0 9 9 9 255\n4 0 1 2 3 200 10 10\n3 0 1 2\n"
    )
    part = read_scan(path).part
    assert part.faces.tolist() == [[0, 1, 2], [0, 2, 3], [0, 1, 2]]
    assert part.colours is not None
    assert part.colours.tolist() == [[255, 0, 0, 255], [0, 255, 0, 255], [0, 0, 255, 128], [9, 9, 9, 255]]


def test_off_of_many_colours_by_another_writer(tmp_path: Path) -> None:
    import pymeshlab

    ball = trimesh.creation.icosphere(2)
    shades = np.random.default_rng(3).integers(0, 256, (len(ball.vertices), 4)) / 255
    meshes = pymeshlab.MeshSet()
    meshes.add_mesh(pymeshlab.Mesh(ball.vertices, ball.faces, v_color_matrix=shades))
    for name in ("ball.off", "ball.obj"):
        path = tmp_path / name
        meshes.save_current_mesh(str(path), save_vertex_color=True)
        part = read_scan(path).part
        assert part.colours is not None
        assert np.abs(part.colours[:, :3] / 255 - shades[:, :3]).max() < 1.5 / 255
