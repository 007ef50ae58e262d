"""OBJ: vertices, polygons, and colours: of vertices where a line has six numbers, else of a texture.

A texture and its material file are read only if they came with the OBJ in one folder or zip. Normals, curves
and names are skipped.
"""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np

from .polygons import colour_bytes, fan
from .source import RawMesh, Source, checked


def read(source: Source) -> RawMesh:
    from .obj_text import BLAMES, count_lines, read_lines

    text = source.bytes
    if b"\\" in source.data:  # a backslash continues a line; blanks instead keep every offset
        joined = re.sub(rb"\\\r?\n", lambda m: b" " * len(m[0]), source.data)
        text = replace(source, data=joined).bytes
    vertex_count, face_count, corner_count = count_lines(text)
    source.within(triangles=max(face_count, (corner_count - 2) // 3), vertices=vertex_count)
    points, colours, lengths, index, blame, at = read_lines(text, vertex_count, face_count, corner_count)
    if blame:
        source.fail(source.line_of(at), source.word_at(at), BLAMES[blame])
    corners, notes = fan(source, lengths)
    shade = None
    if len(colours) and np.isfinite(colours).all():
        scale = 255.0 if colours.max() > 1.0 else 1.0  # both ways of writing them are about
        shade = colour_bytes(colours / scale)
    elif b"mtllib" in source.data:
        from .obj_uv import colours as from_texture

        shade, more = from_texture(source, text, points, index, lengths, corners)
        notes = (*notes, *more)

    def vertex_line(number: int) -> str:
        found = re.finditer(rb"^[ \t]*v[ \t]", source.data, re.MULTILINE)
        start = next((m.start() for k, m in enumerate(found) if k == number), 0)
        return source.line_of(start)

    return checked(source, RawMesh(points, index[corners], shade, notes=notes), vertex_line)
