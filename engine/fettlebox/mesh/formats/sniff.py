"""Which format a file is in: by what it holds first, by its name only where that leaves doubt."""

from __future__ import annotations

import re
from collections.abc import Callable
from importlib import import_module
from pathlib import PurePosixPath
from typing import cast

from .source import RawMesh, Source

FORMATS = {
    "stl": ".stl",
    "ply": ".ply",
    "obj": ".obj",
    "off": ".off",
    "3mf": ".3mf",
    "glb": ".glb",
    "gltf": ".gltf",
}
READABLE: tuple[str, ...] = tuple(FORMATS.values())
_MODULES = {"3mf": "threemf_read", "glb": "gltf_read", "gltf": "gltf_read"}
_OBJ_LINE = re.compile(rb"^[ \t]*(v|vn|vt|f|usemtl|mtllib)[ \t]+\S", re.MULTILINE)
_OFF_LINE = re.compile(rb"(\s|#[^\n]*\n)*(ST)?(CN|NC|C|N|)OFF\b")


def reader_of(kind: str) -> Callable[[Source], RawMesh]:
    """The function that reads format `kind`; its module is imported here and not before."""
    module = import_module(f".{_MODULES.get(kind, kind)}", __package__)
    return cast(Callable[[Source], RawMesh], module.read)


def format_of(source: Source, also: tuple[str, ...] = ()) -> tuple[str, tuple[str, ...]]:
    """Name of the format (`zip` for one that is no 3MF), and a note if the file's name says another. `also`
    are endings of other formats, which the sentence on one that is not known lists.
    """
    suffix = PurePosixPath(source.name).suffix.lower()
    named = next((kind for kind, end in FORMATS.items() if end == suffix), None)
    kind = _by_content(source, named) or named
    if kind is None:
        source.fail(
            "the whole file", "nothing that is a mesh", f"one of {', '.join((*READABLE, *also))}, or a zip"
        )
    if kind != named and not (kind == "zip" and suffix == ".zip"):
        return kind, (f"the name ends in {suffix or 'nothing'!r}, but the content is {kind}",)
    return kind, ()


def _by_content(source: Source, named: str | None) -> str | None:
    from . import stl

    data = source.data
    head = data[:4096]
    if head.startswith(b"glTF"):
        return "glb"
    if head.startswith((b"PK\x03\x04", b"PK\x05\x06")):
        from .bundle import is_3mf

        return "3mf" if is_3mf(source) else "zip"
    if re.match(rb"ply[ \t]*\r?\n", head):
        return "ply"
    if stl.declared_facets(data) or stl.looks_like_text(data):
        return "stl"
    if _OFF_LINE.match(head):
        return "off"
    if re.match(rb"\s*\{", head.removeprefix(b"\xef\xbb\xbf")) and b'"asset"' in data:
        return "gltf"
    if named is None and b"\0" not in head and _OBJ_LINE.search(data[:65536]):
        return "obj"
    return None
