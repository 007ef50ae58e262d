"""The contract suite for formats: good readers and writers pass, each faulty one fails for its own reason."""

from __future__ import annotations

import io
import os
import random
import struct
import time
from collections.abc import Callable, Mapping
from pathlib import Path

import numpy as np
import pytest
import trimesh
from fettlebox.hooks import RawMesh, Reader, Source, Writer
from fettlebox.made_for import CONTRACT
from fettlebox.mesh import Part
from fettlebox.mesh.formats import off, ply, stl
from fettlebox.testing import Check, brick, bust, reader_contract, writer_contract

FETTLEBOX_CONTRACT = CONTRACT
SOUP = b"OFF\n4 4 0\n0 0 0\n9 0 0\n0 9 0\n0 0 9\n3 0 2 1\n3 0 1 3\n3 0 3 2\n3 1 2 3\n"
CORNERS = np.array([[0, 0, 0], [9, 0, 0], [0, 9, 0], [0, 0, 9]], float)
FACES = np.array([[0, 2, 1], [0, 1, 3], [0, 3, 2], [1, 2, 3]])
THERE, AGAIN = "what it reads is what is there", "the same file is the same mesh"
TETRA = Part(CORNERS, FACES)


def faults(checks: list[Check]) -> dict[str, str]:
    return {check.name: said for check in checks if (said := check.fault()) is not None}


@pytest.mark.parametrize("kind", ["off", "ply", "stl"])
def test_built_in_readers_keep_the_contract(kind: str) -> None:
    """Samples are written by trimesh."""
    part = brick()
    mesh = trimesh.Trimesh(part.vertices, part.faces, process=False)
    data = mesh.export(file_type=kind)
    data = data.encode() if isinstance(data, str) else data
    reader = Reader(kind, (f".{kind}",), {"off": off.read, "ply": ply.read, "stl": stl.read}[kind])
    assert faults(reader_contract(reader, {f"a.{kind}": data}, {f"a.{kind}": part}, within=1e-5)) == {}


@pytest.mark.parametrize("kind", ["stl", "ply"])
def test_built_in_writers_keep_the_contract(kind: str) -> None:
    """Read back by trimesh. Binary STL and this PLY hold single precision: 2⁻²⁴ of the coordinate, 115 mm."""

    def read(data: bytes) -> Part:
        mesh = trimesh.load(io.BytesIO(data), file_type=kind, process=False)
        return Part(mesh.vertices, mesh.faces)

    write = {"stl": stl.write, "ply": ply.write}[kind]
    writer = Writer(f"my{kind}", lambda part, about: write(part, dict(about)), accuracy_mm=115.0 * 2.0**-23)
    assert faults(writer_contract(writer, read)) == {}


def careless(source: Source) -> RawMesh:
    """Reads OFF as one writes it in a hurry: believes every count, knows no limits."""
    words = source.data.split()
    if words[0] != b"OFF":
        source.fail("the first line", repr(words[0][:20]), "OFF")
    corners, faces = int(words[1]), int(words[2])
    vertices = np.zeros((corners, 3))
    vertices[:] = np.array(words[4 : 4 + 3 * corners], float).reshape(-1, 3)
    index = np.array(words[4 + 3 * corners :], int).reshape(faces, 4)[:, 1:]
    return RawMesh(vertices, index)


def changed(after: Callable[[RawMesh], RawMesh]) -> Callable[[Source], RawMesh]:
    return lambda source: after(off.read(source))


def loud(source: Source) -> RawMesh:
    print("reading", source.name)
    return off.read(source)


def wandering(source: Source) -> RawMesh:
    os.chdir("/")
    return off.read(source)


def greedy(source: Source) -> RawMesh:
    """Believes what stands where a count stands, and asks for memory before it looks."""
    (count,) = struct.unpack_from("<I", source.data.ljust(4))
    np.ones(count, np.uint8)
    return RawMesh(CORNERS, FACES)


def obliging(source: Source) -> RawMesh:
    try:
        return off.read(source)
    except Exception:
        return RawMesh(CORNERS, FACES)


