"""PLY: text and both binary byte orders, colours, polygons; anything else in it is skipped."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..part import Part
from .ply_header import Element, Header, read_header
from .polygons import colour_bytes, fan
from .source import RawMesh, Source, checked

FACE_LISTS = ("vertex_indices", "vertex_index")
COLOURS = (("red", "green", "blue"), ("diffuse_red", "diffuse_green", "diffuse_blue"))


def read(source: Source) -> RawMesh:
    header = read_header(source)
    vertices: dict[str, NDArray[Any]] = {}
    faces: NDArray[Any] = np.empty((0, 3), dtype=np.int64)
    notes: tuple[str, ...] = ()
    seen = {element.name for element in header.elements}
    if len(seen) != len(header.elements):
        source.fail("the header", "two elements of one name", "each element once")
    at = header.end
    for element in header.elements:
        if element.name == "vertex":
            source.within(vertices=element.count)
        elif element.name == "face":
            source.within(triangles=element.count)
        if not element.properties or not element.count:
            continue
        if element.has_lists:
            wanted = _wanted(source, element)
            walk = _lists_in_binary if header.order else _lists_in_text
            flat, lengths, at = walk(source, header, element, wanted, at)
            if element.name == "face":
                corners, notes = fan(source, lengths)
                faces = flat[corners]
        else:
            columns, at = _columns(source, header, element, at)
            if element.name == "vertex":
                vertices = columns
    missing = [axis for axis in "xyz" if axis not in vertices]
    if missing:
        source.fail("the header", f"no vertex property {missing[0]}", "vertices with x, y and z")
    if "tristrips" in seen and not len(faces):
        source.fail("the header", "triangle strips", "an element of faces")
    with np.errstate(over="ignore"):
        points = np.stack([vertices[axis] for axis in "xyz"], axis=1).astype(np.float64)
    return checked(source, RawMesh(points, faces, _colours(vertices), notes=notes))


def _wanted(source: Source, element: Element) -> int:
    """Which property holds the corners of a face; -1 for an element that is only walked over."""
    if element.name == "vertex":
        source.fail("the header", "a list among the vertex properties", "single values")
    if element.name != "face":
        return -1
    for k, p in enumerate(element.properties):
        if p.name in FACE_LISTS and p.counted:
            if p.type.startswith("f"):
                source.fail("the header", f"{p.name} of floating-point numbers", "whole numbers")
            return k
    source.fail("the header", "faces without a list of vertices", "a property vertex_indices")


def _columns(
    source: Source, header: Header, element: Element, at: int
) -> tuple[dict[str, NDArray[Any]], int]:
    """Rows of single values: a column (rows,) for each property, and the offset behind them."""
    properties = element.properties
    left = len(source.data) - at
    if header.order:
        row = np.dtype([(p.name, header.order + p.type) for p in properties])
        if element.count > left // row.itemsize:
            _too_short(source, element, at)
        table = np.frombuffer(source.data, dtype=row, count=element.count, offset=at)
        return {p.name: table[p.name] for p in properties}, at + element.count * row.itemsize
    from .numerals import read_numbers

    total = element.count * len(properties)
    if total > (left + 1) // 2:  # a number takes a digit and a blank at least
        _too_short(source, element, at)
    values, at, bad = read_numbers(source.bytes, at, total)
    if bad >= 0:
        source.fail(source.line_of(bad), source.word_at(bad), f"a number of element {element.name!r:.40}")
    block = values.reshape(element.count, len(properties))
    return {
        p.name: block[:, k] if p.type.startswith("f") else block[:, k].astype(np.int64)
        for k, p in enumerate(properties)
    }, at


def _lists_in_binary(
    source: Source, header: Header, element: Element, wanted: int, at: int
) -> tuple[NDArray[Any], NDArray[np.int64], int]:
    if element.count > (len(source.data) - at) // element.least_bytes:
        _too_short(source, element, at)
    if wanted >= 0 and len(element.properties) == 1:
        only = element.properties[0]
        row = np.dtype([("n", f"{header.order}{only.counted}"), ("i", f"{header.order}{only.type}", 3)])
        if element.count <= (len(source.data) - at) // row.itemsize:
            table = np.frombuffer(source.data, dtype=row, count=element.count, offset=at)
            if (table["n"] == 3).all():  # nearly every file: nothing but triangles
                behind = at + element.count * row.itemsize
                return table["i"].ravel(), np.full(element.count, 3), behind
    from .ply_lists import BLAMES, find_lists

    counted = [np.dtype(p.counted) if p.counted else None for p in element.properties]
    offsets, lengths, at, blame, bad = find_lists(
        source.bytes,
        at,
        element.count,
        np.array([t.itemsize if t else 0 for t in counted]),
        np.array([t is not None and t.kind == "i" for t in counted]),
        np.array([np.dtype(p.type).itemsize for p in element.properties]),
        wanted,
        header.order == ">",
    )
    if blame:
        source.fail(f"byte {at}, {element.name!r:.40} {bad}", "damaged or missing data", BLAMES[blame])
    if wanted < 0:
        return np.empty(0, np.int64), lengths, at
    item = np.dtype(header.order + element.properties[wanted].type)
    first = np.repeat(offsets - (np.cumsum(lengths) - lengths) * item.itemsize, lengths)
    where = first + np.arange(int(lengths.sum())) * item.itemsize
    flat = source.bytes[where[:, None] + np.arange(item.itemsize)].view(item)[:, 0]
    return flat, lengths, at


def _lists_in_text(
    source: Source, header: Header, element: Element, wanted: int, at: int
) -> tuple[NDArray[Any], NDArray[np.int64], int]:
    from .ply_lists import BLAMES, read_lists

    room = (len(source.data) - at + 1) // 2
    if element.count * len(element.properties) > room:
        _too_short(source, element, at)
    is_list = np.array([p.counted is not None for p in element.properties])
    values, lengths, at, blame, bad = read_lists(source.bytes, at, element.count, is_list, wanted, room)
    if blame:
        place = f"{source.line_of(at)}, {element.name!r:.40} {bad}"
        source.fail(place, source.word_at(at), BLAMES[blame])
    return values, lengths, at


def _too_short(source: Source, element: Element, at: int) -> None:
    left = len(source.data) - at
    source.fail(f"byte {at}", f"{left} bytes", f"{element.count} rows of element {element.name!r:.40}")


def _colours(columns: dict[str, NDArray[Any]]) -> NDArray[np.uint8] | None:
    for names in COLOURS:
        if all(name in columns for name in names):
            alpha = ("alpha",) if "alpha" in columns else ()
            return colour_bytes(np.stack([columns[name] for name in (*names, *alpha)], axis=1))
    return None


def write(part: Part, about: dict[str, str]) -> bytes:
    """Binary little-endian PLY with double coordinates, and colours where the part has them."""
    fields: list[tuple[str, str]] = [(axis, "<f8") for axis in "xyz"]
    if part.colours is not None:
        fields += [(name, "u1") for name in ("red", "green", "blue", "alpha")]
    names = {"<f8": "double", "u1": "uchar"}
    lines = ["ply", "format binary_little_endian 1.0"]
    lines += [f"comment {key}: {text}".encode("ascii", "replace").decode() for key, text in about.items()]
    lines.append("comment millimetres, z up")
    lines.append(f"element vertex {len(part.vertices)}")
    lines += [f"property {names[kind]} {name}" for name, kind in fields]
    lines += [f"element face {len(part.faces)}", "property list uchar int vertex_indices", "end_header"]
    rows = np.zeros(len(part.vertices), dtype=fields)
    for k, axis in enumerate("xyz"):
        rows[axis] = part.vertices[:, k]
    if part.colours is not None:
        for k, name in enumerate(("red", "green", "blue", "alpha")):
            rows[name] = part.colours[:, k]
    faces = np.empty(len(part.faces), dtype=[("n", "u1"), ("i", "<i4", 3)])
    faces["n"] = 3
    faces["i"] = part.faces
    return ("\n".join(lines) + "\n").encode("ascii") + rows.tobytes() + faces.tobytes()
