"""Two hundred things that a hostile or careless person drops, each with a piece of the sentence it must get.

The files that attack the readers are those of tests/mesh/test_hostile.py; here are names, tickets, what is no
file at all, files that are two things at once, and zips and folders that lead elsewhere.
"""

from __future__ import annotations

import gzip
import importlib.util
import io
import os
import socket
import stat
import tarfile
import zipfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

Make = Callable[[Path], object]


@dataclass(frozen=True)
class Case:
    """name    as it lies in the inbox, in bytes
    make    puts it there
    ticket  what lies beside it
    said    a piece of the sentence
    left    it is left alone in the inbox and told; else it is in rejects/
    """

    name: bytes
    make: Make
    said: str
    ticket: bytes | None = None
    left: bool = False


def table() -> Any:
    path = Path(__file__).parents[1] / "mesh" / "test_hostile.py"
    spec = importlib.util.spec_from_file_location("hostile_readers", path)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


READERS = table()
OBJ: str = READERS.OBJ


def writes(content: bytes | str) -> Make:
    data = content if isinstance(content, bytes) else content.encode()
    return lambda path: path.write_bytes(data)


def of_readers() -> Iterator[Case]:
    for name, content, said in READERS.HOSTILE:
        yield Case(name.encode(), writes(content), said.removeprefix(f"{name}: "))


NAMES: list[bytes] = [
    b"\x1b[2J\x1b[31mred.stl", b"\x1b]0;title\x07.stl", b"two\nlines.stl", b"back\rto the start.stl",
    b"tab\t.stl",
    b"delete\x7f.stl", "csi\u009b31m.stl".encode(), "right\u202eto left.stl".encode(),
    "zero\u200bwidth.stl".encode(),
    "\ufeffmark.stl".encode(), b"\xff\xfe not text.stl", b"\xed\xa0\x80 half a pair.stl",
    b"n" * 251 + b".stl",
    "ü".encode() * 125 + b".stl", "caf\u00e9.stl".encode(), "cafe\u0301.stl".encode(), b"CAFE.stl",
    b"-rf.stl",
    b"--once.stl", b"%s%n%x.stl", b"${HOME}.stl", b"$(reboot).stl",
    b"`reboot`.stl", b"a;reboot;.stl", b"a|b&c.stl",
    b"CON.stl", b"C:\\windows\\x.stl", b"a\\..\\..\\x.stl", b"a..stl", b"{{7*7}}.stl",
    b"<img src=x onerror=alert(1)>.stl",
    b"'; DROP TABLE jobs;--.stl", b"=cmd()!A1.stl", b"&amp;&#10;.stl",
]  # fmt: skip
"""Each holds nothing, so that it is rejected; what matters is what becomes of its name."""


def of_names() -> Iterator[Case]:
    for name in NAMES:
        yield Case(name, writes(b""), "found no bytes; expected a mesh")


LAUGHS = b"a: &a [x,x,x,x,x,x,x,x,x]\n" + b"".join(
    b"%c: &%c [%s]\n" % (98 + k, 98 + k, b",".join([b"*%c" % (97 + k)] * 9)) for k in range(9)
)
TICKETS: list[tuple[str, bytes, str]] = [
    ("laughs", LAUGHS, "its ticket cannot be used"),
    ("deep", b"set: " + b"{a: " * 3000 + b"1" + b"}" * 3000, "its ticket cannot be used"),
    ("deep-list", b"takes: " + b"[" * 20_000, "its ticket cannot be used"),
    ("large", b"note: " + b"x" * 70_000, "its ticket is larger than 64000 bytes"),
    ("python", b"note: !!python/object/apply:os.system [reboot]\n", "its ticket cannot be used"),
    ("tag", b"order: !!binary aGVsbG8=\n", "its ticket cannot be used"),
    ("twice", b"order: 1\norder: 2\n", "its ticket cannot be used"),
    ("nul", b"order: a\0b\n", "its ticket cannot be used"),
    ("latin", b"order: caf\xe9\n", "its ticket cannot be used"),
    ("wide", "order: 1\n".encode("utf-16"), "its ticket cannot be used"),
    ("empty", b"", "its ticket cannot be used"),
    ("list", b"- order\n", "its ticket cannot be used"),
    ("word", b"order\n", "its ticket cannot be used"),
    ("torn", b"order: [1, 2\n", "its ticket cannot be used"),
    ("documents", b"order: 1\n---\norder: 2\n", "its ticket cannot be used"),
    ("unknown", b"colour: red\n", "its ticket cannot be used"),
    ("path", b"recipe: ../../../etc/passwd\n", "its ticket cannot be used"),
    ("root", b"recipe: /etc/passwd\n", "its ticket cannot be used"),
    ("misspelt", b"recipe: fancie\n", "did you mean 'fancy'?"),
    ("strange", b"recipe: no-such-recipe-at-all\n", "this shop has no recipe"),
    ("escape", b'recipe: "\\e[2J"\n', "its ticket cannot be used"),
    ("unit", b"unit: furlong\n", "its ticket cannot be used"),
    ("up", b"up: sideways\n", "its ticket cannot be used"),
    ("order", b"order: {a: 1}\n", "its ticket cannot be used"),
    ("takes-out", b"takes: [../secret.stl]\n", "its ticket cannot be used"),
    ("takes-root", b"takes: [/etc/passwd]\n", "its ticket cannot be used"),
    ("takes-none", b"takes: [other.stl]\n", "lists takes, and it is none of them"),
    ("set-unknown", b"set: {wall: 2 mm}\n", "wall"),
    ("set-nested", b"set: {wall: {a: b}}\n", "its ticket cannot be used"),
    ("again", b"again: always\n", "its ticket cannot be used"),
    ("infinite", b"set: {wall: .inf}\n", "is not a number to work with"),
    ("inject", b'order: "${HOME}"\nset: {"${size}": 1}\n', "size"),
]


