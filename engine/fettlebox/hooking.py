"""Asks what plugins add: readers and writers, each held to what a built-in one is; fact collectors and
painters, which can add to a job and never spoil it.
"""

from __future__ import annotations

import hashlib
import json
import struct
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np

from .api import Grade, Grader, StepContext
from .catalog import Catalog
from .errors import FettleboxError, ScanError, StepError
from .fact_names import with_units
from .guarding import bounded
from .hooks import FactCollector, Painter
from .jobs.atomic import is_no_room
from .mesh import Origin, Part, RawMesh, Source
from .mesh.formats.source import checked
from .printer import Printer
from .reasons import READING
from .recipe import PlannedStep
from .run_steps import Run

Progress = Callable[[str, float], None]
Noting = Callable[[str], Callable[[str], None]]
MOST_FACT_BYTES = 100_000
MOST_PICTURE_BYTES = 5_000_000
MOST_PICTURE_PX = 4096
PNG = b"\x89PNG\r\n\x1a\n"


class PutBack(dict[str, list[str]]):
    """Step or hook → what it changed for the whole process, and what was put back."""

    def noting(self, what: str) -> Callable[[str], None]:
        return lambda changed: self.setdefault(what, []).append(changed)


def _nobody(what: str) -> Callable[[str], None]:
    return lambda changed: None


@dataclass
class Helpers:
    """Collectors and painters at work on one job.

    facts     `PACKAGE/NAME` → facts of the finished part
    pictures  name → PNG, with `captions` by the same names
    warnings  what a hook could not do, in sentences
    put_back  what they changed for the whole process
    """

    catalog: Catalog
    origin: Origin
    printer: Printer
    seed: str
    scratch: Path
    progress: Progress
    facts: dict[str, Mapping[str, Any]] = field(default_factory=dict)
    pictures: dict[str, bytes] = field(default_factory=dict)
    captions: dict[str, str] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()
    put_back: PutBack = field(default_factory=PutBack)

    def after_step(self, planned: PlannedStep, run: Run) -> None:
        """Enter into a step's record what collectors measure on the part that it changed."""
        last = run.records[-1]
        if last.part_in == last.part_out:
            return
        told = {}
        for key, collector in self.catalog.collectors.items():
            if collector.when == "steps":
                told[key] = self._collected(key, collector, run, planned.id)
        if told := {key: facts for key, facts in told.items() if facts}:
            run.records = (*run.records[:-1], replace(last, collected=told))

    def at_end(self, run: Run) -> None:
        """Measure and draw the finished part."""
        for key, collector in self.catalog.collectors.items():
            if facts := self._collected(key, collector, run, "end"):
                self.facts[key] = facts
        for key, painter in self.catalog.painters.items():
            png = self._painted(key, painter, run)
            if png is not None:
                name = key.replace("/", "-")
                self.pictures[name], self.captions[name] = png, painter.caption

    def _collected(self, key: str, collector: FactCollector, run: Run, where: str) -> dict[str, Any]:
        def collect(ctx: StepContext) -> dict[str, Any]:
            facts = dict(collector.collect(run.part, ctx))
            text = json.dumps(facts, allow_nan=False)
            if len(text) > MOST_FACT_BYTES:
                raise ValueError(f"{len(text)} bytes of facts; expected at most {MOST_FACT_BYTES}")
            plain: dict[str, Any] = json.loads(text)
            return plain

        facts = self._asked(f"facts {key}", f"{key} {where}", collect, run) or {}
        kept, left_out = with_units(facts)
        for sentence in left_out:
            self._warn(f"facts {key}: {sentence}")
        return kept

    def _painted(self, key: str, painter: Painter, run: Run) -> bytes | None:
        def paint(ctx: StepContext) -> bytes | None:
            png = painter.paint(run.part, ctx)
            if png is not None:
                require_picture(png)
            return png

        png: bytes | None = self._asked(f"picture {key}", key, paint, run)
        return png

    def _asked(self, what: str, seed: str, ask: Callable[[StepContext], Any], run: Run) -> Any:
        """What a hook answers; None, with a warning, if it fails. The limits of the machine are the job's."""
        self.progress(what, 0.0)
        with TemporaryDirectory(prefix=".scratch-", dir=self.scratch) as place:
            ctx = StepContext(
                origin=self.origin,
                reference=run.reference,
                rng=_generator(f"{self.seed}/{seed}"),
                scratch=Path(place),
                printer=self.printer,
                progress=lambda fraction: self.progress(what, min(max(float(fraction), 0.0), 1.0)),
                pieces=run.pieces,
                extras=run.extras,
            )
            try:
                with bounded(self.put_back.noting(what)):
                    answer = ask(ctx)
            except (Exception, SystemExit) as error:
                if isinstance(error, MemoryError) or is_no_room(error):
                    raise
                self._warn(f"{what} was left out: {_in_words(error)}")
                return None
            return answer

    def _warn(self, sentence: str) -> None:
        if sentence not in self.warnings:
            self.warnings += (sentence,)


