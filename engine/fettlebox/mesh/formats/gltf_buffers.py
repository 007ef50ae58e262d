"""What a glTF keeps in bytes: the two containers, its buffers, and arrays read out of them."""

from __future__ import annotations

import base64
import binascii
import json
import re
import struct
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .source import Source, shown

JSON_CHUNK, BIN_CHUNK = 0x4E4F534A, 0x004E4942
COMPONENTS = {5120: "<i1", 5121: "<u1", 5122: "<i2", 5123: "<u2", 5125: "<u4", 5126: "<f4"}
WIDTHS = {"SCALAR": 1, "VEC2": 2, "VEC3": 3, "VEC4": 4}
_BRACKETS = re.compile(rb'"[^"\\]*+(?:\\.[^"\\]*+)*+"|[\[{\]}"]', re.DOTALL)
_EMBEDDED = re.compile(r"data:[^,]{0,100};base64,")


@dataclass(frozen=True)
class Document:
    """A glTF's JSON, checked at every step down, and its buffers."""

    source: Source
    tree: dict[str, Any]
    binary: bytes

    def item(self, kind: str, number: Any, place: str) -> dict[str, Any]:
        """Object `number` of the top-level array `kind`."""
        items = self.tree.get(kind, [])
        if not isinstance(items, list) or not _is_index(number) or number >= len(items):
            self.source.fail(place, f"the number {shown(repr(number))}", f"one of the file's {kind}")
        found = items[number]
        if not isinstance(found, dict):
            self.source.fail(f"{kind}[{number}]", shown(repr(found)), "an object")
        return found

    def whole(self, item: dict[str, Any], key: str, default: int, place: str) -> int:
        value = item.get(key, default)
        if not _is_index(value):
            self.source.fail(f"{place}.{key}", shown(repr(value)), "a whole number of 0 or more")
        return int(value)

    def buffer(self, number: Any, place: str) -> bytes:
        buffer = self.item("buffers", number, place)
        uri = buffer.get("uri")
        if uri is None and number == 0:
            return self.binary
        start = _EMBEDDED.match(uri) if isinstance(uri, str) else None
        if start is None or not isinstance(uri, str):
            self.source.fail(f"buffers[{number}]", f"the outside file {shown(str(uri))}", "embedded data")
        try:
            return base64.b64decode(uri[start.end() :], validate=True)
        except (binascii.Error, ValueError):
            self.source.fail(f"buffers[{number}]", "damaged base64 text", "embedded data")

    def view(self, number: Any, place: str) -> bytes:
        """The bytes of buffer view `number`."""
        view = self.item("bufferViews", number, place)
        place = f"bufferViews[{number}]"
        data = self.buffer(view.get("buffer"), place)
        start = self.whole(view, "byteOffset", 0, place)
        length = self.whole(view, "byteLength", 0, place)
        if start + length > len(data):
            self.source.fail(place, f"bytes {start} to {start + length}", f"at most {len(data)}")
        return data[start : start + length]

    def array(self, number: Any, widths: tuple[int, ...], place: str) -> NDArray[Any]:
        """Accessor `number` as (count, width), in its own component type; normalised ones as floats."""
        accessor = self.item("accessors", number, place)
        place = f"accessors[{number}]"
        if "sparse" in accessor:
            self.source.fail(place, "sparse data", "plain data")
        component = accessor.get("componentType")
        width = WIDTHS.get(accessor["type"]) if isinstance(accessor.get("type"), str) else None
        if not _is_index(component) or component not in COMPONENTS or width not in widths:
            kind = shown(f"{accessor.get('type')} of {component}")
            self.source.fail(place, f"type {kind}", f"vectors of {' or '.join(map(str, widths))} numbers")
        item = np.dtype(COMPONENTS[component])
        count = self.whole(accessor, "count", 0, place)
        self.source.within(vertices=count // 3)  # indices are three a triangle; vertices are fewer
        view_number = accessor.get("bufferView")
        view = self.item("bufferViews", view_number, place)
        view_place = f"bufferViews[{view_number}]"
        data = self.buffer(view.get("buffer"), view_place)
        start = self.whole(view, "byteOffset", 0, view_place)
        length = self.whole(view, "byteLength", 0, view_place)
        if start + length > len(data):
            self.source.fail(view_place, f"bytes {start} to {start + length}", f"at most {len(data)}")
        inner = self.whole(accessor, "byteOffset", 0, place)
        row = item.itemsize * int(width or 0)
        stride = self.whole(view, "byteStride", 0, view_place) or row
        if count and (stride < row or inner + (count - 1) * stride + row > length):
            self.source.fail(place, f"{count} entries of {row} bytes", f"what fits into {length} bytes")
        if not count:
            return np.empty((0, width or 0), item)
        raw = np.frombuffer(data, np.uint8, length - inner, start + inner)
        rows = np.lib.stride_tricks.as_strided(raw, (count, row), (stride, 1), writeable=False)
        values = np.ascontiguousarray(rows).view(item)
        if accessor.get("normalized") is True and item.kind in "iu":
            return np.maximum(values / np.float64(np.iinfo(item).max), -1.0)
        return values


def open_document(source: Source) -> Document:
    """The JSON and binary chunk of a `.glb`, or the JSON of a `.gltf`."""
    text, binary = _chunks(source) if source.data.startswith(b"glTF") else (source.data, b"")
    values = sum(text.count(sign) for sign in (b",", b"[", b"{"))
    if values > source.limits.json_values:
        source.fail("the JSON", f"{values} values", f"at most {source.limits.json_values}")
    depth = 0
    for bracket in _BRACKETS.finditer(text):
        token = bracket[0]
        if token == b'"':
            source.fail(f"byte {bracket.start()} of the JSON", "text without end", "a closing quote")
        depth += (token in b"[{") - (token in b"]}")
        if depth > source.limits.nesting:
            source.fail(f"byte {bracket.start()} of the JSON", "values nested too deep", "a plain glTF")
    try:
        tree = json.loads(text.decode("utf-8-sig"))
    except (ValueError, RecursionError) as error:
        source.fail("the JSON", shown(str(error)), "well-formed JSON")
    asset = tree.get("asset") if isinstance(tree, dict) else None
    version = asset.get("version") if isinstance(asset, dict) else None
    if not isinstance(version, str) or not version.startswith("2."):
        source.fail("the JSON", f"asset version {shown(str(version))}", "2.0")
    return Document(source, tree, binary)


def _chunks(source: Source) -> tuple[bytes, bytes]:
    data = source.data
    if len(data) < 20:
        source.fail(f"byte {len(data)}", "the end of the file", "a 12-byte header and a JSON chunk")
    _, version, length = struct.unpack_from("<4sII", data)
    if version != 2 or length != len(data):
        source.fail(
            "byte 4",
            f"version {version} and {length} bytes",
            f"version 2 and the {len(data)} bytes there are",
        )
    found: list[tuple[int, bytes]] = []
    at = 12
    while at + 8 <= length and len(found) < 2:
        size, kind = struct.unpack_from("<II", data, at)
        if size > length - at - 8:
            source.fail(f"byte {at}", f"a chunk of {size} bytes", f"at most {length - at - 8}")
        found.append((kind, data[at + 8 : at + 8 + size]))
        at += 8 + size
    if not found or found[0][0] != JSON_CHUNK:
        source.fail("byte 16", "another kind of chunk", "the JSON chunk first")
    return found[0][1], found[1][1] if len(found) > 1 and found[1][0] == BIN_CHUNK else b""


def _is_index(value: Any) -> bool:
    return isinstance(value, int) and not isinstance(value, bool) and 0 <= value < 1 << 53
