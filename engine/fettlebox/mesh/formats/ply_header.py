"""The text header of a PLY file: which elements follow, of which properties, in which order.

After G. Turk, "The PLY Polygon File Format", Stanford University, 1994.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from .source import Source, shown

LONGEST_HEADER = 1 << 20
MOST_PROPERTIES = 500
TYPES = {
    "char": "i1", "uchar": "u1", "short": "i2", "ushort": "u2", "int": "i4", "uint": "u4",
    "float": "f4", "double": "f8", "int8": "i1", "uint8": "u1", "int16": "i2", "uint16": "u2",
    "int32": "i4", "uint32": "u4", "float32": "f4", "float64": "f8",
}  # fmt: skip
ENCODINGS = {"ascii": "", "binary_little_endian": "<", "binary_big_endian": ">"}


@dataclass(frozen=True)
class Property:
    """One property; `counted` is the type of a list's length, None for a single value."""

    name: str
    type: str
    counted: str | None = None


@dataclass
class Element:
    name: str
    count: int
    properties: list[Property] = field(default_factory=list)

    @property
    def has_lists(self) -> bool:
        return any(p.counted for p in self.properties)

    @property
    def least_bytes(self) -> int:
        """Bytes of one row in binary form when all its lists are empty."""
        return sum(np.dtype(p.counted or p.type).itemsize for p in self.properties)


@dataclass(frozen=True)
class Header:
    """`order` is `<` or `>` for the binary forms, empty for text; `end` is where the rows begin."""

    order: str
    elements: list[Element]
    end: int


def read_header(source: Source) -> Header:
    """Raises ScanError naming the line that is wrong."""
    order: str | None = None
    elements: list[Element] = []
    at = 0
    for number in range(1, 10_000):
        cut = source.data.find(b"\n", at, LONGEST_HEADER)
        if cut < 0:
            source.fail(f"line {number}", "no end_header", "a PLY header that ends")
        line = source.data[at:cut].rstrip(b"\r")
        at = cut + 1
        words = line.decode("latin-1").split()
        if not words or words[0] in ("comment", "obj_info"):
            continue
        if number == 1:
            if words != ["ply"]:
                source.fail("line 1", shown(line), "'ply'")
            continue
        if words[0] == "end_header":
            break
        if words[0] == "format" and len(words) == 3 and words[1] in ENCODINGS:
            order = ENCODINGS[words[1]]
        elif words[0] == "element" and len(words) == 3 and words[2].isascii() and words[2].isdigit():
            elements.append(Element(words[1], int(words[2][:20])))
        elif words[0] == "property" and elements and _add(elements[-1], words):
            pass
        else:
            source.fail(f"line {number}", shown(line), "a PLY format, element or property line")
    else:
        source.fail("line 10000", "no end_header", "a PLY header that ends")
    if order is None:
        source.fail("the header", "no format line", "ascii, binary_little_endian or binary_big_endian")
    return Header(order, elements, at)


def _add(element: Element, words: list[str]) -> bool:
    """Add the property of a header line; False if the line is wrong, repeats a name, or is one too many."""
    if len(element.properties) == MOST_PROPERTIES:
        return False
    if len(words) == 3 and words[1] in TYPES:
        new = Property(words[2], TYPES[words[1]])
    elif len(words) == 5 and words[1] == "list" and words[2] in TYPES and words[3] in TYPES:
        if TYPES[words[2]].startswith("f"):
            return False
        new = Property(words[4], TYPES[words[3]], TYPES[words[2]])
    else:
        return False
    if any(p.name == new.name for p in element.properties):
        return False
    element.properties.append(new)
    return True
