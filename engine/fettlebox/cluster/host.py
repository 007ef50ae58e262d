"""A process beside a Dask worker that does its jobs, one after the other: the local pool with one child.

It is not the Dask worker itself, since that may have no children of its own (a nanny's processes are
daemons), and since a child of a fresh process begins without all that Dask has loaded. It ends when the pipe
does, and its child with it. Its folder is laid out as a shop's, so that the confinement is the same.
"""

from __future__ import annotations

import contextlib
import os
import pickle
import queue
import signal
import socket
import sys
from collections.abc import Callable
from dataclasses import fields, replace
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

from ..jobs.atomic import is_no_room, remove
from ..jobs.folders import CARD, ORIGINAL, ShopFolders
from ..jobs.store import verdict_of
from ..pool import Answer
from ..workers import Workers
from .bundle import NotBundledError, TornError, pack, unpack
from .wire import Order, Reply

LOOK_S = 0.2
STEP, REPLY = b"step", b"reply"
NOT_OURS = (ORIGINAL, CARD)
FULL = "its disk is full"


class Host:
    """One child, warm from job to job, and a folder for the job it has."""

    def __init__(self, root: Path, tell: Callable[[str], None], gone: Callable[[], bool]) -> None:
        """`tell` takes the step that the job comes to, `gone` says whether nobody waits for it any more."""
        self._shop = ShopFolders(root)
        self._tell = tell
        self._gone = gone
        self._answers: queue.SimpleQueue[Answer] = queue.SimpleQueue()
        self._workers: Workers | None = None
        self._made_for: Any = None
        self._all_kept: Path | None = None

    def do(self, order: Order, cores: int, kept: Path | None, bundle: bytes) -> bytes:
        """Do a job; returns its reply as bytes. `kept`: where half-made parts of its scan lie."""
        folder = self._shop.work / order.task.job
        try:
            remove(self._shop.recipes)
            remove(folder)
            folder.mkdir(parents=True)
            unpack(bundle, self._shop.root)
            (self._shop.root / ORIGINAL).rename(folder / ORIGINAL)
            self._shop.recipes.mkdir(exist_ok=True)
            return self._done(order, cores, kept, folder)
        except TornError as error:
            return Reply("refused", f"what came of the scan is torn: {error}", passing=True).to_bytes()
        except OSError as error:
            if not is_no_room(error):
                raise
            return Reply("refused", FULL, passing=True).to_bytes()
        finally:
            for path in (folder, self._shop.root / ORIGINAL):
                with contextlib.suppress(OSError):
                    remove(path)

    def stop(self) -> None:
        if self._workers is not None:
            self._workers.stop()

    def _done(self, order: Order, cores: int, kept: Path | None, folder: Path) -> bytes:
        self._all_kept = self._all_kept if kept is None else kept.parent
        workers = self._workers_for(order, cores)
        there: dict[str, Any] = {"folder": folder, "kept": kept, "recipe_folder": self._shop.recipes}
        there["host"] = socket.gethostname()  # for the record's `timing`
        known = {one.name for one in fields(order.task)}
        workers.start(replace(order.task, **{name: at for name, at in there.items() if name in known}))
        answer, step = None, ""
        while answer is None:
            with contextlib.suppress(queue.Empty):
                answer = self._answers.get(timeout=LOOK_S)
            if self._gone():
                return b""
            now = workers.steps.get(order.task.job, "")
            if answer is None and now != step:
                step = now
                self._tell(step)
        workers.settle(answer.job)
        return _reply(answer, folder)

    def _workers_for(self, order: Order, cores: int) -> Workers:
        """A pool whose child may write where this shop keeps things: that cannot be widened later."""
        made_for = (order.perform, order.limits.jobs_per_process, cores, self._all_kept)
        if self._workers is None or self._made_for != made_for:
            self.stop()
            self._workers = Workers(
                1, order.perform, order.limits, self._shop.private, self._answers.put, cores, self._all_kept
            )
            self._made_for = made_for
        self._workers.set_limits(order.limits)
        return self._workers


def _reply(answer: Answer, folder: Path) -> bytes:
    if answer.kind == "no room":
        return Reply("refused", FULL, passing=True).to_bytes()
    if answer.kind != "answered":
        kind = "refused" if answer.kind == "stopped" else answer.kind
        return Reply(kind, answer.sentence, answer.seconds, answer.step, passing=True).to_bytes()
    state, reason = verdict_of(answer.result)
    try:
        made = pack({"": folder}, leave_out=NOT_OURS)
    except NotBundledError as error:
        return Reply("failed", f"among its results {error}", answer.seconds).to_bytes()
    return Reply("answered", "", answer.seconds, "", str(state), reason).to_bytes(made)


def main(handle: int, root: Path) -> None:
    """Serve a Dask worker at the other end of a pipe until it is closed."""
    for number in (signal.SIGINT, signal.SIGTERM):  # the pipe is our sign; the child heeds them
        signal.signal(number, lambda number, frame: None)
    pipe = Connection(handle)

    def gone() -> bool:
        return pipe.poll(0)  # nothing is sent while a job is at work: what comes is the end

    host = Host(root, lambda step: pipe.send_bytes(STEP + step.encode("utf-8", "replace")), gone)
    with contextlib.suppress(EOFError, OSError):
        while True:
            # From our own worker, which had it from the head.
            order, cores, kept = pickle.loads(pipe.recv_bytes())
            reply = host.do(order, cores, kept, pipe.recv_bytes())
            pipe.send_bytes(REPLY + reply)
    host.stop()
    with contextlib.suppress(OSError):
        remove(root)  # who was killed cannot clear up: what there is of a scan goes now
    os._exit(0)


if __name__ == "__main__":
    main(int(sys.argv[1]), Path(sys.argv[2]))
