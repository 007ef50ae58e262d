"""What children do to themselves, and what the pool says of it."""

from __future__ import annotations

import os
import queue
import re
import signal
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import performers
import pytest
from fettlebox import confinement
from fettlebox.jobs.lock import wait_for_orphans
from fettlebox.workers import Answer, Limits, Workers


@dataclass(frozen=True)
class Task:
    job: str
    folder: Path
    scan_name: str
    kept: Path | None = None


class Pool:
    """Workers, and their answers in the order they come."""

    def __init__(self, private: Path, perform: Any, count: int, **limits: Any) -> None:
        self.answers: queue.SimpleQueue[Answer] = queue.SimpleQueue()
        given = {"time_s": 60.0, "memory_mb": 2000.0, **limits}
        self.private = private
        self.workers = Workers(count, perform, Limits(**given), private, self.answers.put)

    def start(self, scan: str) -> None:
        folder = self.private / "work" / scan
        (folder / "original").mkdir(parents=True, exist_ok=True)
        (folder / "original" / scan).write_text(scan)
        self.workers.start(Task(scan, folder, scan))

    def answer(self) -> Answer:
        answer = self.answers.get(timeout=60)
        self.workers.settle(answer.job)
        return answer

    def run(self, scan: str) -> Answer:
        self.start(scan)
        return self.answer()


@pytest.fixture
def make_pool(tmp_path: Path) -> Iterator[Callable[..., Pool]]:
    pools: list[Pool] = []

    def make(perform: Any = performers.by_name, count: int = 1, **limits: Any) -> Pool:
        pools.append(Pool(limits.pop("private", tmp_path), perform, count, **limits))
        return pools[-1]

    yield make
    for pool in pools:
        pool.workers.stop()


def test_each_kind_of_failure_is_that_jobs_own(make_pool: Callable[..., Pool]) -> None:
    """One worker meets every failure in turn and serves a good job after each."""
    pool = make_pool(memory_mb=1500.0)
    for verb, sentence in (
        ("raise", "RuntimeError: a plugin's own mistake \\x1b[31m"),
        ("exit", "exit status 7"),
        ("suicide", "exit status 15"),
        ("segfault", "SIGSEGV"),
        ("abort", "SIGABRT"),
        ("memory", "more than the 1.5 GB"),
        ("unpicklable", "pickle"),
        ("unreadable", "cannot be read"),
        ("exitexception", "SystemExit"),
    ):
        answer = pool.run(verb)
        assert answer.kind == "failed" and sentence in answer.sentence, (verb, answer)
        assert answer.sentence.isprintable()
        good = pool.run(f"good-{verb}")
        assert good.kind == "answered" and good.result.state == "done", (verb, good)


@pytest.mark.parametrize("verb", ["hang", "deaf"])
def test_a_job_that_hangs_is_stopped(make_pool: Callable[..., Pool], verb: str) -> None:
    pool = make_pool(time_s=0.3)
    answer = pool.run(verb)
    assert answer.kind == "failed" and "longer than the 0.3 s" in answer.sentence
    assert pool.run("good").kind == "answered"


def test_a_job_cannot_leave_its_folder_or_use_the_network(
    make_pool: Callable[..., Pool], tmp_path: Path
) -> None:
    """One worker meets every attempt in turn. What native code tries, only the kernel can refuse."""
    private = tmp_path / "shop" / ".fettlebox"
    for folder in ("inbox", ".fettlebox/work/neighbour"):
        (tmp_path / "shop" / folder).mkdir(parents=True)
    (tmp_path / "shop" / "shop.yaml").write_text("shop: x\n")
    pool = make_pool(private=private)
    for verb in performers.OUTSIDE:
        kernel = verb.startswith("native") or verb == "signal"
        if kernel and len(confinement.layers()) < 3:
            continue
        answer = pool.run(verb)
        assert answer.kind == "failed", verb
        said = "not permitted|Permission denied|said no" if kernel else "a plugin tried to (use|write|read)"
        assert re.search(said, answer.sentence), (verb, answer.sentence)
        assert (private / "work" / verb / "original" / verb).read_text() == verb
        assert (tmp_path / "shop" / "shop.yaml").stat().st_mode & 0o777 == 0o644
        assert not os.path.lexists(tmp_path / "shop" / "inbox" / "planted"), verb
        assert not list((private / "work" / "neighbour").iterdir()), verb
        assert pool.run(f"good-{verb}").kind == "answered"
    assert not (Path.home() / ".fettlebox-planted").exists()


