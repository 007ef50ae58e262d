"""Read a scan: whatever comes into the inbox, in the file's own numbers and axes.

    scan = read_scan(Path("inbox/bust.stl"))

A scan is a mesh file, or a folder or zip that holds exactly one mesh among its materials and textures.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path, PurePosixPath
from types import MappingProxyType

import numpy as np

from ..errors import ScanError
from .formats.sniff import READABLE, format_of, reader_of
from .formats.source import RawMesh, ReadLimits, Source
from .part import Part
from .scan import Origin, Scan

__all__ = ["READABLE", "ReadLimits", "names_in_zip", "read_scan"]


Readers = Mapping[str, Callable[[Source], RawMesh]]
NONE_MORE: Readers = MappingProxyType({})


def read_scan(
    path: Path,
    limits: ReadLimits = ReadLimits(),  # noqa: B008
    *,
    mesh: str | None = None,
    more: Readers = NONE_MORE,
) -> Scan:
    """The one mesh that a file, a zip or a folder holds, and what it says about itself. Of a folder or zip
    that holds several, `mesh` names the one to read. `more` reads, by their endings, files of other formats.

    `origin.sha256` is of the file's bytes, and for a folder of its mesh file's. Raises ScanError, one
    sentence naming the file and the place, for anything that is not one surface; nothing else.
    """
    try:
        return _read(path, limits, mesh, more)
    except OSError as error:
        raise ScanError(f"{path.name}: cannot be read: {error.strerror or error}") from error
    except MemoryError as error:
        raise ScanError(f"{path.name}: found more than fits into memory; expected a smaller mesh") from error


def names_in_zip(path: Path, limits: ReadLimits = ReadLimits()) -> tuple[str, ...]:  # noqa: B008
    """Names of all that a zip holds; none for a scan that is no zip. Raises ScanError as `read_scan` does."""
    from .formats import bundle

    if path.is_dir() or path.suffix.lower() != ".zip":
        return ()
    return tuple(bundle.open_zip(Source(path.name, _bytes_of(path, limits), limits)).namelist())


def _read(path: Path, limits: ReadLimits, wanted: str | None, more: Readers) -> Scan:
    from .formats import bundle

    endings = (*READABLE, *more)
    file = bundle.mesh_in_folder(path, limits, wanted, endings) if path.is_dir() else path
    data = _bytes_of(file, limits)
    sha256 = hashlib.sha256(data).hexdigest()
    name = file.relative_to(path.parent).as_posix()
    source = Source(name, data, limits)
    if path.is_dir():
        source = replace(source, beside=bundle.beside_in_folder(path, file, limits))
    kind, notes = _format(source, more)
    if kind == "zip":
        source = bundle.mesh_in_zip(source, wanted, endings)
        kind, notes = _format(source, more)
        if kind == "zip":
            source.fail("the whole file", "a zip inside a zip", "a mesh")
    mesh = (more[f".{kind}"] if f".{kind}" in more else reader_of(kind))(source)
    return Scan(_part(mesh), Origin(path.name, kind, sha256, mesh.unit_mm, mesh.up, (*notes, *mesh.notes)))


def _format(source: Source, more: Readers) -> tuple[str, tuple[str, ...]]:
    """As `format_of`; an ending for which a shop has installed a reader is taken at its word, as what the
    file holds may look like another format's.
    """
    suffix = PurePosixPath(source.name).suffix.lower()
    return (suffix.removeprefix("."), ()) if suffix in more else format_of(source, tuple(more))


def _bytes_of(file: Path, limits: ReadLimits) -> bytes:
    if not file.is_file():
        raise ScanError(f"{file.name}: found no file of this name; expected a mesh, a zip or a folder")
    with file.open("rb") as stream:
        size = stream.seek(0, 2)
        if size > limits.file_bytes:
            raise ScanError(f"{file.name}: found {size} bytes; expected at most {limits.file_bytes}")
        stream.seek(0)
        data = stream.read(size)  # `read` takes the memory it is asked for at once, however short the file
        grows = bool(stream.read(1))
    if not data:
        raise ScanError(f"{file.name}: found no bytes; expected a mesh")
    if grows:
        raise ScanError(f"{file.name}: found a file that still grows; expected one that is complete")
    return data


def _part(mesh: RawMesh) -> Part:
    """Hand the arrays over without a copy: nobody else holds them."""
    vertices = np.ascontiguousarray(mesh.vertices, dtype=np.float64)
    faces = np.ascontiguousarray(mesh.faces, dtype=np.int32)
    for array in (vertices, faces):
        if array.base is None:
            array.flags.writeable = False
    return Part(vertices, faces, mesh.colours)
