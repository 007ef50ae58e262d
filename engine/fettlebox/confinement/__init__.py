"""What a worker may not do: use the network, write outside its job's folder, eat the machine.

Three layers, from the strongest to the most portable; each says in its module what it stops.

    landlock  the kernel allows changes of files only below given folders, and no TCP (Linux 5.13 and later)
    calls     the kernel makes no sockets for this process (Linux, x86-64 and ARM64)
    hook      Python refuses, with a sentence; also reading the rest of the shop (everywhere)

What none of them stops: reading files outside the shop; changing modes and times of one's own files from
native code; what a plugin does when it is imported outside a worker, as `fettlebox check` does.
"""

from __future__ import annotations

import contextlib
import importlib.metadata
import importlib.util
import os
import resource
import sys
import tempfile
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TypeVar

from . import calls, landlock
from .hook import Bounds, OutsideError, install

T = TypeVar("T")
LARGEST_FILE_BYTES = 4 << 30
"""A part of 40 million triangles as STL has 2 GB; what writes more than twice that is running away."""
MOST_OPEN_FILES = 1024
HEED_SIGNALS_S = 0.2
"""Python heeds signals in the main thread alone; one that reached the job's thread would else wait."""
KERNELS = "kernels"

__all__ = ["LARGEST_FILE_BYTES", "OutsideError", "Worker", "layers"]


def layers() -> tuple[str, ...]:
    """The layers that hold on this machine, in words."""
    speaks = landlock.version()
    return (
        *([f"Landlock {speaks}"] if speaks else []),
        *(["call filter"] if calls.known() else []),
        "audit hook",
    )


class Worker:
    """The confinement of one worker process. To be made once in it, before it takes up anything."""

    def __init__(self, private: Path, all_kept: Path | None = None) -> None:
        """`private` is the shop's folder of state, in whose `work/` jobs lie; `all_kept` where half-made
        parts of all scans are kept, if not in there: as on a disk that is shared with the shop's server,
        where what else is the shop's may not be read either.
        """
        self._work = private / "work"
        self._work.mkdir(parents=True, exist_ok=True)
        _bound_resources()
        always = tuple(_compiled_code(private))
        device = Path(os.devnull)
        kept = all_kept or private / "kept-steps"
        kept.mkdir(exist_ok=True, mode=0o700)
        held = landlock.restrict((self._work, kept, device, *always), alone=True)
        held = calls.refuse_sockets() and held
        self._always = (device, *always)
        self._bounds = Bounds(always, (private.parent, _whose(kept, private)), programs=held)
        self._bounds.readable = (os.path.realpath(private.parent / "recipes"),)
        install(self._bounds)

    def run(self, folder: Path, job: Callable[[], T], kept: Path | None = None) -> T:
        """Do a job that may change nothing but what lies in its folder, and not the original in there; and
        in `kept`, with what other jobs made of the same scan.

        Runs in a thread of its own: what the kernel allows a thread, it cannot be given back.
        """
        self._bounds.job = os.path.realpath(folder)
        self._bounds.original = os.path.realpath(folder / "original")
        self._bounds.kept = None if kept is None else os.path.realpath(kept)
        answers: list[T] = []
        errors: list[BaseException] = []

        def confined() -> None:
            try:
                also = () if kept is None or not kept.is_dir() else (kept,)
                landlock.restrict((folder, *also, *self._always))
                os.chdir(folder)  # a path that is not whole leads to where a job may write
                with _scratch(folder):
                    answers.append(job())
            except BaseException as error:
                errors.append(error)

        thread = threading.Thread(target=confined, name="job")
        thread.start()
        while thread.is_alive():
            thread.join(HEED_SIGNALS_S)
        os.chdir("/")
        self._bounds.job = self._bounds.original = self._bounds.kept = None
        if errors:
            raise errors[0]
        return answers[0]


def _whose(kept: Path, private: Path) -> Path:
    """The shop that half-made parts are kept in; the folder itself, if they lie in none. `private` is called
    the same in every shop.
    """
    return kept.parent.parent if kept.parent.name == private.name else kept


@contextlib.contextmanager
def _scratch(folder: Path) -> Iterator[None]:
    """Temporary files of libraries go where they may, and go with the job."""
    with tempfile.TemporaryDirectory(prefix=".scratch-", dir=folder, ignore_cleanup_errors=True) as place:
        before = tempfile.tempdir, os.environ.get("TMPDIR")
        tempfile.tempdir = os.environ["TMPDIR"] = place
        try:
            yield
        finally:
            tempfile.tempdir = before[0]
            if before[1] is None:
                del os.environ["TMPDIR"]
            else:
                os.environ["TMPDIR"] = before[1]


def _bound_resources() -> None:
    """Memory has its own limit (see `workers`). The number of processes counts all of a user's, whoever began
    them, so bounding it is left to the service manager.
    """
    _lower(resource.RLIMIT_CORE, 0)  # a core dump would hold a face
    _lower(resource.RLIMIT_FSIZE, LARGEST_FILE_BYTES)
    _lower(resource.RLIMIT_NOFILE, MOST_OPEN_FILES)


def _lower(what: int, to: int) -> None:
    _, hard = resource.getrlimit(what)
    bound = to if hard == resource.RLIM_INFINITY else min(to, hard)
    resource.setrlimit(what, (bound, bound))


def _compiled_code(private: Path) -> Iterator[Path]:
    """Folders where compiled kernels of the steps are kept: beside their source if that may be written to,
    else with the shop. (A read-only installation, as a service should have, keeps code from being changed.)
    """
    roots = list(_packages())
    if all(os.access(root, os.W_OK) for root in roots):
        for root in roots:
            for folder in [root, *(path for path in root.rglob("*") if path.is_dir())]:
                if folder.name != "__pycache__" and any(folder.glob("*.py")):
                    cache = folder / "__pycache__"
                    with contextlib.suppress(OSError):
                        cache.mkdir(exist_ok=True)
                        yield cache
        return
    place = Path(os.environ.setdefault("NUMBA_CACHE_DIR", str(private / KERNELS)))
    place.mkdir(parents=True, exist_ok=True)
    sys.dont_write_bytecode = True
    yield place


def _packages() -> Iterator[Path]:
    """The folders of the top-level packages that bring steps, and our own."""
    names = {
        entry.module.partition(".")[0] for entry in importlib.metadata.entry_points(group="fettlebox.steps")
    }
    for name in sorted(names | {__name__.partition(".")[0]}):
        with contextlib.suppress(ImportError, ValueError):
            spec = importlib.util.find_spec(name)
            for place in (spec.submodule_search_locations or ()) if spec is not None else ():
                yield Path(place)
