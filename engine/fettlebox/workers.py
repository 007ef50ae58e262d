"""Child processes that run jobs, so that a bad plugin or a bad scan hurts only its own job.

Each worker is a pebble pool of one process: a process that dies with a lock of its pool in its hands can
then stop nobody else's job. What a child returns crosses the border as bytes that were pickled inside the
job's own try, so an answer that cannot be pickled, or cannot be read back, is a failure of that job alone.

What a child may touch is bounded by `confinement`. Memory is bounded by RLIMIT_DATA, which counts private
writable memory. RLIMIT_AS would also count address space that numba, embree and TBB only reserve (measured:
1.2 GB of it with 0.28 GB in use). Past the limit numpy raises MemoryError at once; native code mostly aborts.
Linux enforces this; elsewhere it has no effect.
"""

from __future__ import annotations

import contextlib
import ctypes
import errno
import fcntl
import functools
import multiprocessing
import os
import pickle
import resource
import signal
import sys
import threading
import time
from collections.abc import Callable
from concurrent.futures import CancelledError, Future
from concurrent.futures.process import BrokenProcessPool
from multiprocessing.sharedctypes import RawArray
from pathlib import Path
from typing import Any

from pebble import ProcessExpired, ProcessPool

from .confinement import LARGEST_FILE_BYTES, OutsideError, Worker
from .idling import let_idle_threads_sleep
from .jobs.atomic import is_no_room
from .jobs.lock import WORKERS_LOCK
from .jobs.spool import showable
from .pool import NOTHING, Answer, Kind, Limits, Needs, Task
from .turns import cores_here, memory_here_mb, threads_each

PR_SET_PDEATHSIG = 1
LONGEST_SENTENCE = 2000
LONGEST_STEP = 200

__all__ = ["Answer", "Limits", "Workers"]


class Workers:
    """A fixed number of child processes. All methods are to be called from one thread.

    on_answer  is called from a thread of the pool: hand the answer over, do nothing else there
    cores      to be shared out between jobs, if not all that there are
    all_kept   the folder below which half-made parts are kept, if not the shop's own
    """

    def __init__(
        self,
        count: int,
        perform: Callable[..., Any],
        limits: Limits,
        private: Path,
        on_answer: Callable[[Answer], None],
        cores: int | None = None,
        all_kept: Path | None = None,
    ) -> None:
        let_idle_threads_sleep()  # in the children, which begin with nothing imported
        self._slots = [_Slot(number, perform, limits, private, all_kept) for number in range(count)]
        self._on_answer = on_answer
        self._running: dict[str, tuple[_Slot, Future[bytes], float]] = {}
        self._cores = cores or cores_here()
        self._limits = limits
        self.room_mb = memory_here_mb()

    @property
    def free(self) -> int:
        return len(self._slots) - len(self._running)

    @property
    def busy(self) -> frozenset[str]:
        """Ids of the jobs that workers have and whose answers were not yet taken by `settle`."""
        return frozenset(self._running)

    @property
    def steps(self) -> dict[str, str]:
        """What each job is at. May be asked from any thread."""
        return {job: slot.step for job, (slot, _, _) in list(self._running.items())}

    def why_not(self, needs: Needs) -> str | None:
        """None, or which of the recipe's tags this machine has not."""
        missing = sorted(needs.tags - self._limits.has)
        if not missing:
            return None
        return (
            f"the recipe needs {', '.join(missing)}, and shop.yaml does not say under 'has' that this "
            "machine has it"
        )

    def start(self, task: Task, needs: Needs = NOTHING) -> None:
        """Give a job to a free worker."""
        taken = {id(slot) for slot, _, _ in self._running.values()}
        slot = next(slot for slot in self._slots if id(slot) not in taken)
        begun = slot.calls
        slot.threads = threads_each(self._cores, len(self._running) + 1)
        future = slot.schedule(task)
        started = time.monotonic()
        self._running[task.job] = (slot, future, started)
        self._share_threads()

        def ended(future: Future[bytes]) -> None:
            self._on_answer(_answer(task.job, future, slot, slot.calls > begun, time.monotonic() - started))

        future.add_done_callback(ended)

    def settle(self, job: str) -> None:
        """Take note that a job's answer was taken: its worker is free again."""
        self._running.pop(job, None)
        self._share_threads()

    def _share_threads(self) -> None:
        """Who is alone gets all cores. A job heeds it from its next step on; results do not depend on it."""
        for slot, _, _ in self._running.values():
            slot.threads = threads_each(self._cores, len(self._running))

    def set_limits(self, limits: Limits) -> None:
        """New limits for jobs that start from now on."""
        self._limits = limits
        for slot in self._slots:
            slot.limits = limits

    def stop(self) -> None:
        """Stop all children now, at work or not. When this returns none of them is alive."""
        threads = [threading.Thread(target=slot.stop) for slot in self._slots]  # a deaf child takes 3 s
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()


