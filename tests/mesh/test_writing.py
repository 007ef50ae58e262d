"""Writing: whole or not at all, the same part as the same bytes, and texts of strangers made tame."""

from __future__ import annotations

import os
import stat
import struct
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import trimesh
from fettlebox.errors import UsageError
from fettlebox.mesh import WRITABLE, Part, read_scan, write_part, writing
from fettlebox.mesh.writing import LONGEST_TEXT, tame


@pytest.fixture(scope="module")
def part() -> Part:
    ball = trimesh.creation.icosphere(3, radius=11)
    return Part(ball.vertices, ball.faces, np.full((len(ball.vertices), 4), 200, np.uint8))


@pytest.mark.parametrize("suffix", WRITABLE)
def test_the_same_part_gives_the_same_bytes_in_another_process(
    tmp_path: Path, part: Part, suffix: str
) -> None:
    here = tmp_path / f"here{suffix}"
    write_part(part, here, {"Title": "x"})
    np.savez(tmp_path / "part.npz", v=part.vertices, f=part.faces, c=part.colours)
    code = (
        "import sys, numpy as np; from pathlib import Path; from fettlebox.mesh import Part, write_part\n"
        "a = np.load(sys.argv[1]); part = Part(a['v'], a['f'], a['c'])\n"
        "write_part(part, Path(sys.argv[2]), {'Title': 'x'})"
    )
    there = tmp_path / f"there{suffix}"
    environment = {**os.environ, "PYTHONHASHSEED": "7", "TZ": "Asia/Tokyo"}
    subprocess.run(
        [sys.executable, "-c", code, str(tmp_path / "part.npz"), str(there)], check=True, env=environment
    )
    assert here.read_bytes() == there.read_bytes()


@pytest.mark.parametrize("suffix", WRITABLE)
def test_every_format_reads_back_closed_and_the_same_size(tmp_path: Path, part: Part, suffix: str) -> None:
    path = tmp_path / f"part{suffix}"
    write_part(part, path)
    scan = read_scan(path)
    unit = scan.origin.unit_mm or 1.0
    mesh = trimesh.Trimesh(scan.part.vertices * unit, scan.part.faces, process=False)
    assert mesh.is_watertight
    assert np.isclose(mesh.volume, trimesh.Trimesh(part.vertices, part.faces).volume, rtol=1e-5)
    assert [entry.name for entry in tmp_path.iterdir()] == [path.name]


@pytest.mark.parametrize("failing", ["fsync", "replace", "write"])
def test_nothing_is_left_when_the_disk_fails(
    tmp_path: Path, part: Part, monkeypatch: pytest.MonkeyPatch, failing: str
) -> None:
    path = tmp_path / "part.stl"
    path.write_text("what stood here before")

    def fail(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    if failing == "fsync":
        monkeypatch.setattr(writing.os, "fsync", fail)
    elif failing == "replace":
        monkeypatch.setattr(Path, "replace", fail)
    else:
        monkeypatch.setattr(writing.os, "fdopen", lambda handle, mode: FullDisk(handle))
    with pytest.raises(OSError, match="No space left"):
        write_part(part, path)
    assert [entry.name for entry in tmp_path.iterdir()] == ["part.stl"]
    assert path.read_text() == "what stood here before"


class FullDisk:
    """A file that takes ten bytes."""

    def __init__(self, handle: int) -> None:
        self.stream = open(handle, "wb")  # noqa: SIM115

    def __enter__(self) -> FullDisk:
        return self

    def __exit__(self, *_: object) -> None:
        self.stream.close()

    def write(self, content: bytes) -> None:
        self.stream.write(content[:10])
        raise OSError(28, "No space left on device")


def test_the_bytes_are_on_disk_before_the_name_appears(
    tmp_path: Path, part: Part, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "part.ply"
    seen: list[tuple[str, bool]] = []
    real = os.fsync

    def watch(handle: int) -> None:
        kind = "folder" if stat.S_ISDIR(os.fstat(handle).st_mode) else "file"
        seen.append((kind, path.exists()))
        real(handle)

    monkeypatch.setattr(writing.os, "fsync", watch)
    write_part(part, path)
    assert seen == [("file", False), ("folder", True)]


def test_the_file_has_the_mode_of_any_new_file(tmp_path: Path, part: Part) -> None:
    usual = tmp_path / "usual"
    usual.touch()
    write_part(part, tmp_path / "part.stl")
    assert (tmp_path / "part.stl").stat().st_mode == usual.stat().st_mode


def test_texts_are_made_tame() -> None:
    texts = tame({"Title": "a\x00b\r\nc\x1b[31m\u202ed", "k" * 100: "v" * 5000, "n": 7})  # type: ignore[dict-item]
    assert texts["Title"] == "a b  c [31m d"
    assert max(map(len, texts)) == 64
    assert len(texts["k" * 64]) == LONGEST_TEXT
    assert texts["n"] == "7"
    assert len(tame({str(k): "" for k in range(1000)})) == writing.MOST_TEXTS


@pytest.mark.parametrize("suffix", WRITABLE)
def test_a_hostile_text_does_no_harm(tmp_path: Path, part: Part, suffix: str) -> None:
    path = tmp_path / f"part{suffix}"
    nasty = 'end_header\n]]></metadata>"<!DOCTYPE x>\x00\ud800 solid'
    write_part(part, path, {"Title": nasty, nasty: nasty, "solid": "solid"})
    assert len(read_scan(path).part.faces) == len(part.faces)


def test_another_suffix_and_an_empty_part_are_refused(tmp_path: Path, part: Part) -> None:
    with pytest.raises(UsageError, match=r"part\.step: cannot write '\.step'; expected one of \.stl"):
        write_part(part, tmp_path / "part.step")
    with pytest.raises(ValueError, match="without triangles"):
        write_part(Part(part.vertices, np.empty((0, 3), np.int32)), tmp_path / "part.stl")
    assert not list(tmp_path.iterdir())


def test_stl_normals_follow_the_right_hand_rule(tmp_path: Path, part: Part) -> None:
    path = tmp_path / "part.stl"
    write_part(part, path)
    data = path.read_bytes()
    for k in range(0, len(part.faces), 50):
        normal = np.array(struct.unpack_from("<3f", data, 84 + 50 * k))
        assert np.isclose(np.linalg.norm(normal), 1, atol=1e-6)
        assert normal @ part.vertices[part.faces[k]].mean(axis=0) > 0
