"""The pictures of a job land in its folder, whatever plugins call theirs."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import trimesh
from fettlebox.mesh import Part
from fettlebox.mesh.fidelity import compare
from fettlebox.traveler.pictures import SO_FAR, picture_job, picture_name
from PIL import Image


@pytest.fixture
def ball() -> Part:
    mesh = trimesh.creation.icosphere(subdivisions=3, radius=20.0)
    return Part(np.asarray(mesh.vertices), np.asarray(mesh.faces, np.int32))


def test_a_job_is_pictured_and_measured(tmp_path: Path, ball: Part) -> None:
    grown = ball.with_mesh(ball.vertices * 1.01, ball.faces)
    seen = picture_job(tmp_path, ball, grown, ball, {})
    assert seen.paths == ("pictures/part.png", "pictures/before-after.png", "pictures/distance.png")
    assert seen.fidelity == compare(ball, grown).as_facts()
    for path in seen.paths:
        Image.open(tmp_path / path).verify()


def test_again_gives_the_same_files(tmp_path: Path, ball: Part) -> None:
    files = []
    for name in ("a", "b"):
        (tmp_path / name).mkdir()
        seen = picture_job(tmp_path / name, ball, ball, ball, {"cut-1": b"made by a step"})
        files.append([(tmp_path / name / path).read_bytes() for path in seen.paths])
    assert files[0] == files[1]
    assert files[0][-1] == b"made by a step"


@pytest.mark.parametrize("name", ["../../evil", "/etc/passwd", "a/b.png", "\x00", "", "ü" * 300, "part.png"])
def test_no_picture_leaves_the_folder_or_replaces_ours(tmp_path: Path, ball: Part, name: str) -> None:
    job = tmp_path / "job"
    job.mkdir()
    seen = picture_job(job, ball, ball, ball, {name: b"x"})
    for path in seen.paths:
        assert (job / path).resolve().parent == (job / "pictures").resolve()
    assert [p for p in tmp_path.rglob("*") if p.is_file() and job not in p.parents] == []
    assert (job / "pictures" / "part.png").read_bytes() != b"x"
    assert picture_name(picture_name(name)) == picture_name(name)


def test_a_part_without_triangles_has_no_picture(tmp_path: Path, ball: Part) -> None:
    empty = ball.with_mesh(ball.vertices, np.zeros((0, 3), int))
    seen = picture_job(tmp_path, empty, empty, ball, {})
    assert seen.paths == () and seen.fidelity is None


def test_where_nothing_was_made_of_it_only_the_scan_is_drawn(tmp_path: Path, ball: Part) -> None:
    seen = picture_job(tmp_path, ball, ball, ball, {}, after_is="")
    assert seen.paths == ("pictures/scan.png",) and seen.fidelity is None
    assert "part" not in " ".join(seen.captions.values())
    assert sorted(p.name for p in (tmp_path / "pictures").iterdir()) == ["scan.png"]


def test_what_a_step_stopped_is_not_called_a_part(tmp_path: Path, ball: Part) -> None:
    seen = picture_job(tmp_path, ball, ball, ball, {}, after_is=SO_FAR)
    assert not any(" part" in caption for caption in seen.captions.values())
    assert set(seen.captions) == set(seen.paths)


def test_a_step_says_in_its_picture_what_it_shows(tmp_path: Path, ball: Part) -> None:
    from fettlebox.pictures import render_views

    said, silent = render_views(ball, title="Where it was cut"), render_views(ball)
    seen = picture_job(tmp_path, ball, ball, ball, {"cut-plane": said, "cut-other": silent})
    assert seen.captions["pictures/cut-plane.png"] == "Where it was cut"
    assert "pictures/cut-other.png" not in seen.captions


def test_what_a_picture_says_itself_goes_before_what_is_said_of_all_of_its_kind(
    tmp_path: Path, ball: Part
) -> None:
    from fettlebox.pictures import captioned, render_views

    png = render_views(ball)
    pictures = {"mine": captioned(png, "Three places hang over."), "silent": png}
    said = {"mine": "How far it hangs over.", "silent": "How far it hangs over."}
    seen = picture_job(tmp_path, ball, ball, ball, pictures, said=said)
    assert seen.captions["pictures/mine.png"] == "Three places hang over."
    assert seen.captions["pictures/silent.png"] == "How far it hangs over."
