"""Observers hear of every job's course, in a process of their own: nothing that they do reaches a job."""

from __future__ import annotations

import io
import json
import os
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from fettlebox.board.beside import Beside
from fettlebox.board.settings import Settings
from fettlebox.hooks import JobObserver
from fettlebox.jobs.events import Event
from fettlebox.observing import Observers, observe
from fettlebox.server import serve

PLUGIN = """
import ctypes, json, os, sys, time
from fettlebox.hooks import JobObserver

FETTLEBOX_CONTRACT = 2
HEARD = os.environ["HEARD"]

def write(event):
    with open(HEARD, "a") as stream:
        stream.write(json.dumps({**event, "pid": os.getpid()}) + "\\n")

def see(event):
    what = os.environ["DO"]
    if what == "crash":
        ctypes.string_at(0)
    elif what == "hang":
        time.sleep(600)
    elif what == "raise":
        print("a word")
        raise KeyError("no lamp")
    elif what == "exit":
        os._exit(3)

careful = JobObserver("careful", write)
careless = JobObserver("careless", see)
"""
OBJ = "v 0 0 0\nv 100 0 0\nv 0 100 0\nv 0 0 100\nf 1 3 2\nf 1 2 4\nf 1 4 3\nf 2 3 4\n"


@pytest.fixture
def plugin(install: Callable[..., None], fast_folder: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A package that brings two observers; the file that one of them writes what it hears into."""
    install("observing-plugin", PLUGIN, "careful", "careless")
    monkeypatch.setenv("HEARD", str(fast_folder / "heard.jsonl"))
    return fast_folder / "heard.jsonl"


def heard_of(file: Path) -> list[dict[str, Any]]:
    return [json.loads(line) for line in file.read_text().splitlines()] if file.exists() else []


@pytest.mark.parametrize("what", ["nothing", "raise", "hang", "crash"])
def test_a_shop_s_jobs_are_told_of_and_no_observer_harms_them(
    make_shop: Callable[..., Path], plugin: Path, monkeypatch: pytest.MonkeyPatch, what: str
) -> None:
    monkeypatch.setenv("DO", what)
    shop = make_shop(workers=1, attempts=1, time="120 s")
    (shop / "recipes" / "plain.yaml").write_text(
        "recipe: plain\nabout: For tests.\nsteps:\n  - scale: 50 %\ndeliver: [stl]\n"
    )
    for name in ("one", "two"):
        (shop / "inbox" / f"{name}.obj").write_text(OBJ.replace("100", "100" if name == "one" else "90"))
    results = serve(shop, once=True).results
    assert [result.state for result in results] == ["done", "done"]
    heard = heard_of(plugin)
    assert all(event["pid"] != os.getpid() for event in heard)
    assert not {key for event in heard for key in event} - {
        "event",
        "job",
        "step",
        "attempt",
        "seconds",
        "pid",
    }
    if what == "crash":
        return  # whatever stood in the same process is gone with it
    for result in results:
        told = [event["event"] for event in heard if event["job"] == result.job and event["event"] != "step"]
        assert told == ["claimed", "started", "done"]
    complaints = (shop / ".fettlebox" / "observers.txt").read_text()
    assert ("observing-plugin/careless: KeyError: 'no lamp'" in complaints) == (what == "raise")


def test_a_process_that_dies_is_begun_again_three_times_at_most(
    plugin: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("DO", "exit")
    seen: list[Event] = []
    begun = set()
    with Observers(tmp_path / "observers.txt") as observers:
        tell = observers.told_too(seen.append)
        until = time.monotonic() + 60.0
        while len(begun) < 3 and time.monotonic() < until:
            tell(Event("started", "A job.", "job-1"))
            if observers._process is not None:
                begun.add(observers._process.pid)
            time.sleep(0.05)
        assert observers._process is not None
        observers._process.wait(60)
        last = observers._process.pid
        tell(Event("done", "A job.", "job-1"))
        assert observers._process.pid == last
    assert len(begun) == 3
    assert len(seen) > 3


def test_the_processes_beside_a_server_begin_one_thread_of_blas_each(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each of its threads takes some 40 MB of what the process may hold (measured)."""
    monkeypatch.setattr("fettlebox.observing._anybody", lambda: True)
    monkeypatch.setenv("OPENBLAS_NUM_THREADS", "8")
    begun: list[dict[str, str]] = []

    def begin(*args: Any, env: dict[str, str], **more: Any) -> Any:
        begun.append(env)
        raise OSError("enough")

    monkeypatch.setattr("fettlebox.observing.subprocess.Popen", begin)
    Observers(tmp_path / "observers.txt").tell({"event": "done", "job": "a"})
    (tmp_path / ".fettlebox").mkdir()
    with pytest.raises(OSError, match="enough"):
        Beside(Settings(tmp_path), print)._serve()
    assert [env["OPENBLAS_NUM_THREADS"] for env in begun] == ["1", "1"]
    assert all(env["PATH"] == os.environ["PATH"] for env in begun)


def test_nothing_is_begun_where_nobody_else_brings_plugins(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("fettlebox.observing.metadata.entry_points", lambda group: ())
    observers = Observers(tmp_path / "observers.txt")
    listener = [].append
    assert observers.told_too(listener) == listener
    observers.tell({"event": "done", "job": "a"})
    assert observers._process is None and not (tmp_path / "observers.txt").exists()


def test_every_step_a_job_comes_to_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("fettlebox.observing.LOOK_S", 0.005)
    monkeypatch.setattr("fettlebox.observing._anybody", lambda: True)
    told: list[Any] = []
    at_work = [{}, {"a": "reading"}, {"a": "reading", "b": ""}, {"a": "repair", "b": "reading"}]
    turns = iter(at_work)
    over = threading.Event()

    def looked() -> dict[str, str]:
        step = next(turns, None)
        if step is None:
            over.set()
        return step or {}

    observers = Observers(tmp_path / "observers.txt")
    monkeypatch.setattr(observers, "tell", told.append)
    with observers:
        observers.watch(looked)
        assert over.wait(60)
    assert [(event["job"], event["step"]) for event in told] == [
        ("a", "reading"), ("a", "repair"), ("b", "reading"),
    ]  # fmt: skip


@pytest.fixture
def lines() -> Iterator[list[str]]:
    yield [json.dumps({"event": "done", "job": str(number)}) + "\n" for number in range(5)]


def test_who_raises_or_leaves_keeps_nothing_from_the_others(lines: list[str]) -> None:
    heard: list[str] = []
    complaints = io.StringIO()

    def leaves(event: Any) -> None:
        sys.exit(2)

    good = JobObserver("good", lambda event: heard.append(event["job"]))
    observe(lines, {"a/bad": JobObserver("bad", leaves), "a/good": good}, complaints)
    assert heard == ["0", "1", "2", "3", "4"]
    assert complaints.getvalue().count("a/bad: SystemExit: 2") == 5


def test_who_hangs_holds_nobody_up(lines: list[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("fettlebox.observing.LAST_WORDS_S", 0.2)
    monkeypatch.setattr("fettlebox.observing.MOST_WAITING", 2)
    never, heard = threading.Event(), []
    slow = JobObserver("slow", lambda event: never.wait(60) and None)
    quick = JobObserver("quick", lambda event: heard.append(event["job"]))

    def paced() -> Iterator[str]:
        for number, line in enumerate(lines):
            yield line
            until = time.monotonic() + 30.0
            while len(heard) <= number and time.monotonic() < until:
                time.sleep(0.001)

    observe(paced(), {"a/slow": slow, "a/quick": quick}, io.StringIO())
    assert heard == ["0", "1", "2", "3", "4"]
    never.set()
