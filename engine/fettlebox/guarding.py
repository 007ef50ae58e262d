"""What belongs to the whole process, put back after a plugin has run: a worker does many jobs, and none may
find what another's plugin left.

Left alone are the filters of warnings (importing a library adds some), how signals are handled (a job's
thread may not set it) and the number of threads (the server's).
"""

from __future__ import annotations

import decimal
import io
import locale
import os
import random
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, redirect_stdout, suppress
from pathlib import Path
from typing import Any, cast

import numpy as np

PRINTED = "what it printed"


@contextmanager
def bounded(note: Callable[[str], None] = lambda what: None) -> Iterator[None]:
    """Run a plugin's code here. `note` is told what had to be put back, one call each, also when it raises.

    What is printed goes to the standard errors: the standard output is the command's own.
    """
    before = {what: read() for what, (read, _) in _KEPT.items()}
    said = _Said()
    try:
        with redirect_stdout(cast(Any, said)):
            yield
    finally:
        for what, (read, put_back) in _KEPT.items():
            now: Any = None
            with suppress(OSError):  # it stands in a folder that is gone
                now = read()
            if now != before[what]:
                with suppress(OSError):
                    put_back(before[what])
                note(what)
        if said.characters:
            note(PRINTED)


class _Said(io.TextIOBase):
    """Counts what is printed, and hands it on."""

    characters = 0

    def write(self, text: str) -> int:
        self.characters += len(text)
        return sys.stderr.write(text)

    def writable(self) -> bool:
        return True


def _set_environment(variables: dict[str, str]) -> None:
    for name in os.environ.keys() - variables.keys():
        del os.environ[name]
    os.environ.update(variables)


def _numpy_random() -> tuple[Any, ...]:
    kind, key, *rest = np.random.get_state()
    return (kind, np.asarray(key).tobytes(), *rest)


def _set_numpy_random(state: tuple[Any, ...]) -> None:
    kind, key, *rest = state
    np.random.set_state((kind, np.frombuffer(key, np.uint32), *rest))


def _decimals() -> tuple[Any, ...]:
    now = decimal.getcontext()
    return now.prec, now.rounding, now.Emin, now.Emax, now.capitals, now.clamp


def _set_decimals(state: tuple[Any, ...]) -> None:
    precision, rounding, least, most, capitals, clamp = state
    decimal.setcontext(decimal.Context(precision, rounding, least, most, capitals, clamp))


def _set_module_path(folders: tuple[str, ...]) -> None:
    sys.path[:] = folders


_KEPT: dict[str, tuple[Callable[[], Any], Callable[[Any], Any]]] = {
    "the current folder": (Path.cwd, os.chdir),
    "the environment": (lambda: dict(os.environ), _set_environment),
    "Python's random state": (random.getstate, random.setstate),
    "numpy's random state": (_numpy_random, _set_numpy_random),
    "numpy's error settings": (np.geterr, lambda kept: np.seterr(**kept)),
    "numpy's print settings": (np.get_printoptions, lambda kept: np.set_printoptions(**kept)),
    "the decimal context": (_decimals, _set_decimals),
    "the locale": (
        lambda: locale.setlocale(locale.LC_ALL),
        lambda kept: locale.setlocale(locale.LC_ALL, kept),
    ),
    "the module path": (lambda: tuple(sys.path), _set_module_path),
    "the recursion limit": (sys.getrecursionlimit, sys.setrecursionlimit),
}
