"""OFF and COFF, the text form: after the Geomview manual, "OFF Files" (The Geometry Center)."""

from __future__ import annotations

import re

import numpy as np

from .polygons import colour_bytes, fan
from .source import RawMesh, Source, checked

_HEADER = re.compile(rb"\s*(?:ST)?(CN|NC|C|N|)OFF\b")
_COLOUR_COLUMN = {b"CN": 6, b"NC": 3, b"C": 3}
"""Where a vertex's colour begins. The manual puts normals first; files headed NCOFF have colours first."""


def read(source: Source) -> RawMesh:
    from .numerals import read_numbers
    from .off_text import BLAMES, read_faces

    plain = source.data
    if b"#" in plain:  # comments become blanks of the same length, so that offsets stay true
        plain = re.sub(rb"#[^\r\n]*", lambda m: b" " * len(m[0]), plain)
    header = _HEADER.match(plain)
    if header is None:
        source.fail("line 1", source.word_at(0), "OFF, COFF, NOFF or CNOFF")
    text = np.frombuffer(plain, dtype=np.uint8)
    counts, at, bad = read_numbers(text, header.end(), 3)
    if bad >= 0:
        source.fail(source.line_of(bad), source.word_at(bad), "counts of vertices, faces and edges")
    if (counts < 0).any() or (counts != np.floor(counts)).any() or counts.max() > len(plain):
        listed = ", ".join(f"{count:g}" for count in counts)
        source.fail(source.line_of(at - 1), f"the counts {listed}", "whole numbers that the file can hold")
    vertex_count, face_count = int(counts[0]), int(counts[1])
    source.within(face_count, vertex_count)
    first_line = re.compile(rb"\s*([^\r\n]*)").match(plain, at)
    columns = max(3, len(first_line[1].split()) if first_line else 0)
    if vertex_count * columns > (len(plain) - at + 1) // 2:
        source.fail(f"byte {at}", f"{len(plain) - at} bytes", f"{vertex_count} vertices of {columns} numbers")
    values, at, bad = read_numbers(text, at, vertex_count * columns)
    if bad >= 0:
        source.fail(source.line_of(bad), source.word_at(bad), f"a number, one of {columns} a vertex")
    table = values.reshape(vertex_count, columns)
    lengths, index, blame, at = read_faces(text, at, face_count, (len(plain) - at + 1) // 2)
    if blame:
        source.fail(source.line_of(at), source.word_at(at), BLAMES[blame])
    corners, notes = fan(source, lengths)
    colours = None
    first = _COLOUR_COLUMN.get(header[1])
    shades_width = columns - (first or 0) - (3 if header[1] == b"NC" else 0)
    if first is not None and shades_width >= 3:
        shades = table[:, first : first + min(shades_width, 4)]
        colours = colour_bytes(shades / 255.0 if len(shades) and shades.max() > 1.0 else shades)
    points = np.ascontiguousarray(table[:, :3])
    return checked(source, RawMesh(points, index[corners], colours, notes=notes))
