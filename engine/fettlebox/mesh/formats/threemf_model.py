"""One model part of a 3MF package: its XML as objects and build items.

The parser is expat, fed once, with document types refused, so that no entity can be declared. Long
plain lists of vertices and triangles are read beforehand by a compiled loop (20 times faster); if a
list is in any way unusual, expat reads it too.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any
from xml.parsers import expat

import numpy as np
from numpy.typing import NDArray

from .source import Source, shown

CORE = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
MATERIAL = "http://schemas.microsoft.com/3dmanufacturing/material/2015/02"
PRODUCTION = "http://schemas.microsoft.com/3dmanufacturing/production/2015/06"
VERTEX = ("x", "y", "z")
TRIANGLE = ("v1", "v2", "v3", "p1", "p2", "p3", "pid")
_LISTS = {"vertices": ("vertex", VERTEX, False), "triangles": ("triangle", TRIANGLE, True)}
_BLOCK = "fettlebox-block"


@dataclass(frozen=True)
class Placed:
    """An object used by a build item or a component, in model part `path` (None: the same part)."""

    object_id: str
    path: str | None
    transform: NDArray[np.float64]


@dataclass
class ModelObject:
    """vertices (n,3); triangles (m,7): corners, property indices and group, -1 where there is none."""

    id: str
    type: str = "model"
    group: str | None = None
    default: int = -1
    vertices: NDArray[np.float64] | None = None
    triangles: NDArray[np.float64] | None = None
    components: list[Placed] = field(default_factory=list)


@dataclass
class Model:
    unit: str = "millimeter"
    objects: dict[str, ModelObject] = field(default_factory=dict)
    items: list[Placed] = field(default_factory=list)
    colours: dict[str, list[str]] = field(default_factory=dict)


def parse_model(source: Source, text: bytes) -> Model:
    """Raises ScanError naming the line for anything that is not a 3MF model."""
    rest, blocks = _taken_out(source, text)
    reader = _Reader(source, blocks)
    parser = expat.ParserCreate(namespace_separator=" ")
    reader.parser = parser
    parser.buffer_text = True
    parser.StartDoctypeDeclHandler = reader.refuse_document_type
    parser.StartElementHandler = reader.start
    parser.EndElementHandler = reader.end
    try:
        parser.Parse(rest, True)
    except expat.ExpatError as error:
        source.fail(reader.place, shown(expat.ErrorString(error.code)), "well-formed XML")
    except (ValueError, LookupError) as error:  # an encoding that no codec knows
        source.fail(reader.place, shown(str(error)), "XML in UTF-8")
    if not reader.is_model:
        source.fail("the model", "no model element", "a 3MF model")
    return reader.model


def _taken_out(source: Source, text: bytes) -> tuple[bytes, list[NDArray[np.float64]]]:
    """The XML without the lists that could be read at once, and those, in the order of their marks."""
    if b"<!" in text or not (text.startswith((b"<", b"\xef\xbb\xbf<"))):
        return text, []  # a comment may hide a list, and other encodings need a real decoder
    from .threemf_text import read_elements

    pieces: list[bytes] = []
    blocks: list[NDArray[np.float64]] = []
    at = 0
    starts = {name: text.find(b"<%s>" % name.encode()) for name in _LISTS}
    while any(start >= 0 for start in starts.values()):
        name = min((n for n in _LISTS if starts[n] >= 0), key=lambda n: starts[n])
        inner = starts[name] + len(name) + 2
        close = text.find(b"</%s>" % name.encode(), inner)
        if close < 0:
            break
        count = text.count(b"/>", inner, close)
        source.within(**{"vertices" if name == "vertices" else "triangles": count})
        tag, columns, integers = _LISTS[name]
        rows = read_elements(text[inner:close], tag, columns, integers)
        if rows is None:
            pieces.append(text[at:close])
        else:
            pieces.append(text[at : inner - 1] + f' {_BLOCK}="{len(blocks)}">'.encode())
            pieces.append(b"\n" * text.count(b"\n", inner, close))  # keeps the line numbers true
            blocks.append(rows)
        at = close
        starts = {n: text.find(b"<%s>" % n.encode(), at) if 0 <= k < at else k for n, k in starts.items()}
    return b"".join([*pieces, text[at:]]), blocks


class _Reader:
    """Collects what expat reports. Element names arrive as `namespace name`."""

    parser: Any

    def __init__(self, source: Source, blocks: list[NDArray[np.float64]]) -> None:
        self.source = source
        self.blocks = blocks
        self.model = Model()
        self.depth = 0
        self.is_model = False
        self.object: ModelObject | None = None
        self.group: list[str] | None = None
        self.rows: list[list[float]] | None = None

    @property
    def place(self) -> str:
        return f"line {self.parser.CurrentLineNumber} of the model"

    def refuse_document_type(self, *_: object) -> None:
        self.source.fail(self.place, "a document type", "none, as 3MF demands")

    def start(self, tag: str, given: dict[str, str]) -> None:
        self.depth += 1
        if self.depth > self.source.limits.nesting:
            self.source.fail(self.place, "elements nested too deep", "a plain 3MF model")
        space, _, name = tag.rpartition(" ")
        if self.depth == 1:
            self.is_model = space == CORE and name == "model"
            self.model.unit = given.get("unit", "millimeter")
            if not self.is_model:
                self.source.fail(self.place, f"the element {shown(name)}", "a 3MF model")
        elif space == CORE:
            self.start_core(name, given)
        elif space == MATERIAL and name == "colorgroup":
            self.group = self.model.colours.setdefault(given.get("id", ""), [])
        elif space == MATERIAL and name == "color" and self.group is not None:
            self.group.append(given.get("color", ""))
            self.source.within(vertices=len(self.group))

    def start_core(self, name: str, given: dict[str, str]) -> None:
        if name == "object":
            self.object = ModelObject(given.get("id", ""), given.get("type", "model"), given.get("pid"))
            if given.get("pindex", "").isdecimal():
                self.object.default = int(given["pindex"][:9])
            if self.object.id in self.model.objects:
                self.source.fail(self.place, f"object {shown(self.object.id)} twice", "each id once")
            self.model.objects[self.object.id] = self.object
            self.source.within(vertices=len(self.model.objects))
        elif name in _LISTS and self.object is not None:
            self.rows = []
            mark = given.get(_BLOCK, "")
            if mark.isdecimal() and int(mark[:9]) < len(self.blocks):
                self.keep(name, self.blocks[int(mark[:9])])
                self.rows = None
        elif name == "vertex" and self.rows is not None:
            self.rows.append([self.number(given, key) for key in VERTEX])
            self.source.within(vertices=len(self.rows))
        elif name == "triangle" and self.rows is not None:
            corners = [self.number(given, key) for key in TRIANGLE[:3]]
            self.rows.append(corners + [self.number(given, k) if k in given else -1 for k in TRIANGLE[3:]])
            self.source.within(triangles=len(self.rows))
        elif name == "component" and self.object is not None:
            self.object.components.append(self.placed(given))
        elif name == "item":
            self.model.items.append(self.placed(given))

    def end(self, tag: str) -> None:
        self.depth -= 1
        space, _, name = tag.rpartition(" ")
        if space == CORE and name in _LISTS and self.rows is not None:
            width = len(VERTEX if name == "vertices" else TRIANGLE)
            self.keep(name, np.array(self.rows, np.float64).reshape(len(self.rows), width))
            self.rows = None
        elif space == CORE and name == "object":
            self.object = None
        elif space == MATERIAL and name == "colorgroup":
            self.group = None

    def keep(self, name: str, rows: NDArray[np.float64]) -> None:
        if self.object is None:
            return
        if name == "vertices":
            self.source.within(vertices=len(rows))
            self.object.vertices = rows
        else:
            self.source.within(triangles=len(rows))
            self.object.triangles = rows

    def number(self, given: dict[str, str], key: str) -> float:
        try:
            value = float(given[key])
        except KeyError:
            self.source.fail(self.place, f"no attribute {key}", "a number")
        except ValueError:
            self.source.fail(self.place, f"{key} {shown(given[key])}", "a number")
        if not abs(value) < 1e30:
            self.source.fail(self.place, f"{key} {shown(given[key])}", "a finite number")
        return value

    def placed(self, given: dict[str, str]) -> Placed:
        """A build item or component; its transform as (4,3), for points written as rows."""
        matrix = np.eye(4, 3)
        words = given.get("transform", "").split()
        if words:
            numbers = [self.number({"transform": word}, "transform") for word in words[:13]]
            if len(numbers) != 12:
                self.source.fail(self.place, f"a transform of {len(words)} numbers", "12 numbers")
            matrix = np.array(numbers).reshape(4, 3)
        return Placed(given.get("objectid", ""), given.get(f"{PRODUCTION} path"), matrix)
