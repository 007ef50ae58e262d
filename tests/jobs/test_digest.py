from __future__ import annotations

import hashlib
import os
from pathlib import Path

import pytest
from fettlebox.jobs.digest import DEEPEST, MOST_FILES, NotAScan, digest, signature


def test_the_digest_of_a_file_is_its_sha256(tmp_path: Path) -> None:
    """FIPS 180-4, the example of one block."""
    path = tmp_path / "abc"
    path.write_bytes(b"abc")
    assert digest(path) == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


def test_the_digest_of_a_large_file(tmp_path: Path) -> None:
    data = os.urandom(3_000_001)
    path = tmp_path / "large"
    path.write_bytes(data)
    assert digest(path) == hashlib.sha256(data).hexdigest()


def test_the_digest_of_a_folder_is_that_of_its_sorted_names_and_digests(tmp_path: Path) -> None:
    names = ("a.mtl", "b.obj", "maps/skin.png")
    for name in reversed(names):
        path = tmp_path / "scan" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(name)
    listed = "".join(f"{name}\0{hashlib.sha256(name.encode()).hexdigest()}\n" for name in names)
    before = digest(tmp_path / "scan")
    assert before == hashlib.sha256(listed.encode()).hexdigest()
    (tmp_path / "scan" / "a.mtl").rename(tmp_path / "scan" / "c.mtl")
    assert digest(tmp_path / "scan") != before


def test_a_signature_changes_with_size_time_and_file(tmp_path: Path) -> None:
    path = tmp_path / "x"
    path.write_text("1")
    first = signature(path)
    os.utime(path, ns=(0, first.changed_ns + 1))
    second = signature(path)
    path.write_text("22")
    os.utime(path, ns=(0, first.changed_ns + 1))
    other = tmp_path / "y"
    other.write_text("22")
    os.utime(other, ns=(0, first.changed_ns + 1))
    other.replace(path)
    assert len({first, second, signature(path)}) == 3


@pytest.mark.parametrize("inside", [False, True])
def test_links_and_pipes_are_no_scans(tmp_path: Path, inside: bool) -> None:
    home = tmp_path / "scan"
    home.mkdir()
    os.mkfifo(home / "pipe")
    with pytest.raises(NotAScan, match="a pipe"):
        signature(home if inside else home / "pipe")
    (home / "pipe").unlink()
    (home / "link").symlink_to("/etc/passwd")
    with pytest.raises(NotAScan, match="a link"):
        signature(home if inside else home / "link")
    with pytest.raises(OSError):
        digest(home / "link")


def test_a_pipe_put_in_place_of_a_file_does_not_block(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(OSError, match="not a file any more"):
        digest(tmp_path / "pipe")


def test_a_folder_without_end_is_no_scan(tmp_path: Path) -> None:
    deep = tmp_path / "deep"
    deep.joinpath(*"a" * (DEEPEST + 2)).mkdir(parents=True)
    with pytest.raises(NotAScan, match="folders deep"):
        signature(deep)
    wide = tmp_path / "wide"
    wide.mkdir()
    for number in range(MOST_FILES + 1):
        (wide / str(number)).touch()
    with pytest.raises(NotAScan, match="more than"):
        signature(wide)
