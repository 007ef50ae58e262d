"""Work in a child process that has so much time and memory and no more, so that it can stop nobody else."""

from __future__ import annotations

import contextlib
import ctypes
import json
import math
import os
import resource
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rows import set_back_mb, status_mb

PR_SET_PDEATHSIG = 1  # linux/prctl.h


@dataclass(frozen=True)
class Ended:
    """How a child ended. `trouble`: a sentence if it did not end well, else empty."""

    said: str
    trouble: str
    seconds: float


def run(
    command: Sequence[str],
    *,
    seconds: float,
    memory_mb: float,
    more: dict[str, str] | None = None,
    cpu_s: float | None = None,
) -> Ended:
    """Run a command to its end or to its limits, and everything it started with it.

    Memory is private writable memory (RLIMIT_DATA): address space that libraries only reserve is free.
    `cpu_s` bounds the processor time of the command itself, whatever else the machine does.
    """
    start = time.monotonic()
    child = subprocess.Popen(
        list(command), stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        env={**os.environ, **(more or {})}, start_new_session=True,
        preexec_fn=_ends_with_its_parent,  # noqa: PLW1509  no benchmark starts a child from a thread
    )  # fmt: skip
    bound = int(memory_mb * 1e6)
    with contextlib.suppress(ProcessLookupError):  # it ended at once
        resource.prlimit(child.pid, resource.RLIMIT_DATA, (bound, bound))
        if cpu_s is not None:
            resource.prlimit(child.pid, resource.RLIMIT_CPU, (math.ceil(cpu_s), math.ceil(cpu_s) + 1))
    try:
        said, complained = child.communicate(timeout=seconds)
    except subprocess.TimeoutExpired:
        _end(child)
        return Ended("", f"not done after {seconds:g} s", time.monotonic() - start)
    except BaseException:  # a person stops the run: nothing is left at work
        _end(child)
        raise
    spent_s = time.monotonic() - start
    if child.returncode == 0:
        return Ended(said, "", spent_s)
    if cpu_s is not None and child.returncode == -signal.SIGXCPU:
        return Ended(said, f"not done after {cpu_s:g} s of processor time", spent_s)
    if child.returncode < 0:
        name = signal.Signals(-child.returncode).name
        return Ended(said, f"ended by {name}, with {memory_mb:g} MB to use", spent_s)
    lines = complained.strip().splitlines()
    return Ended(said, (lines or [f"status {child.returncode}"])[-1][:200], spent_s)


def answer(script: Path, arguments: Sequence[str], *, seconds: float, memory_mb: float) -> dict[str, Any]:
    """What a script of ours says on its last line, a JSON object; or {"trouble": why it says nothing}."""
    ended = run([sys.executable, str(script), *arguments], seconds=seconds, memory_mb=memory_mb)
    if ended.trouble:
        return {"trouble": ended.trouble}
    found: dict[str, Any] = json.loads(ended.said.strip().splitlines()[-1])
    return found


@dataclass(frozen=True)
class Cost:
    """What a piece of work took here: processor seconds of all threads, seconds, highest memory in MB."""

    cpu_s: float
    wall_s: float
    peak_mb: float


def costing(work: Callable[[], Any]) -> tuple[Any, Cost]:
    """Do a piece of work and say what it took. The peak is that of the process, from now on."""
    set_back_mb()
    wall, busy = time.perf_counter(), time.process_time()
    made = work()
    cost = Cost(time.process_time() - busy, time.perf_counter() - wall, status_mb("VmHWM"))
    return made, cost


def _ends_with_its_parent() -> None:
    """A child that is killed leaves nothing at work that it started in a session of its own."""
    with contextlib.suppress(OSError, AttributeError):  # Linux only
        ctypes.CDLL(None).prctl(PR_SET_PDEATHSIG, signal.SIGKILL)


def _end(child: subprocess.Popen[str]) -> None:
    with contextlib.suppress(ProcessLookupError):
        os.killpg(child.pid, signal.SIGKILL)
    child.communicate()
