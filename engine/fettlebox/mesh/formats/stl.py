"""STL: bare facets, no unit, no up axis.

Layout of the binary form: Library of Congress format description fdd000505 (80-byte header, uint32
count, 50 bytes a facet: normal, three corners, two spare bytes); of the text form: fdd000504.
"""

from __future__ import annotations

import re
import struct

import numpy as np
from numpy.typing import NDArray

from ..part import Part
from .source import RawMesh, Source, checked

HEADER = 84
FACET = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("spare", "<u2")])


def declared_facets(data: bytes) -> int | None:
    """Facet count of a binary STL whose size agrees with it to less than one facet, else None."""
    if len(data) < HEADER:
        return None
    count: int = struct.unpack_from("<I", data, 80)[0]
    return count if 0 <= len(data) - HEADER - count * FACET.itemsize < FACET.itemsize else None


def looks_like_text(data: bytes) -> bool:
    return re.match(rb"\s*solid\b[^\n]*\n\s*(facet|endsolid|solid)\b", data[:4096], re.IGNORECASE) is not None


def read(source: Source) -> RawMesh:
    if looks_like_text(source.data):
        corners = _read_text(source)
        notes: tuple[str, ...] = ()
    else:
        corners, notes = _read_binary(source)
    from .weld import weld  # numba: only when there is something to weld

    finite = np.isfinite(corners)
    if not finite.all():
        row = int(np.argmin(finite.all(axis=1)))
        source.fail(f"facet {row // 3}, corner {row % 3}", str(corners[row].tolist()), "finite numbers")
    vertices, index = weld(corners)
    mesh = RawMesh(vertices.astype(np.float64), index.reshape(-1, 3), notes=notes)
    return checked(source, mesh)


def _read_binary(source: Source) -> tuple[NDArray[np.float32], tuple[str, ...]]:
    data = source.data
    if len(data) < HEADER:
        source.fail(f"byte {len(data)}", "the end of the file", "an 84-byte STL header, or text with facets")
    count: int = struct.unpack_from("<I", data, 80)[0]
    holds, spare = divmod(len(data) - HEADER, FACET.itemsize)
    if count != holds:
        source.fail("byte 80", f"a count of {count} facets", f"{holds}, as many as the file's size holds")
    source.within(triangles=count)
    if not count:
        source.fail("byte 80", "a count of 0 facets", "at least one")
    records = np.frombuffer(data, dtype=FACET, count=count, offset=HEADER)
    notes = (f"{spare} bytes behind the last facet were ignored",) if spare else ()
    return np.ascontiguousarray(records["corners"]).reshape(-1, 3), notes


def _read_text(source: Source) -> NDArray[np.float32]:
    from .stl_text import BLAMES, read_facets

    most = source.data.lower().count(b"endloop") * 3 + 3
    source.within(triangles=most // 3 - 1)
    corners, blame, at = read_facets(source.bytes, most)
    if blame:
        source.fail(source.line_of(at), source.word_at(at), BLAMES[blame])
    if not len(corners):
        source.fail("the whole file", "no facets", "at least one")
    with np.errstate(over="ignore"):
        single: NDArray[np.float32] = corners.astype(np.float32)
    return single


def write(part: Part, about: dict[str, str]) -> bytes:
    """Binary STL, float32. The header is constant but for the title, and never begins with `solid`."""
    title = about.get("Title", "")
    header = f"Binary STL, millimetres. {title}".encode("ascii", "replace")[:80].ljust(80, b" ")
    corners = part.vertices.astype(np.float32)[part.faces]
    records = np.zeros(len(corners), dtype=FACET)
    records["corners"] = corners
    records["normal"] = _normals(corners)
    return header + struct.pack("<I", len(records)) + records.tobytes()


def _normals(corners: NDArray[np.float32]) -> NDArray[np.float32]:
    """Unit normals by the right-hand rule (m,3); zero for a facet without area."""
    p = corners.transpose(1, 2, 0).astype(np.float64)
    (ax, ay, az), (bx, by, bz) = p[1] - p[0], p[2] - p[0]
    normals = np.stack([ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx])
    length = np.sqrt((normals**2).sum(axis=0))
    unit = np.divide(normals, length, out=np.zeros_like(normals), where=length > 0)
    return np.asarray(unit.T, dtype=np.float32)