class _Slot:
    """One worker: a pool of one process, made again whenever it breaks."""

    def __init__(
        self,
        number: int,
        perform: Callable[..., Any],
        limits: Limits,
        private: Path,
        all_kept: Path | None,
    ) -> None:
        self.limits = limits
        self._all_kept = all_kept
        self._perform = perform
        self._private = private
        self._output = private / "workers" / f"{number}.txt"
        self._lock = private / WORKERS_LOCK
        self._output.parent.mkdir(parents=True, exist_ok=True)
        self._calls = RawArray(ctypes.c_uint64, 1)
        self._step = RawArray(ctypes.c_char, LONGEST_STEP + 1)
        self._threads = RawArray(ctypes.c_uint64, 1)
        self._pool: ProcessPool | None = None
        self._stopped = False

    @property
    def calls(self) -> int:
        """How many jobs the children of this slot have begun."""
        return int(self._calls[0])

    @property
    def threads(self) -> int:
        """How many threads the child's job may use."""
        return int(self._threads[0])

    @threads.setter
    def threads(self, count: int) -> None:
        self._threads[0] = count

    @property
    def step(self) -> str:
        """What the child's job is at, or was when the child ended."""
        return showable(bytes(self._step.value).decode("utf-8", "replace"))

    def schedule(self, task: Task) -> Future[bytes]:
        if self._pool is not None and not self._pool.active:
            self._close()
        if self._pool is None:
            self._pool = ProcessPool(
                max_workers=1,
                max_tasks=self.limits.jobs_per_process,
                initializer=_prepare_child,
                initargs=(
                    os.getpid(),
                    (self._private, self._all_kept),
                    self._output,
                    self._lock,
                    (self._calls, self._step, self._threads),
                    self._perform,
                ),
                context=multiprocessing.get_context("spawn"),
            )
        limits = self.limits
        call = functools.partial(_call, self._perform, task, int(limits.memory_mb * 1e6))
        future: Future[bytes] = self._pool.schedule(call, timeout=limits.time_s)
        return future

    def stop(self) -> None:
        self._stopped = True
        self._close()

    @property
    def stopped(self) -> bool:
        return self._stopped

    def _close(self) -> None:
        if self._pool is not None:
            with contextlib.suppress(Exception):  # a pool that broke may fail at anything; its child is dead
                self._pool.stop()  # type: ignore[no-untyped-call]
                self._pool.join()
            self._pool = None


def _answer(job: str, future: Future[bytes], slot: _Slot, begun: bool, seconds: float) -> Answer:
    """Put the end of a future into words."""

    def answer(kind: Kind, sentence: str = "") -> Answer:
        return Answer(job, kind, sentence=sentence, seconds=seconds, step=slot.step if begun else "")

    try:
        data = future.result()
    except TimeoutError:
        return answer("failed", f"took longer than the {slot.limits.time_s:g} s that this shop allows a job")
    except (CancelledError, BrokenProcessPool):
        if begun and not slot.stopped:
            return answer("failed", "the worker broke down while it had this job")
        return answer("stopped", "the worker stopped before it could begin")
    except ProcessExpired as error:
        if slot.stopped:
            return answer("stopped", "the worker was stopped")
        return answer("failed", _crash_sentence(error.exitcode))
    except BaseException as error:
        return answer("failed", f"could not be handed to a worker: {_sentence(error)}")
    try:
        verdict, value = pickle.loads(data)
    except BaseException as error:
        return answer("failed", f"the worker's answer cannot be read: {_sentence(error)}")
    if verdict == "answered":
        return Answer(job, "answered", result=value, seconds=seconds)
    if verdict == "no memory":
        limit_gb = slot.limits.memory_mb / 1000
        return answer("failed", f"needs more than the {limit_gb:g} GB of memory that this shop allows a job")
    return answer("no room" if verdict == "no room" else "failed", str(value))


