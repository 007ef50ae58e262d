"""The plugin contract for formats, as checks of one reader or one writer.

for check in reader_contract(height_grid, {"hill.asc": HILL}, {"hill.asc": the_hill}):
    check()
for check in writer_contract(obj, read=the_part_in):
    check()
"""

from __future__ import annotations

import contextlib
import re
import resource
import sys
import tracemalloc
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

import numpy as np

from ..catalog import Catalog
from ..errors import ScanError
from ..hooking import readers_of
from ..hooks import RawMesh, Reader, Writer
from ..mesh import Part, ReadLimits, Source
from .check import Check, Unmeasured, checks_for
from .shapes import Floats, Ints, ball, brick, bust
from .watching import ContractError, kept_to_itself, otherwise_the_same, restored_world

SPOILED = 60
"""Damaged copies of every sample that a reader has to live through."""

MEMORY_FREE_BYTES = 50_000_000
MEMORY_PER_BYTE = 500
"""What reading may take beyond what is free: some tens of bytes for each number written in two."""

FAR_TOO_MUCH_BYTES = 1 << 30
NOT_READ = Unmeasured(
    "not tried: nothing here reads this format; in a test, writer_contract takes what does as `read`"
)
HOSTILE = {"Title": "a\nb\0c", "Description": "]]> <!-- \" ' & \\ # solid \u202e", "v 1 2 3": "f 1 2 3"}


@dataclass(frozen=True)
class ReaderTrial:
    """A reader, files that it has to read, by name, and for some of them what is in them."""

    reader: Reader
    samples: Mapping[str, bytes]
    expected: Mapping[str, Part]
    within: float

    def read(self, name: str, data: bytes, limits: ReadLimits = ReadLimits()) -> RawMesh:  # noqa: B008
        """As a job does: checked, and whatever goes wrong put into a ScanError."""
        suffix = PurePosixPath(name).suffix.lower()
        brought = {("readers", one): "this plugin" for one in self.reader.suffixes}
        catalog = Catalog(readers=dict.fromkeys(self.reader.suffixes, self.reader), brought_by=brought)
        read = readers_of(catalog).get(suffix)
        if read is None:
            raise ContractError(
                f"its sample {name} has none of its endings, {', '.join(self.reader.suffixes)}"
            )
        with restored_world():
            return read(Source(name, data, limits))

    def good(self, name: str) -> RawMesh:
        try:
            return self.read(name, self.samples[name])
        except ScanError as error:
            raise ContractError(f"it cannot read its sample {name}: {error}") from None


@dataclass(frozen=True)
class WriterTrial:
    """A writer, parts to write, by name, and what reads them back; None where nothing does."""

    writer: Writer
    parts: Mapping[str, Part]
    read: Callable[[bytes], RawMesh | Part] | None

    def write(self, part: Part, about: Mapping[str, str] | None = None) -> bytes:
        with restored_world():
            return self.write_at_large(part, about)

    def write_at_large(self, part: Part, about: Mapping[str, str] | None = None) -> bytes:
        """The same, but what it changes for the whole process is not put back."""
        try:
            data = self.writer.write(part, about or {})
        except Exception as error:
            raise ContractError(f"it fails with {type(error).__name__}: {error}") from error
        if not isinstance(data, bytes) or not data:
            raise ContractError(f"it gives {type(data).__name__}, or nothing; expected the bytes of a file")
        return data


def reader_contract(
    reader: Reader,
    samples: Mapping[str, bytes],
    expected: Mapping[str, Part] | None = None,
    within: float = 1e-9,
) -> list[Check]:
    """The checks of a reader. `samples` are whole files by name; `expected` what is in some of them, which it
    has to find `within` a distance in the file's own unit.
    """
    trial = ReaderTrial(reader, dict(samples), dict(expected or {}), within)
    return checks_for(trial, READER_CHECKS, reader.read)


def writer_contract(
    writer: Writer,
    read: Callable[[bytes], RawMesh | Part] | None = None,
    parts: Mapping[str, Part] | None = None,
) -> list[Check]:
    """The checks of a writer. `read` takes a written file apart again, best with a library that is not the
    plugin's; without it the round trip is not made. `parts` replace a bust, a ball and a brick.
    """
    tried = {"bust": bust(), "ball": ball(), "brick": brick()} if parts is None else dict(parts)
    trial = WriterTrial(writer, tried, read)
    return checks_for(trial, WRITER_CHECKS, writer.write)


def it_reads_its_samples(trial: ReaderTrial) -> None:
    """Every sample is a surface of finite numbers, in arrays as RawMesh promises them."""
    if not trial.samples:
        raise ContractError("there is no sample to read; expected a whole file, by name")
    for name in trial.samples:
        trial.good(name)


def what_it_reads_is_what_is_there(trial: ReaderTrial) -> str:
    """The surface lies where it was said to lie."""
    for name, part in trial.expected.items():
        mesh = trial.good(name)
        far = _apart(mesh.vertices, mesh.faces, part)
        if far > trial.within:
            raise ContractError(f"what it reads of {name} is {far:g} off; expected at most {trial.within:g}")
        if _turned_round(mesh.vertices, mesh.faces, part):
            raise ContractError(f"the faces that it reads of {name} look the other way")
    if trial.expected:
        return ""
    return (
        "not compared: nothing says what is in the samples; in a test, reader_contract takes it as `expected`"
    )


