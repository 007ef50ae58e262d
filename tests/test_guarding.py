"""What belongs to the whole process is put back, and what had to be is told."""

from __future__ import annotations

import decimal
import locale
import os
import random
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from fettlebox.guarding import PRINTED, bounded

CHANGES: dict[str, Callable[[Path], object]] = {
    "the current folder": os.chdir,
    "the environment": lambda place: os.environ.update(FETTLE_TEST="x"),
    "Python's random state": lambda place: random.seed(3),
    "numpy's random state": lambda place: np.random.seed(3),
    "numpy's error settings": lambda place: np.seterr(all="raise"),
    "numpy's print settings": lambda place: np.set_printoptions(precision=2),
    "the decimal context": lambda place: decimal.getcontext().__setattr__("prec", 5),
    "the locale": lambda place: locale.setlocale(locale.LC_ALL, "C" if is_utf8() else "C.UTF-8"),
    "the module path": lambda place: sys.path.insert(0, str(place)),
    "the recursion limit": lambda place: sys.setrecursionlimit(3456),
    PRINTED: lambda place: print("hello"),
}


def is_utf8() -> bool:
    return "UTF-8" in locale.setlocale(locale.LC_ALL)


def now() -> tuple[object, ...]:
    return (
        Path.cwd(), dict(os.environ), random.getstate(), np.random.get_state()[1].tolist(),  # type: ignore[index,union-attr]
        np.geterr(), np.get_printoptions(), decimal.getcontext().prec, locale.setlocale(locale.LC_ALL),
        list(sys.path), sys.getrecursionlimit(),
    )  # fmt: skip


@pytest.mark.parametrize("what", CHANGES)
@pytest.mark.parametrize("fails", [False, True])
def test_it_is_put_back_and_named(what: str, fails: bool, tmp_path: Path) -> None:
    before, told = now(), []
    try:
        with bounded(told.append):
            CHANGES[what](tmp_path)
            assert what == PRINTED or now() != before
            if fails:
                raise KeyError
    except KeyError:
        pass
    assert now() == before
    assert told == [what]


def test_a_current_folder_that_is_gone_is_left(tmp_path: Path) -> None:
    gone = tmp_path / "gone"
    gone.mkdir()
    before, told = Path.cwd(), []
    with bounded(told.append):
        os.chdir(gone)
        gone.rmdir()
    assert (Path.cwd(), told) == (before, ["the current folder"])


def test_what_is_printed_does_not_reach_the_command_s_own_output(capsys: pytest.CaptureFixture[str]) -> None:
    with bounded():
        print("a plugin speaks")
    said = capsys.readouterr()
    assert (said.out, said.err) == ("", "a plugin speaks\n")


def test_nothing_is_told_of_a_plugin_that_keeps_to_itself() -> None:
    told: list[str] = []
    with bounded(told.append):
        np.random.default_rng(3).random(5)
        with np.errstate(all="raise"):
            pass
    assert told == []