def _crash_sentence(code: int) -> str:
    if code < 0:
        with contextlib.suppress(ValueError):
            name = signal.Signals(-code).name
            hint = "; killed, perhaps because the machine ran out of memory" if name == "SIGKILL" else ""
            return f"a step crashed its worker ({name}{hint})"
    return f"a step ended its worker (exit status {code})"


def _sentence(error: BaseException) -> str:
    return showable(f"{type(error).__name__}: {error}".strip())[:LONGEST_SENTENCE]


# Below runs in the child.

_calls: Any = None
_step: Any = None
_threads: Any = None
_output_fd = -1
_lock_fd = -1
_worker: Any = None


def _prepare_child(
    parent: int,
    places: tuple[Path, Path | None],
    output: Path,
    lock: Path,
    shared: Any,
    perform: Callable[..., Any],
) -> None:
    """Tie the child's life to the server's, give it its own output, confine it, load what jobs need."""
    global _calls, _step, _threads, _output_fd, _lock_fd, _worker  # noqa: PLW0603 - process-wide settings of the child
    if sys.platform == "linux":
        # A child that outlives a killed server would write into a folder that the next server gives away.
        ctypes.CDLL(None, use_errno=True).prctl(PR_SET_PDEATHSIG, signal.SIGKILL)
    if os.getppid() != parent:
        os._exit(1)
    _lock_fd = os.open(lock, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
    fcntl.flock(_lock_fd, fcntl.LOCK_SH)
    _output_fd = os.open(output, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_APPEND, 0o600)
    os.dup2(_output_fd, 1)
    os.dup2(_output_fd, 2)
    _calls, _step, _threads = shared
    _worker = Worker(*places)
    warm = getattr(sys.modules.get(perform.__module__), "warm", None)
    if callable(warm):
        with contextlib.suppress(Exception):  # a job will meet the same error and report it
            warm()


def _call(perform: Callable[..., Any], task: Task, memory_bytes: int) -> bytes:
    """Run one job. Always returns a pickled pair (verdict, value), whatever the runner does."""
    _calls[0] += 1
    _note("", 0.0)
    with contextlib.suppress(OSError):
        os.ftruncate(_output_fd, 0)
    if sys.platform == "linux":
        _, hard = resource.getrlimit(resource.RLIMIT_DATA)
        bound = memory_bytes if hard == resource.RLIM_INFINITY else min(memory_bytes, hard)
        resource.setrlimit(resource.RLIMIT_DATA, (bound, hard))
    try:
        return bytes(
            _worker.run(task.folder, lambda: pickle.dumps(("answered", perform(task, _note))), task.kept)
        )
    except MemoryError:
        return pickle.dumps(("no memory", ""))
    except OutsideError as error:
        return pickle.dumps(("raised", str(error)))
    except OSError as error:
        if is_no_room(error):
            return pickle.dumps(("no room", _sentence(error)))
        if error.errno == errno.EFBIG:
            return pickle.dumps(("raised", f"writes a file larger than {LARGEST_FILE_BYTES >> 30} GB"))
        return pickle.dumps(("raised", _sentence(error)))
    except BaseException as error:
        import traceback

        traceback.print_exc()
        return pickle.dumps(("raised", _sentence(error)))
    finally:
        with contextlib.suppress(Exception):
            sys.stdout.flush()
            sys.stderr.flush()


def _note(step: str, fraction: float) -> None:
    """Tell the server what the job is at: if this process dies, nobody else can."""
    _step.value = step.encode("utf-8", "replace")[:LONGEST_STEP]
    _heed_threads()


def _heed_threads() -> None:
    """Use as many threads as the server gives this job by now."""
    numba = sys.modules.get("numba")
    if numba is not None:
        with contextlib.suppress(Exception):  # slower or faster, but no reason to fail
            numba.set_num_threads(max(min(int(_threads[0]), numba.config.NUMBA_NUM_THREADS), 1))