def the_same_file_is_the_same_mesh(trial: ReaderTrial) -> None:
    """Read twice, whatever its name and the random state."""
    for name, data in trial.samples.items():
        one = trial.good(name)
        with otherwise_the_same():
            other = trial.read(f"another{PurePosixPath(name).suffix}", data)
        if not np.array_equal(one.vertices, other.vertices) or not np.array_equal(one.faces, other.faces):
            raise ContractError(f"it reads {name} otherwise the second time")


def damaged_files_get_a_sentence(trial: ReaderTrial) -> None:
    """Cut off, with bytes changed, of nothing but noise: a mesh, or a ScanError that names file and place."""
    for name, data in trial.samples.items():
        suffix = PurePosixPath(name).suffix
        for what, spoiled in _spoiled(data):
            try:
                trial.read(f"damaged{suffix}", spoiled)
            except ScanError as error:
                if "failed (" in str(error):
                    raise ContractError(f"given {name} {what}, {error}; expected source.fail(…)") from None
                if f"damaged{suffix}" not in str(error) or len(str(error).split()) < 5:
                    raise ContractError(f"given {name} {what}, it says only {str(error)!r}") from None


def noise_is_refused(trial: ReaderTrial) -> None:
    """What is no file of this format is not read as one."""
    suffix = PurePosixPath(next(iter(trial.samples))).suffix
    noise = np.random.default_rng(7).integers(0, 256, 4000, dtype=np.uint8).tobytes()
    for what, data in {"noise": noise, "a text": b"This is a letter.\n" * 40, "zeros": bytes(4000)}.items():
        with contextlib.suppress(ScanError):
            trial.read(f"noise{suffix}", data)
            raise ContractError(f"it reads {what} as a mesh; expected source.fail(…)")


def no_count_is_believed(trial: ReaderTrial) -> None:
    """Whatever number a file states, memory is taken only for the bytes that are there."""
    for name, data in trial.samples.items():
        for what, spoiled in _exaggerated(data):
            most = MEMORY_FREE_BYTES + MEMORY_PER_BYTE * len(spoiled)
            tracemalloc.start()
            try:
                with contextlib.suppress(ScanError), _little_memory():
                    trial.read(name, spoiled)
                peak = tracemalloc.get_traced_memory()[1]
            except MemoryError:
                peak = FAR_TOO_MUCH_BYTES
            finally:
                tracemalloc.stop()
            if peak > most:
                raise ContractError(
                    f"given {name} {what}, it takes {peak >> 20} MB for {len(spoiled)} bytes; "
                    "expected it to compare counts with what is there"
                )


def limits_are_kept(trial: ReaderTrial) -> None:
    """What holds more triangles or corners than a shop allows is refused."""
    for name, data in trial.samples.items():
        mesh = trial.good(name)
        for limits in (
            ReadLimits(triangles=len(mesh.faces) - 1),
            ReadLimits(vertices=len(mesh.vertices) - 1),
        ):
            with contextlib.suppress(ScanError), restored_world():
                trial.reader.read(Source(name, data, limits))
                raise ContractError(f"it reads {name} beyond the limits; expected source.within(…)")


def reading_keeps_to_itself(trial: ReaderTrial) -> None:
    """Nothing is printed, written, sent or changed for the whole process."""
    for name, data in trial.samples.items():
        with kept_to_itself():
            trial.reader.read(Source(name, data, ReadLimits()))


def it_writes_every_part(trial: WriterTrial) -> None:
    """A bust, a ball, a brick: each becomes the bytes of a file."""
    for part in trial.parts.values():
        trial.write(part)


def the_same_part_is_the_same_file(trial: WriterTrial) -> None:
    """Byte for byte, and the part is as it was."""
    for name, part in trial.parts.items():
        before = part.vertices.tobytes(), part.faces.tobytes()
        if trial.write(part, {"Title": name}) != trial.write(part, {"Title": name}):
            raise ContractError(f"two files of the same part ({name}) differ; is there a date in them?")
        if before != (part.vertices.tobytes(), part.faces.tobytes()):
            raise ContractError(f"it changes the part that it is given ({name})")


def what_was_written_comes_back(trial: WriterTrial) -> str:
    """The same surface, within the accuracy that the writer states, and facing the same way."""
    if trial.read is None:
        return NOT_READ
    for name, part in trial.parts.items():
        vertices, faces = _read_back(trial, name, trial.write(part))
        if len(faces) != len(part.faces):
            raise ContractError(f"{len(part.faces)} triangles of {name} come back as {len(faces)}")
        far = _apart(vertices, faces, part)
        if far > trial.writer.accuracy_mm + 1e-9:
            stated = f"{trial.writer.accuracy_mm:g} mm, as accuracy_mm states"
            raise ContractError(f"{name} comes back {far:g} mm off; expected at most {stated}")
        if _turned_round(vertices, faces, part):
            raise ContractError(f"{name} comes back inside out")
    return ""


