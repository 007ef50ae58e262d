"""What belongs to the whole process, watched while a step runs: state, output, files, network."""

from __future__ import annotations

import contextlib
import decimal
import locale
import os
import random
import signal
import sys
import tempfile
import threading
import warnings
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

import numpy as np

from ..mesh import Part


class ContractError(AssertionError):
    """A step that breaks the contract, and how, in a sentence."""


@contextlib.contextmanager
def unchanged_world() -> Iterator[None]:
    """Watch what belongs to the whole process. Raises ContractError for the first thing that changed."""
    before = _world()
    yield
    after = _world()
    for what, was in before.items():
        if after[what] != was:
            raise ContractError(f"it changes {what}, which belongs to the whole process")


@contextlib.contextmanager
def otherwise_the_same() -> Iterator[None]:
    """Other global random states and one thread instead of several: nothing that may matter to a step."""
    python, numpy = random.getstate(), np.random.get_state()
    numba = sys.modules.get("numba")
    threads = numba.get_num_threads() if numba is not None else 1
    random.seed(411)
    np.random.seed(411)
    try:
        if numba is not None:
            numba.set_num_threads(1)
        yield
    finally:
        random.setstate(python)
        np.random.set_state(numpy)
        if numba is not None:
            numba.set_num_threads(threads)


def require_the_same_twice(parts: Mapping[str, Part], ask: Callable[[Part], Any], what: str) -> None:
    """Raises ContractError if a second answer on a part differs, or the part does. `what`: part, take."""
    for name, part in parts.items():
        before = part.vertices.tobytes(), part.faces.tobytes()
        first = ask(part)
        with otherwise_the_same():
            second = ask(part)
        if first != second:
            raise ContractError(f"two answers on the same {what} ({name}) differ")
        if before != (part.vertices.tobytes(), part.faces.tobytes()):
            raise ContractError(f"it changes the {what} that it is given ({name})")


@contextlib.contextmanager
def restored_world() -> Iterator[None]:
    """Puts back what a step most often changes for the whole process, so that one check spoils no other."""
    folder, environ = Path.cwd(), dict(os.environ)
    python, numpy, errors = random.getstate(), np.random.get_state(), np.geterr()
    try:
        yield
    finally:
        os.chdir(folder)
        os.environ.clear()
        os.environ.update(environ)
        random.setstate(python)
        np.random.set_state(numpy)
        np.seterr(**errors)


def _world() -> dict[str, Any]:
    return {
        "the current folder": Path.cwd(),
        "the environment": dict(os.environ),
        "Python's random state": random.getstate(),
        "numpy's random state": repr(np.random.get_state()),
        "numpy's error settings": np.geterr(),
        "numpy's print settings": np.get_printoptions(),
        "the warning filters": list(warnings.filters),
        "the decimal context": repr(decimal.getcontext()),
        "the locale": locale.setlocale(locale.LC_ALL),
        "the module path": list(sys.path),
        "how signals are handled": [signal.getsignal(s) for s in (signal.SIGTERM, signal.SIGINT)],
        "the recursion limit": sys.getrecursionlimit(),
        "the threads at work": {t for t in threading.enumerate() if not t.daemon},
    }


@contextlib.contextmanager
def silence() -> Iterator[None]:
    """Raises ContractError if anything is printed, by Python or by a native library."""
    with tempfile.TemporaryFile() as caught:
        sys.stdout.flush()
        sys.stderr.flush()
        saved = os.dup(1)
        os.dup2(caught.fileno(), 1)
        try:
            with contextlib.redirect_stdout(os.fdopen(os.dup(1), "w", encoding="utf-8")) as out:
                yield
                out.flush()
        finally:
            os.dup2(saved, 1)
            os.close(saved)
        caught.seek(0)
        said = caught.read(200).decode("utf-8", "replace")
    if said:
        raise ContractError(
            f"it prints {said.strip().splitlines()[0]!r}; expected facts and warnings instead"
        )


_watched: list[Callable[[str, tuple[Any, ...]], None]] = []
_hooked = False
_WRITING = os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC | os.O_APPEND


def _on_event(event: str, details: tuple[Any, ...]) -> None:
    for watch in list(_watched):
        watch(event, details)


@contextlib.contextmanager
def confined(scratch_below: Path) -> Iterator[None]:
    """Raises ContractError if a socket is made or a file is opened for writing outside the scratch folder.

    By Python's audit events (PEP 578): a native library that goes past them is not seen here; a server's
    workers are confined by the system as well.
    """
    global _hooked  # noqa: PLW0603
    if not _hooked:
        sys.addaudithook(_on_event)  # cannot be taken back, so there is one
        _hooked = True
    seen: list[str] = []

    def watch(event: str, details: tuple[Any, ...]) -> None:
        if event in ("socket.connect", "socket.bind", "socket.sendto"):
            seen.append("it uses the network; expected nothing beyond the part and its scratch folder")
        if event == "open" and isinstance(details[0], (str, bytes)) and isinstance(details[2], int):
            path = os.fsdecode(details[0])
            if details[2] & _WRITING and not _may_write(path, scratch_below):
                seen.append(f"it writes to {path}; expected its scratch folder only")

    _watched.append(watch)
    try:
        yield
    finally:
        _watched.remove(watch)
    if seen:
        raise ContractError(seen[0])


@contextlib.contextmanager
def kept_to_itself() -> Iterator[None]:
    """Raises ContractError if anything is printed, written, sent or changed for the whole process, and puts
    back what was.
    """
    with (
        restored_world(),
        tempfile.TemporaryDirectory() as home,
        unchanged_world(),
        silence(),
        confined(Path(home)),
    ):
        yield


def _may_write(path: str, scratch_below: Path) -> bool:
    real = Path(path).resolve()
    compiled = "__pycache__" in real.parts or real.suffix in (".nbi", ".nbc")
    return compiled or real.is_relative_to(scratch_below.resolve()) or str(real).startswith("/dev/")
