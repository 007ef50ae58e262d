"""What came in: the mesh as read from a file, and what the file says about itself."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from .part import Part

UpAxis = Literal["+x", "-x", "+y", "-y", "+z", "-z"]


@dataclass(frozen=True)
class Origin:
    """Where a part comes from. Nothing here is guessed: None means that the file does not say.

    unit_mm  millimetres in one unit of the file's numbers, where the file or the ticket declares it
    up       the file's up axis, where the file or the ticket declares it
    """

    name: str
    format: str
    sha256: str
    unit_mm: float | None = None
    up: UpAxis | None = None
    notes: tuple[str, ...] = ()
    unit_from: Literal["file", "ticket"] = "file"
    up_from: Literal["file", "ticket"] = "file"


@dataclass(frozen=True)
class Scan:
    """A part in the file's own numbers and axes (placement is the identity), with its origin."""

    part: Part
    origin: Origin
