"""What a plugin may add besides steps, graders and notifiers: the second half of the plugin contract.

    Reader         a scan format: bytes of a file become a mesh
    Writer         a delivery format: a sound part becomes bytes
    FactCollector  facts of the part at the end, or after every step
    Painter        a picture more for the traveler and the board
    JobObserver    is told of every job's course; can neither change nor fail it

Each is a value of its own, named by an entry point in the group `fettlebox.steps`, just as a step is:

    [project.entry-points."fettlebox.steps"]
    height-grid = "my_package:height_grid"

All but the observer run in the job's own confined process. Which version of this contract a plugin was made
for stands in its module as FETTLEBOX_CONTRACT; see `made_for`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Literal

from .api import Grader, Notifier, Part, Step, StepContext, hookimpl, hookspec
from .mesh import RawMesh, Source

__all__ = [
    "FactCollector", "Hooks", "JobObserver", "Painter", "RawMesh", "Reader", "Source", "StepContext",
    "Writer",
]  # fmt: skip


@dataclass(frozen=True)
class Reader:
    """Reads a scan format, which a file's name tells by its ending.

    name      what the format is called in messages and records: `height grid`
    suffixes  the endings, in small letters: (".asc",)
    read      from the bytes of one file to a mesh in the file's own numbers. It allocates nothing that a
              count in the file asks for before the bytes are there; `source.fail` says what is wrong,
              `source.within` holds counts against the limits. What it returns is checked as that of a
              built-in reader.
    """

    name: str
    suffixes: tuple[str, ...]
    read: Callable[[Source], RawMesh]

    @hookimpl
    def fettlebox_readers(self) -> list[Reader]:
        return [self]


@dataclass(frozen=True)
class Writer:
    """Writes a delivery format.

    format       as a recipe's `deliver` names it, and the ending of the file: `obj`
    write        from a sound part, in mm, and texts that go with it (Title, Description) to the file's bytes;
                 the same for the same part
    accuracy_mm  how far a corner may come back from where it was, for formats that round
    """

    format: str
    write: Callable[[Part, Mapping[str, str]], bytes]
    accuracy_mm: float = 0.0

    @hookimpl
    def fettlebox_writers(self) -> list[Writer]:
        return [self]


@dataclass(frozen=True)
class FactCollector:
    """Measures a part. Its facts are JSON values with units in their names, and stand in the record below
    `PACKAGE/NAME`, so that no two plugins meet.

    when  `end`: the finished part, once; `steps`: also the part after every step that changed it
    """

    name: str
    collect: Callable[[Part, StepContext], Mapping[str, Any]]
    when: Literal["end", "steps"] = "end"

    @hookimpl
    def fettlebox_collectors(self) -> list[FactCollector]:
        return [self]


@dataclass(frozen=True)
class Painter:
    """Draws a picture of the finished part for the traveler and the board.

    caption  what the picture shows, in a sentence
    paint    gives the bytes of a PNG, the same for the same part; None where there is nothing to show
    """

    name: str
    caption: str
    paint: Callable[[Part, StepContext], bytes | None]

    @hookimpl
    def fettlebox_painters(self) -> list[Painter]:
        return [self]


@dataclass(frozen=True)
class JobObserver:
    """Is told what a served shop's jobs go through, as it happens, in a process beside the server.

    see  called with a JSON value: `event` (claimed, started, step, again, done, held, rejected), `job`, and
         where they are known `step`, `attempt`, `seconds`. Never a name, an order, a scan or a picture. What
         it raises is told once and forgotten; what it is too slow for is left out.
    """

    name: str
    see: Callable[[Mapping[str, Any]], None]

    @hookimpl
    def fettlebox_observers(self) -> list[JobObserver]:
        return [self]


class Hooks:
    """What a plugin may register. An entry point names an object that has some of these."""

    @hookspec
    def fettlebox_steps(self) -> list[Step[Any]]:
        """The steps that this plugin adds to the catalog."""
        raise NotImplementedError

    @hookspec
    def fettlebox_graders(self) -> list[Grader]:
        """Judges of scans. The last one found is asked, so that a shop's own goes before the built-in one."""
        raise NotImplementedError

    @hookspec
    def fettlebox_notifiers(self) -> list[Notifier]:
        """Who is told what happens to jobs, as long as a board is served."""
        raise NotImplementedError

    @hookspec
    def fettlebox_readers(self) -> list[Reader]:
        """Scan formats. Whoever comes second to an ending is set aside."""
        raise NotImplementedError

    @hookspec
    def fettlebox_writers(self) -> list[Writer]:
        """Delivery formats. Whoever comes second to a name is set aside."""
        raise NotImplementedError

    @hookspec
    def fettlebox_collectors(self) -> list[FactCollector]:
        """Facts that go into every job's record."""
        raise NotImplementedError

    @hookspec
    def fettlebox_painters(self) -> list[Painter]:
        """Pictures that go with every job."""
        raise NotImplementedError

    @hookspec
    def fettlebox_observers(self) -> list[JobObserver]:
        """Who is told of every job's course while a shop is served."""
        raise NotImplementedError