def test_the_answer_to_a_crash_names_the_step(make_pool: Callable[..., Pool]) -> None:
    answer = make_pool(performers.crash_in_a_step).run("any")
    assert (answer.kind, answer.step) == ("failed", "repair") and "SIGSEGV" in answer.sentence


def test_a_file_without_end_is_refused(make_pool: Callable[..., Pool]) -> None:
    """The file is sparse: no disk is filled."""
    answer = make_pool(performers.write_without_end).run("any")
    assert answer.kind == "failed" and "a file larger than 4 GB" in answer.sentence


def test_temporary_files_of_libraries_go_with_the_job(make_pool: Callable[..., Pool], tmp_path: Path) -> None:
    assert make_pool(performers.leave_temporary_files).run("any").kind == "answered"
    assert sorted(path.name for path in (tmp_path / "work" / "any").iterdir()) == ["original", "where.txt"]
    assert (tmp_path / "work" / "any" / "where.txt").read_text().startswith(str(tmp_path / "work" / "any"))


def test_a_full_disk_is_not_the_jobs_fault(make_pool: Callable[..., Pool]) -> None:
    assert make_pool().run("full").kind == "no room"


def test_a_neighbour_is_not_disturbed(make_pool: Callable[..., Pool]) -> None:
    pool = make_pool(count=2)
    pool.start("segfault")
    pool.start("good")
    assert pool.workers.free == 0 and pool.workers.busy == {"segfault", "good"}
    kinds = {answer.job: answer.kind for answer in (pool.answer(), pool.answer())}
    assert kinds == {"segfault": "failed", "good": "answered"} and pool.workers.free == 2


def test_even_one_worker_is_a_child_and_it_stays_warm(make_pool: Callable[..., Pool], tmp_path: Path) -> None:
    pool = make_pool(performers.tell_environment, jobs_per_process=2)
    for number in range(3):
        assert pool.run(f"job{number}").kind == "answered"
    said = [(tmp_path / "work" / f"job{number}" / "who.txt").read_text().split() for number in range(3)]
    assert {parent for _, parent, _ in said} == {str(os.getpid())}
    assert [jobs for _, _, jobs in said] == ["1", "2", "1"], "a fresh process after two jobs"
    assert said[0][0] == said[1][0] != said[2][0]


def test_what_a_child_prints_stays_out_of_ours(
    make_pool: Callable[..., Pool], tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    pool = make_pool()
    pool.run("noise")
    pool.workers.stop()
    out, err = capfd.readouterr()
    assert "words" not in out + err and "bytes" not in out + err
    said = (tmp_path / "workers" / "0.txt").read_text()
    assert {"words on stdout", "words on stderr", "bytes on 1"} <= set(said.splitlines())


def test_an_idle_child_that_is_killed_is_replaced(make_pool: Callable[..., Pool], tmp_path: Path) -> None:
    pool = make_pool(performers.tell_environment)
    pool.run("first")
    child = int((tmp_path / "work" / "first" / "who.txt").read_text().split()[0])
    os.kill(child, signal.SIGKILL)
    answer = pool.run("second")
    if answer.kind == "stopped":  # handed over before anybody noticed: no blame, and a next try
        answer = pool.run("second")
    assert answer.kind == "answered"


def test_stopping_ends_every_child_and_blames_no_job(make_pool: Callable[..., Pool], tmp_path: Path) -> None:
    pool = make_pool(count=2)
    pool.run("good")
    pool.start("hang")
    assert not wait_for_orphans(tmp_path, patience_s=0.1)
    pool.workers.stop()
    assert wait_for_orphans(tmp_path, patience_s=0.1), "no child lives"
    while True:
        try:
            assert pool.answers.get_nowait().kind == "stopped"
        except queue.Empty:
            break


def test_threads_follow_how_many_are_at_work(
    make_pool: Callable[..., Pool], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two cores: alone, a job has both; beside another, one; and both again from the step after that ends."""
    monkeypatch.setattr("fettlebox.workers.cores_here", lambda: 2)
    monkeypatch.setenv("NUMBA_NUM_THREADS", "2")
    pool = make_pool(performers.count_threads, count=2)
    pool.start("long")
    while pool.workers.steps["long"] != "one":
        time.sleep(0.01)
    pool.start("short")
    while pool.workers.steps["short"] != "one":
        time.sleep(0.01)
    (pool.private / "work" / "short" / "go").touch()
    assert pool.answer().result[0] == 1
    (pool.private / "work" / "long" / "go").touch()
    assert pool.answer().result == [2, 2]