def no_text_breaks_the_file(trial: WriterTrial) -> str:
    """Titles come from strangers: with any of them the same surface comes back."""
    if trial.read is None:
        return NOT_READ
    for name, part in trial.parts.items():
        for about in ({}, HOSTILE, {"Title": "x" * 1000}):
            plain = {key: "".join(c if c.isprintable() else " " for c in text) for key, text in about.items()}
            vertices, faces = _read_back(trial, name, trial.write(part, plain))
            if (
                len(faces) != len(part.faces)
                or _apart(vertices, faces, part) > trial.writer.accuracy_mm + 1e-9
            ):
                raise ContractError(f"a title or description spoils the file of {name}")
    return ""


def writing_keeps_to_itself(trial: WriterTrial) -> None:
    """Nothing is printed, written, sent or changed for the whole process."""
    for part in trial.parts.values():
        with kept_to_itself():
            trial.write_at_large(part)


READER_CHECKS: tuple[Callable[[ReaderTrial], str | None], ...] = (
    it_reads_its_samples,
    what_it_reads_is_what_is_there,
    the_same_file_is_the_same_mesh,
    damaged_files_get_a_sentence,
    noise_is_refused,
    no_count_is_believed,
    limits_are_kept,
    reading_keeps_to_itself,
)
WRITER_CHECKS: tuple[Callable[[WriterTrial], str | None], ...] = (
    it_writes_every_part,
    the_same_part_is_the_same_file,
    what_was_written_comes_back,
    no_text_breaks_the_file,
    writing_keeps_to_itself,
)


@contextlib.contextmanager
def _little_memory() -> Iterator[None]:
    """No more memory than there is in use, and a gigabyte: a trial shall not bring the machine down."""
    if sys.platform != "linux":
        yield
        return
    soft, hard = resource.getrlimit(resource.RLIMIT_DATA)
    pages = int(Path("/proc/self/statm").read_text("ascii").split()[5])  # proc(5): data and stack
    bound = pages * resource.getpagesize() + FAR_TOO_MUCH_BYTES
    resource.setrlimit(resource.RLIMIT_DATA, (bound if hard < 0 else min(bound, hard), hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_DATA, (soft, hard))


def _spoiled(data: bytes) -> Iterator[tuple[str, bytes]]:
    """The same damage every time: ends that are missing, bytes that are others, pieces twice."""
    rng = np.random.default_rng(20)
    yield "with nothing in it but a blank", b" "
    for share in (0.02, 0.3, 0.5, 0.9, 0.99):
        yield f"cut off after {share:.0%}", data[: max(int(len(data) * share), 1)]
    for number in range(SPOILED):
        changed = bytearray(data)
        for at in rng.integers(0, min(len(data), 200 if number % 2 else len(data)), 1 + number % 4):
            changed[at] = rng.integers(0, 256)
        yield f"with bytes changed (no. {number})", bytes(changed)
    half = len(data) // 2
    yield "with a piece twice", data[:half] + data[half // 2 :]


def _exaggerated(data: bytes) -> Iterator[tuple[str, bytes]]:
    """Each of the first numbers in turn made huge: words of digits, and four bytes that may be a count."""
    for found in list(re.finditer(rb"(?<![\d.])\d+(?![\d.])", data[:4000]))[:20]:
        huge = data[: found.start()] + b"999999999" + data[found.end() :]
        yield f"with {found[0].decode()!r} at byte {found.start()} made 999999999", huge
    for at in range(0, min(len(data) - 4, 200), 4):
        for count in (b"\xff\xff\xff\x7f", b"\x7f\xff\xff\xff"):
            yield f"with the four bytes at {at} made a huge count", data[:at] + count + data[at + 4 :]


def _read_back(trial: WriterTrial, name: str, data: bytes) -> tuple[Floats, Ints]:
    assert trial.read is not None
    try:
        mesh = trial.read(data)
    except Exception as error:
        raise ContractError(f"what it writes of {name} cannot be read: {error}") from error
    return np.asarray(mesh.vertices, np.float64), np.asarray(mesh.faces, np.int32)


def _apart(vertices: Floats, faces: Ints, part: Part) -> float:
    """Largest distance from a corner of either surface to the nearest corner of the other."""
    from scipy.spatial import cKDTree

    here, there = vertices[np.unique(faces)], part.vertices[np.unique(part.faces)]
    if not len(here) or not len(there):
        return float("inf")
    return max(float(np.max(cKDTree(a).query(b)[0])) for a, b in ((here, there), (there, here)))


def _turned_round(vertices: Floats, faces: Ints, part: Part) -> bool:
    """Whether a surface looks the other way than the part: by the volume between its faces and a point below,
    which has a sign.
    """
    low, high = part.bounds
    middle = (low + high) / 2.0 - np.array([0.1, 0.2, 1.0]) * float((high - low).max())

    def outward(points: Floats, triangles: Ints) -> float:
        a, b, c = (points[triangles[:, k]] - middle for k in range(3))
        return float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum())

    return outward(vertices, faces) * outward(part.vertices, part.faces) < 0.0