def graders_of(catalog: Catalog, progress: Progress, noting: Noting = _nobody) -> list[Grader]:
    """Graders whose failures are ScanErrors that name them."""

    def guarded(grader: Grader) -> Grader:
        what = f"grading with {grader.name!r}"

        def grade(part: Part, origin: Origin) -> Grade:
            progress(what, 0.0)
            with _as_expected(what, ScanError, "send the best take alone"), bounded(noting(what)):
                graded = grader.grade(part, origin)
                if not isinstance(graded, Grade):
                    raise TypeError(f"gave {type(graded).__name__}; expected Grade")
                return graded

        return replace(grader, grade=grade)

    return [guarded(grader) for grader in catalog.graders]


@contextmanager
def _as_expected(what: str, kind: type[FettleboxError], do: str) -> Iterator[None]:
    """A defect of a plugin as a sentence. What is expected, and the limits of the machine, go through."""
    try:
        yield
    except (FettleboxError, MemoryError, OSError):
        raise
    except (Exception, SystemExit) as error:
        raise kind(f"{what} failed ({_in_words(error)}); {do}, or have the plugin mended") from error


def readers_of(
    catalog: Catalog, progress: Progress = lambda step, fraction: None, noting: Noting = _nobody
) -> dict[str, Callable[[Source], RawMesh]]:
    """By ending: functions that read as the built-in ones do. What they give is a surface of plausible
    finite numbers within the limits; what they raise is ScanError, MemoryError or OSError.
    """

    def reading(suffix: str) -> Callable[[Source], RawMesh]:
        reader, package = catalog.readers[suffix], catalog.brought_by["readers", suffix]

        def read(source: Source) -> RawMesh:
            progress(f"{READING} a {reader.name} with {package}", 0.0)
            what = f"{source.name}: the reader {reader.name!r} of {package}"
            with _as_expected(what, ScanError, "send the scan in another format"):
                with bounded(noting(f"reader {suffix} of {package}")):
                    mesh = reader.read(source)
                return checked(source, _as_arrays(mesh))

        return read

    return {suffix: reading(suffix) for suffix in catalog.readers}


def writers_of(
    catalog: Catalog, progress: Progress = lambda step, fraction: None, noting: Noting = _nobody
) -> dict[str, Callable[[Part, Mapping[str, str]], bytes]]:
    """By format: functions that give a file's bytes, or raise StepError, MemoryError or OSError."""

    def writing(form: str) -> Callable[[Part, Mapping[str, str]], bytes]:
        writer, package = catalog.writers[form], catalog.brought_by["writers", form]

        def write(part: Part, about: Mapping[str, str]) -> bytes:
            progress(f"writing {form} with {package}", 0.0)
            what = f"the writer of {form!r} of {package}"
            with _as_expected(what, StepError, "deliver another format"):
                with bounded(noting(f"writer {form} of {package}")):
                    data = writer.write(part, about)
                if not isinstance(data, bytes) or not data:
                    raise TypeError(f"gave {type(data).__name__} of nothing; expected bytes")
                return data

        return write

    return {form: writing(form) for form in catalog.writers}


def require_picture(png: bytes) -> None:
    """Raises ValueError for what is not a whole PNG of a size that a page can show."""
    if not isinstance(png, bytes) or not png.startswith(PNG) or len(png) < 24:
        raise ValueError("what it gave is no PNG")
    if len(png) > MOST_PICTURE_BYTES:
        raise ValueError(f"a picture of {len(png)} bytes; expected at most {MOST_PICTURE_BYTES}")
    width, height = struct.unpack(">II", png[16:24])
    if not (0 < width <= MOST_PICTURE_PX and 0 < height <= MOST_PICTURE_PX):
        raise ValueError(f"a picture of {width} × {height} px; expected at most {MOST_PICTURE_PX} a side")
    from io import BytesIO

    from PIL import Image

    with Image.open(BytesIO(png), formats=("PNG",)) as image:
        image.load()


def _as_arrays(mesh: object) -> RawMesh:
    """A mesh whose arrays have the shapes and types that RawMesh promises."""
    if not isinstance(mesh, RawMesh):
        raise TypeError(f"gave {type(mesh).__name__}; expected RawMesh")
    vertices = np.ascontiguousarray(mesh.vertices, dtype=np.float64)
    faces = np.asarray(mesh.faces)
    if vertices.ndim != 2 or vertices.shape[1] != 3 or faces.ndim != 2 or faces.shape[1] != 3:
        raise TypeError(f"gave vertices {vertices.shape} and faces {faces.shape}; expected (n, 3) and (m, 3)")
    if len(faces) and not np.issubdtype(faces.dtype, np.integer):
        raise TypeError(f"gave faces of {faces.dtype}; expected whole numbers")
    colours = mesh.colours
    if colours is not None and (colours.shape != (len(vertices), 4) or colours.dtype != np.uint8):
        raise TypeError(f"gave colours {colours.shape} of {colours.dtype}; expected (n, 4) uint8")
    if mesh.unit_mm is not None and not (np.isfinite(mesh.unit_mm) and mesh.unit_mm > 0):
        raise ValueError(f"gave a unit of {mesh.unit_mm} mm")
    return replace(mesh, vertices=vertices, faces=faces)


def _in_words(error: BaseException) -> str:
    """A failure in one line; of ours the sentence alone."""
    text = " ".join(str(error).split())[:500] or "no reason given"
    return text if isinstance(error, FettleboxError) else f"{type(error).__name__}: {text}"


def _generator(seed: str) -> np.random.Generator:
    return np.random.default_rng(int.from_bytes(hashlib.sha256(seed.encode()).digest()[:16], "big"))
