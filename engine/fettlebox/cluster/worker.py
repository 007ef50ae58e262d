"""What a Dask worker calls. It looks whether it may, then hands the job to a process of its own (`host`).

A worker keeps one such process for each of its threads, warm, for as long as it lives.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import pickle
import secrets
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from multiprocessing.connection import Pipe
from pathlib import Path
from typing import Any

from ..idling import SLEEPING
from ..jobs.atomic import is_no_room, remove, write_whole
from ..jobs.folders import ORIGINAL
from ..turns import cores_here
from .bundle import NotBundledError, TornError, pack
from .host import FULL, LOOK_S, REPLY, STEP
from .roster import host_of
from .terms import difference, greeting_here
from .wire import Order, Reply, read_reply

LATE_S = 60.0  # beyond a job's own limit: then the process that should have kept to it is stopped
RECIPES = "recipes"

_idle: list[_Process] = []
_lock = threading.Lock()


def tell_terms() -> dict[str, str]:
    """Asked by the head of each worker, and of the scheduler."""
    return greeting_here()


def work(
    terms: Mapping[str, str],
    order: bytes,
    scan: bytes,
    shared: tuple[str, str] | None,
    on_hosts: Mapping[str, int],
    topic: str,
) -> bytes:
    """Do one job; returns a `Reply` as bytes, and raises nothing that a job or a plugin could cause.

    scan    a bundle of the job's original and the shop's recipes; or, with `shared`, its SHA-256
    shared  where this worker finds the shop's folder, and the name of the file to put the answer into
    """
    from distributed import get_worker

    worker = get_worker()
    key, address = worker.get_current_task(), worker.address
    told: dict[str, Any] = {"host": socket.gethostname(), "address": address}
    differs = difference(terms, greeting_here())
    if differs is not None:
        return Reply("refused", differs, **told).to_bytes()
    wanted: Order = pickle.loads(order)

    def tell(step: str) -> None:
        worker.log_event(topic, {"key": key, "step": step, **told})

    def gone() -> bool:
        task = worker.state.tasks.get(key)
        return task is None or task.state in ("cancelled", "resumed")

    cores = max(cores_here() // max(on_hosts.get(host_of(address), 1), 1), 1)
    kept = None
    try:
        if shared is not None:
            scan = _from_share(Path(shared[0]), wanted.task.job, scan)
            kept = _kept_on_share(Path(shared[0]), wanted.task.kept)
        tell("")
        with _process(Path(worker.local_directory)) as process:
            data = process.do((wanted, cores, kept), scan, wanted.limits.time_s + LATE_S, tell, gone)
        reply, made = read_reply(data)
        reply = Reply(**{**vars(reply), **told})
        if shared is None or not made:
            return reply.to_bytes(made)
        write_whole(Path(shared[0]) / shared[1], reply.to_bytes(made))
        return b""
    except (_BrokenError, TornError) as error:
        return Reply("failed", str(error), **told).to_bytes()
    except (_UnlikeError, OSError) as error:
        sentence = FULL if is_no_room(error) else f"{type(error).__name__}: {error}"
        return Reply("refused", sentence, passing=True, **told).to_bytes()


class _UnlikeError(Exception):
    """What lies on the shared disk is not what the head sees there."""


class _BrokenError(Exception):
    """The process that had the job is gone."""


def _from_share(shop: Path, job: str, digest: bytes) -> bytes:
    work, recipes = shop / ".fettlebox" / "work" / job / ORIGINAL, shop / RECIPES
    try:
        bundle = pack({ORIGINAL: work, RECIPES: recipes})
    except NotBundledError as error:
        raise _UnlikeError(str(error)) from error
    if hashlib.sha256(bundle).digest() != digest:
        raise _UnlikeError(f"it finds other files in {work} than the server does")
    return bundle


def _kept_on_share(shop: Path, at_head: Path | None) -> Path | None:
    """Where this worker finds what the head has in `at_head`; None if it may not use it."""
    if at_head is None:
        return None
    folder = shop / ".fettlebox" / "kept-steps" / at_head.name
    return folder if os.access(folder, os.R_OK | os.W_OK | os.X_OK) else None


@contextlib.contextmanager
def _process(local: Path) -> Iterator[_Process]:
    """A process that is idle, or a new one. One that broke is not used again."""
    with _lock:
        process = _idle.pop() if _idle else None
    if process is None or not process.alive:
        process = _Process(local / "fettlebox-jobs" / secrets.token_hex(4))
    try:
        yield process
    except BaseException:
        process.close()
        raise
    if process.alive:
        with _lock:
            _idle.append(process)


class _Process:
    """The near end of a `host`."""

    def __init__(self, root: Path) -> None:
        root.mkdir(parents=True, mode=0o700)
        self._root = root
        self._pipe, theirs = Pipe()
        with theirs:
            self._process = subprocess.Popen(
                [sys.executable, "-m", "fettlebox.cluster.host", str(theirs.fileno()), str(root)],
                pass_fds=[theirs.fileno()],
                stdin=subprocess.DEVNULL,
                cwd=root,
                env={**SLEEPING, **os.environ, "PYTHONPATH": os.pathsep.join(map(os.path.abspath, sys.path))},
                start_new_session=True,  # what interrupts the Dask worker reaches it through the pipe
            )

    @property
    def alive(self) -> bool:
        return self._process.poll() is None

    def do(
        self,
        order: tuple[Order, int, Path | None],
        scan: bytes,
        within_s: float,
        tell: Callable[[str], None],
        gone: Callable[[], bool],
    ) -> bytes:
        """The reply to an order. Raises _BrokenError if none comes, and if nobody waits for it any more."""
        until = time.monotonic() + within_s
        try:
            self._pipe.send_bytes(pickle.dumps(order))
            self._pipe.send_bytes(scan)
            while True:
                if not self._pipe.poll(LOOK_S):
                    if gone():
                        raise _BrokenError("the job was called back")
                    if time.monotonic() > until:
                        raise _BrokenError("the worker's process did not heed the limit on time")
                    continue
                data = self._pipe.recv_bytes()
                if data.startswith(REPLY):
                    return data.removeprefix(REPLY)
                tell(data.removeprefix(STEP).decode("utf-8", "replace"))
        except (EOFError, OSError) as error:
            raise _BrokenError("the worker broke down while it had this job") from error

    def close(self) -> None:
        """Stop it, with its child; what it had of a scan goes."""
        self._pipe.close()
        try:
            self._process.wait(3.0)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        with contextlib.suppress(OSError):
            remove(self._root)


__all__: list[Any] = ["tell_terms", "work"]