def of_tickets() -> Iterator[Case]:
    for name, ticket, said in TICKETS:
        yield Case(f"ticket-{name}.obj".encode(), writes(OBJ + f"# {name}\n"), said, ticket)


def linked_zip() -> bytes:
    """A zip whose one entry says that it is a symbolic link."""
    entry = zipfile.ZipInfo("a.obj")
    entry.create_system, entry.external_attr = 3, (stat.S_IFLNK | 0o777) << 16
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        archive.writestr(entry, "/etc/passwd")
    return out.getvalue()


def locked_zip() -> bytes:
    data = bytearray(READERS.packed({"a.obj": OBJ}, zipfile.ZIP_STORED))
    for mark, offset in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
        data[data.index(mark) + offset] |= 1  # the flag for encryption
    return bytes(data)


def tarred() -> bytes:
    out = io.BytesIO()
    with tarfile.open(fileobj=out, mode="w") as archive:
        entry = tarfile.TarInfo("../../evil.obj")
        entry.size = len(OBJ)
        archive.addfile(entry, io.BytesIO(OBJ.encode()))
    return out.getvalue()


PNG = b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR"
PACKED = READERS.packed({"a.obj": OBJ})
TWO_THINGS: list[tuple[str, bytes, str]] = [
    ("page.obj", b"<html><script>alert(1)</script></html>", "expected"),
    ("program.stl", b"\x7fELF" + bytes(400), "expected"),
    ("script.obj", b"#!/bin/sh\nreboot\n", "expected"),
    ("squeezed.ply", gzip.compress(READERS.PLY.encode()), "expected"),
    ("tarred.zip", tarred(), "expected"),
    ("picture.zip", PNG + bytes(90), "expected"),
    ("picture.glb", PNG + bytes(90), "expected"),
    ("paper.stl", b"%PDF-1.7\n" + bytes(100), "expected"),
    ("link.zip", linked_zip(), "expected"),
    ("locked.zip", locked_zip(), "expected"),
    ("long-name.zip", READERS.packed({"x/" * 400 + "a.obj": OBJ.replace("f 1", "f 9")}), "expected"),
    ("escape.zip", READERS.packed({"\x1b[2J.obj": OBJ.replace("f 1", "f 9")}), "a name that leads outside"),
    ("nul.zip", READERS.far_zip_entry("a\0.obj"), "expected"),
    ("dots.zip", READERS.far_zip_entry("a/../../b.obj"), "a name that leads outside"),
    ("share.zip", READERS.far_zip_entry("\\\\host\\b.obj"), "a name that leads outside"),
    ("sheet.3mf", PACKED, "expected"),
]


def of_two_things() -> Iterator[Case]:
    for name, content, said in TWO_THINGS:
        yield Case(f"two-{name}".encode(), writes(content), said)


def folder(**files: bytes | str | None) -> Make:
    """A folder of files; None makes a link to /etc/passwd."""

    def make(path: Path) -> None:
        path.mkdir()
        for name, content in files.items():
            place = path / name.replace("__", "/").replace("_", ".")
            place.parent.mkdir(parents=True, exist_ok=True)
            if content is None:
                place.symlink_to("/etc/passwd")
            else:
                place.write_bytes(content if isinstance(content, bytes) else content.encode())

    return make


def with_pipe(path: Path) -> None:
    path.mkdir()
    os.mkfifo(path / "a.obj")


def with_socket(path: Path) -> None:
    here = Path.cwd()
    os.chdir(path.parent)  # a socket's path may be 107 bytes long at most
    with socket.socket(socket.AF_UNIX) as server:
        server.bind(path.name)
    os.chdir(here)


def too_deep(path: Path) -> None:
    (path / "/".join("d" * 12)).mkdir(parents=True)
    (path / "/".join("d" * 12) / "a.obj").write_text(OBJ)


OUTSIDE_OBJ = "mtllib ../../../shop.yaml\n" + OBJ.replace("f 1", "f 9")
NO_FILES: list[tuple[str, Make, str, bool]] = [
    ("link.stl", lambda path: path.symlink_to("/etc/passwd"), "a link", True),
    ("link-to-folder", lambda path: path.symlink_to("/etc"), "a link", True),
    ("link-to-nothing.stl", lambda path: path.symlink_to("nowhere"), "a link", True),
    ("link-to-itself.stl", lambda path: path.symlink_to("link-to-itself.stl"), "a link", True),
    ("pipe.stl", os.mkfifo, "a pipe", True),
    ("socket.stl", with_socket, "a socket", True),
    ("folder-with-link", folder(a_obj=OBJ, b_png=None), "holds a link", True),
    ("folder-with-pipe", with_pipe, "holds a pipe", True),
    ("folder-too-deep", too_deep, "folders deep", True),
    ("folder-of-two", folder(a_obj=OBJ, b_obj=OBJ), "2 meshes in this folder", False),
    ("folder-of-none", folder(readme_txt="hello"), "no mesh in this folder", False),
    ("folder-outside", folder(a_obj=OUTSIDE_OBJ), "vertex number 8", False),
    ("fanci", folder(a_obj=OBJ), "did you mean 'fancy'?", False),
]


def of_no_files() -> Iterator[Case]:
    for name, make, said, left in NO_FILES:
        yield Case(name.encode(), make, said, left=left)


def cases() -> list[Case]:
    return [*of_readers(), *of_names(), *of_tickets(), *of_two_things(), *of_no_files()]