@pytest.mark.parametrize(
    ("read", "check", "said"),
    [
        (careless, "damaged files get a sentence", "expected source.fail"),
        (careless, "no count is believed", "compare counts with what is there"),
        (careless, "limits are kept", "expected source.within"),
        (obliging, "noise is refused", "it reads noise as a mesh"),
        (loud, "reading keeps to itself", "it prints 'reading a.off'"),
        (wandering, "reading keeps to itself", "changes the current folder"),
        (changed(lambda m: RawMesh(m.vertices + 0.001, m.faces)), THERE, "0.00173205 off"),
        (changed(lambda m: RawMesh(m.vertices, m.faces[:, ::-1])), THERE, "look the other way"),
        (changed(lambda m: RawMesh(m.vertices * random.random(), m.faces)), AGAIN, "otherwise the second"),
        (lambda source: TETRA, "it reads its samples", "gave Part; expected RawMesh"),
        (changed(lambda m: RawMesh(m.vertices * np.nan, m.faces)), "it reads its samples", "a finite number"),
        (changed(lambda m: RawMesh(m.vertices, m.faces + 1)), "it reads its samples", "vertex number 4"),
    ],
)  # fmt: skip
def test_a_faulty_reader_is_found_out(read: Callable[[Source], RawMesh], check: str, said: str) -> None:
    found = faults(reader_contract(Reader("bad", (".off",), read), {"a.off": SOUP}, {"a.off": TETRA}))
    assert check in found, found
    assert said in found[check]


def test_a_binary_count_that_is_believed_is_found_out() -> None:
    sample = struct.pack("<I", 4) + b"\xff" * 40
    checks = reader_contract(Reader("bad", (".bin",), greedy), {"a.bin": sample})
    (check,) = [check for check in checks if check.name == "no count is believed"]
    assert "with the four bytes at 0 made a huge count" in (check.fault() or "")


def test_a_sample_without_the_reader_s_ending_is_named() -> None:
    found = faults(reader_contract(Reader("off", (".off",), off.read), {"a.txt": SOUP}))
    assert "none of its endings, .off" in found["it reads its samples"]


def text(part: Part, about: Mapping[str, str], turned: slice = slice(None)) -> bytes:
    lines = ["OFF", f"{len(part.vertices)} {len(part.faces)} 0"]
    lines += [" ".join(map(repr, row)) for row in part.vertices.tolist()]
    lines += ["3 " + " ".join(map(str, row[turned])) for row in part.faces.tolist()]
    return ("\n".join(lines) + "\n").encode()


def back(data: bytes) -> Part:
    mesh = trimesh.load(io.BytesIO(data), file_type="off", process=False)
    return Part(mesh.vertices, mesh.faces)


def rounded(part: Part, about: Mapping[str, str]) -> bytes:
    return text(Part(np.round(part.vertices, 1), part.faces), about)


def dated(part: Part, about: Mapping[str, str]) -> bytes:
    return text(part, about) + f"# {time.perf_counter_ns()}\n".encode()


def trusting(part: Part, about: Mapping[str, str]) -> bytes:
    return text(part, about) + "".join(f"# {word}\n" for word in about.values()).encode()


def unescaped(part: Part, about: Mapping[str, str]) -> bytes:
    return text(part, about).replace(b"OFF\n", f"OFF\n{about.get('Title', '')}\n".encode(), 1)


def leaving(part: Part, about: Mapping[str, str]) -> bytes:
    Path("/tmp/left-behind-by-a-writer").write_text("x")
    Path("/tmp/left-behind-by-a-writer").unlink()
    return text(part, about)


def straying(part: Part, about: Mapping[str, str]) -> bytes:
    os.chdir("/")
    return text(part, about)


def test_a_good_writer_passes_and_a_text_in_a_comment_is_no_harm() -> None:
    for write in (text, trusting):
        assert faults(writer_contract(Writer("off2", write), back, {"bust": bust(3)})) == {}


@pytest.mark.parametrize(
    ("write", "check", "said"),
    [
        (rounded, "what was written comes back", "expected at most 0 mm, as accuracy_mm states"),
        (lambda p, a: text(p, a, slice(None, None, -1)), "what was written comes back", "inside out"),
        (lambda p, a: text(Part(p.vertices, p.faces[:-1]), a), "what was written comes back", "come back as"),
        (dated, "the same part is the same file", "is there a date in them?"),
        (unescaped, "no text breaks the file", "cannot be read"),
        (leaving, "writing keeps to itself", "writes to /tmp/left-behind-by-a-writer"),
        (straying, "writing keeps to itself", "changes the current folder"),
        (lambda p, a: "text", "it writes every part", "gives str"),
        (lambda p, a: b"", "it writes every part", "or nothing"),
        (lambda p, a: 1 / 0, "it writes every part", "fails with ZeroDivisionError"),
    ],
)  # fmt: skip
def test_a_faulty_writer_is_found_out(write: Callable[..., bytes], check: str, said: str) -> None:
    found = faults(writer_contract(Writer("bad", write), back, {"bust": bust(3)}))
    assert check in found, found
    assert said in found[check]


def test_rounding_that_is_stated_is_allowed() -> None:
    """Rounded to tenths, a corner is at most half a tenth off along each axis: 0.05·√3 mm."""
    assert faults(writer_contract(Writer("off2", rounded, 0.05 * 3**0.5), back, {"bust": bust(2)})) == {}
