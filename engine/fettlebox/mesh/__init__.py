"""Parts, the formats they are read from and written to, and what can be measured on them."""

from .formats.sniff import READABLE
from .formats.source import RawMesh, ReadLimits, Source
from .part import Part, Plane
from .reading import read_scan
from .scan import Origin, Scan
from .writing import SEVERAL, WRITABLE, write_part, write_parts_together

__all__ = [
    "READABLE", "SEVERAL", "WRITABLE", "Origin", "Part", "Plane", "RawMesh", "ReadLimits", "Scan", "Source",
    "read_scan", "write_part", "write_parts_together",
]  # fmt: skip
