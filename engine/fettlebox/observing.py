"""Tells plugins' observers what jobs go through. They run in a process beside the server: one that raises,
hangs, prints, crashes or eats memory is nothing to the server and to no job.

The server writes one line of JSON an event into a pipe and waits for nobody; what does not fit is left out.
The process ends when the pipe does.
"""

from __future__ import annotations

import contextlib
import json
import os
import queue
import resource
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterable, Mapping
from importlib import metadata
from pathlib import Path
from types import TracebackType
from typing import Any, TextIO

from .api import ENTRY_POINT_GROUP
from .hooks import JobObserver
from .jobs.events import Event
from .turns import room_beside_bytes

TOLD_OF = frozenset({"claimed", "started", "again", "done", "held", "rejected"})
FIELDS = ("attempt", "seconds")
LOOK_S = 0.5  # a step that is over sooner may go untold
STARTS = 3  # a process that dies that often is left alone
LONGEST_LINE = 4096  # PIPE_BUF on Linux: a write of so many bytes is done whole or not at all
MOST_WAITING = 1000  # events for one observer that is slow
LAST_WORDS_S = 2.0  # what observers have to come to an end when the server stops
MOST_COMPLAINTS = 20
MOST_MEMORY_BYTES = 2 << 30  # less where the machine has less than 40 GB
ONE_BLAS_THREAD = {"OPENBLAS_NUM_THREADS": "1"}
"""Each thread that OpenBLAS begins by itself takes some 40 MB of what `bound_memory` leaves a process."""


class Observers:
    """The server's end. Costs nothing where nobody but our own package brings plugins.

    `log` takes what observers print and raise; `shop` is a shop that has steps of its own, whose files may
    bring observers too.
    """

    def __init__(self, log: Path, shop: Path | None = None) -> None:
        self._log = log
        self._shop = [] if shop is None else [str(shop.absolute())]
        self._starts = 0 if shop is not None or _anybody() else STARTS
        self._process: subprocess.Popen[bytes] | None = None
        self._lock = threading.Lock()
        self._closed = threading.Event()

    def __enter__(self) -> Observers:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._closed.set()
        with self._lock:
            if self._process is not None and self._process.stdin is not None:
                with contextlib.suppress(OSError):
                    self._process.stdin.close()
                try:
                    self._process.wait(LAST_WORDS_S + 1.0)
                except subprocess.TimeoutExpired:
                    self._process.kill()
                    self._process.wait()

    def told_too(self, on_event: Callable[[Event], None]) -> Callable[[Event], None]:
        """A listener for events, with the observers told as well."""

        def both(event: Event) -> None:
            on_event(event)
            if event.kind in TOLD_OF and event.job is not None:
                known = {name: event.data[name] for name in FIELDS if name in event.data}
                self.tell({"event": event.kind, "job": event.job, **known})

        return both if self._starts < STARTS else on_event

    def watch(self, at_work: Callable[[], Mapping[str, str]]) -> None:
        """Tell of every step that a job comes to; `at_work` says which step each job is at."""
        if self._starts < STARTS:
            threading.Thread(target=self._look, args=(at_work,), name="observers", daemon=True).start()

    def tell(self, event: Mapping[str, Any]) -> None:
        """Hand an event on; never waits and never raises."""
        line = json.dumps(event, default=str).encode() + b"\n"
        if len(line) > LONGEST_LINE:
            return
        with self._lock, contextlib.suppress(OSError):
            process = self._running()
            if process is not None and process.stdin is not None:
                os.write(process.stdin.fileno(), line)

    def _look(self, at_work: Callable[[], Mapping[str, str]]) -> None:
        before: dict[str, str] = {}
        while not self._closed.wait(LOOK_S):
            now = {job: step for job, step in at_work().items() if step}
            for job, step in now.items():
                if before.get(job) != step:
                    self.tell({"event": "step", "job": job, "step": step})
            before = now

    def _running(self) -> subprocess.Popen[bytes] | None:
        """The process, begun again where it died; None where it is not wanted any more."""
        if self._process is not None and self._process.poll() is None:
            return self._process
        nobody = self._process is not None and self._process.returncode == 0
        if nobody or self._starts >= STARTS or self._closed.is_set():
            return None
        self._starts += 1
        with self._log.open("ab") as log:
            self._process = subprocess.Popen(
                [sys.executable, "-m", __name__, *self._shop],
                stdin=subprocess.PIPE,
                stdout=log,
                stderr=log,
                cwd=self._log.parent,
                env={
                    **os.environ,
                    **ONE_BLAS_THREAD,
                    "PYTHONPATH": os.pathsep.join(sys.path),  # they are found as they are here
                },
            )
        assert self._process.stdin is not None
        os.set_blocking(self._process.stdin.fileno(), False)
        return self._process


def _anybody() -> bool:
    """Whether a package other than our own brings plugins: looking does not import them."""
    entries = metadata.entry_points(group=ENTRY_POINT_GROUP)
    return any(entry.dist is None or entry.dist.name != "fettlebox" for entry in entries)


# Below runs in the process of the observers.


def observe(lines: Iterable[str], observers: Mapping[str, JobObserver], complaints: TextIO) -> None:
    """Give each observer, in a thread of its own, every event of `lines`; return when all are through, or
    when they had their time after the last line.
    """
    queues = {key: queue.Queue[Any](MOST_WAITING) for key in observers}
    threads = [
        threading.Thread(target=_serve, args=(key, one, queues[key], complaints), daemon=True)
        for key, one in observers.items()
    ]
    for thread in threads:
        thread.start()
    for line in lines:
        for waiting in queues.values():
            with contextlib.suppress(queue.Full):
                waiting.put_nowait(json.loads(line))
    until = time.monotonic() + LAST_WORDS_S
    for waiting in queues.values():
        with contextlib.suppress(queue.Full):
            waiting.put(None, timeout=max(until - time.monotonic(), 0.0))
    for thread in threads:
        thread.join(max(until - time.monotonic(), 0.0))


def _serve(key: str, observer: JobObserver, waiting: queue.Queue[Any], complaints: TextIO) -> None:
    said = 0
    while (event := waiting.get()) is not None:
        try:
            observer.see(event)
        except (Exception, SystemExit) as error:
            said += 1
            if said <= MOST_COMPLAINTS:
                print(f"{key}: {type(error).__name__}: {error}", file=complaints, flush=True)


def bound_memory(most_bytes: int) -> None:
    """From now on this process gets no more data than that; whoever asks for it gets MemoryError."""
    if sys.platform == "linux":
        _, hard = resource.getrlimit(resource.RLIMIT_DATA)
        most = most_bytes if hard == resource.RLIM_INFINITY else min(most_bytes, hard)
        resource.setrlimit(resource.RLIMIT_DATA, (most, hard))


def main() -> int:
    """Status 0 when there is nobody to tell, so that nobody is asked again. May be given a shop's folder."""
    from .surroundings import catalog_of, read_around

    bound_memory(room_beside_bytes(MOST_MEMORY_BYTES))
    for number in (signal.SIGINT, signal.SIGTERM):  # sent to the server's whole group; the pipe is our sign
        signal.signal(number, signal.SIG_IGN)
    shop = read_around(Path(sys.argv[1])) if len(sys.argv) > 1 else None
    observers = catalog_of(shop).observers
    if observers:
        observe(sys.stdin, observers, sys.stderr)
    sys.stdout.flush()
    os._exit(0)  # a thread that hangs holds nobody up


if __name__ == "__main__":
    main()
