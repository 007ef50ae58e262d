"""What every reader is given, and what it gives back.

Readers trust nothing: a count, an offset, a name or a ratio in a file is compared with the bytes that
are really there, and with `ReadLimits`, before anything is allocated for it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, NoReturn

import numpy as np
from numpy.typing import NDArray

from ...errors import ScanError
from ..scan import UpAxis

FURTHEST = 1e9
"""No coordinate may be further out than this, in the file's own unit.

A kilometre in micrometres: no scan comes near it, survey coordinates in metres stay below 1e7, and
squares and cubes of such numbers, which every area and volume needs, stay far from overflow.
"""


@dataclass(frozen=True)
class ReadLimits:
    """How much a scan may ask for. The defaults hold a 20 million triangle scan in any format.

    file_bytes      size of the file, or of the one mesh in a folder
    unpacked_bytes  size of all that is unpacked from a zip or 3MF, and of a decoded glTF buffer
    zip_ratio       unpacked over packed size of a zip member; deflated meshes reach about 20
    zip_members     entries of a zip or of a folder
    json_values     values in a glTF's JSON; each takes some hundred bytes once it is read
    nesting         depth of JSON values, XML elements, 3MF components and glTF nodes
    texture_bytes   size of one texture image or material file that comes with a mesh
    texture_pixels  pixels of all texture images of a scan together, of four bytes each
    """

    file_bytes: int = 4_000_000_000
    unpacked_bytes: int = 4_000_000_000
    triangles: int = 20_000_000
    vertices: int = 30_000_000
    zip_ratio: float = 200.0
    zip_members: int = 1_000
    json_values: int = 2_000_000
    nesting: int = 64
    texture_bytes: int = 200_000_000
    texture_pixels: int = 100_000_000


@dataclass(frozen=True)
class Source:
    """The bytes of one mesh file, the name a person knows it by, and what it may ask for.

    beside  bytes of a file that came with the mesh in one folder or zip, by the name the mesh gives it; None
            for anything else. No name leads out of there.
    """

    name: str
    data: bytes
    limits: ReadLimits
    beside: Callable[[str], bytes | None] = lambda name: None

    @property
    def bytes(self) -> NDArray[np.uint8]:
        """(n,) uint8 view of the file."""
        return np.frombuffer(self.data, dtype=np.uint8)

    def fail(self, place: str, found: str, expected: str) -> NoReturn:
        """Raise ScanError: file, place, what was found there, what was expected."""
        raise ScanError(f"{self.name}, {place}: found {found}; expected {expected}")

    def line_of(self, offset: int) -> str:
        """The place of a byte offset in a text file."""
        line = self.data.count(b"\n", 0, offset) + 1
        return f"line {line}"

    def word_at(self, offset: int) -> str:
        """The word at a byte offset, shortened and made printable, or `the end of the file`."""
        word = self.data[offset : offset + 200].split(maxsplit=1)
        if not word:
            return "the end of the file"
        return shown(word[0])

    def within(self, triangles: int = 0, vertices: int = 0) -> None:
        """Raise ScanError if the file asks for more triangles or vertices than allowed."""
        for count, most, what in (
            (triangles, self.limits.triangles, "triangles"),
            (vertices, self.limits.vertices, "vertices"),
        ):
            if count > most:
                self.fail("counting its content", f"{count} {what}", f"at most {most}")


@dataclass(frozen=True)
class RawMesh:
    """A mesh in the file's own numbers and axes.

    vertices (n,3) float64, faces (m,3) integers, colours (n,4) uint8 sRGB with alpha, or None.
    `unit_mm` and `up` are what the format or the file declares, None where it is silent.
    """

    vertices: NDArray[np.float64]
    faces: NDArray[Any]
    colours: NDArray[np.uint8] | None = None
    unit_mm: float | None = None
    up: UpAxis | None = None
    notes: tuple[str, ...] = ()

    def noting(self, *notes: str) -> RawMesh:
        return replace(self, notes=(*self.notes, *notes))


def shown(word: bytes | str) -> str:
    """A piece of a file as a person may see it: printable, quoted, at most 40 characters."""
    text = word.decode("utf-8", "replace") if isinstance(word, bytes) else word
    text = "".join(c if c.isprintable() else "?" for c in text[:41])
    return repr(text if len(text) <= 40 else text[:40] + "…")


def checked(
    source: Source,
    mesh: RawMesh,
    vertex_place: Callable[[int], str] = lambda i: f"vertex {i}",
    face_place: Callable[[int], str] = lambda i: f"face {i}",
) -> RawMesh:
    """`mesh` if it is a surface of plausible finite numbers, else ScanError naming the first fault."""
    vertices, faces = mesh.vertices, mesh.faces
    source.within(len(faces), len(vertices))
    if not len(vertices):
        source.fail("the whole file", "no vertices", "a surface of triangles")
    plausible = np.abs(vertices) <= FURTHEST
    if not plausible.all():
        row = int(np.argmin(plausible.all(axis=1)))
        value = next(float(v) for v, ok in zip(vertices[row], plausible[row], strict=True) if not ok)
        source.fail(vertex_place(row), f"coordinate {value:g}", f"a finite number of at most {FURTHEST:g}")
    if not len(faces):
        source.fail("the whole file", f"a point cloud of {len(vertices)} points", "a surface with faces")
    if faces.min() < 0 or faces.max() >= len(vertices):
        row = int(np.argmax(((faces < 0) | (faces >= len(vertices))).any(axis=1)))
        wrong = next(int(i) for i in faces[row] if not 0 <= i < len(vertices))
        source.fail(face_place(row), f"vertex number {wrong}", f"0 to {len(vertices) - 1}")
    return mesh
