"""The pool that a server has when its jobs are done by a Dask cluster.

The server's thread says what to do; a thread of ours keeps the connection and sends jobs; answers are
unpacked in threads of their own. Whoever marks a job as over first has it: an answer that comes after the
connection was lost, or after a stop, touches no file any more.
"""

from __future__ import annotations

import hashlib
import math
import secrets
import threading
import time
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from ..errors import UsageError
from ..jobs.atomic import is_no_room, remove
from ..jobs.folders import CARD, ORIGINAL, ShopFolders, clear_results
from ..jobs.spool import showable
from ..pool import NOTHING, Answer, Kind, Limits, Needs, Task
from ..processor import processor_here, unlike
from .bundle import NotBundledError, TornError, pack, unpack
from .flight import Flight, Verdict
from .link import Link, LinkError
from .roster import FULL_DISK_S, Roster
from .terms import LAST_DIGITS, PROCESSOR, difference, greeting_here, terms_here
from .wire import Order, Reply, read_reply

LOOK_S = 1.0
FIRST_PAUSE_S, LONGEST_PAUSE_S = 0.5, 30.0
FIRST_ANSWER_S = 60.0
MOST_ERRORS = 3  # of Dask's own, for one attempt at a job
UNPACKERS = 2
PATIENCE_S = 3.0  # a job that waits no longer than this is not spoken of
MOST_ASIDE = 1000  # jobs that no worker suits, and that hold up no others
EXCHANGE = "cluster"
"""The folder below a shop's private one where workers that share a disk put their answers."""


class Cluster:
    """A `Pool`; see there. `tell` takes a kind, a sentence for whoever watches and perhaps a job, from any
    thread.
    """

    room_mb = math.inf  # Dask sets memory aside on the workers

    def __init__(
        self,
        address: str,
        perform: Callable[..., Any],
        limits: Limits,
        shop: ShopFolders,
        shared: str | None,
        same_processors: bool,
        on_answer: Callable[[Answer], None],
        tell: Callable[..., None],
    ) -> None:
        """Waits for the scheduler's first answer. Raises UsageError if there is none. `same_processors`: a
        worker with another kind gets no jobs; else that is told once.
        """
        self._terms = greeting_here() if same_processors else terms_here()
        self._address, self._perform, self._limits = address, perform, limits
        self._shop, self._shared = shop, shared
        self._on_answer, self._tell = on_answer, tell
        self._exchange = shop.private / EXCHANGE
        remove(self._exchange)
        self._exchange.mkdir(mode=0o700)
        self._roster = Roster(urlsplit(address).scheme)
        self._lock = threading.RLock()
        self._jobs: dict[str, Flight] = {}
        self._keys: dict[str, Flight] = {}
        self._told: dict[str, float] = {}  # why jobs wait → when to tell of it
        self._asked: set[str] = set()
        self._refusals: set[tuple[str, str]] = set()  # told of already
        self._connected = False
        self._wake, self._stopping, self._first = threading.Event(), threading.Event(), threading.Event()
        self._trouble = "no answer"
        self._unpackers = ThreadPoolExecutor(UNPACKERS, thread_name_prefix="cluster-answers")
        self._askers = ThreadPoolExecutor(UNPACKERS, thread_name_prefix="cluster-terms")
        self._thread = threading.Thread(target=self._keep_connected, name="cluster", daemon=True)
        self._thread.start()
        self._first.wait(FIRST_ANSWER_S)
        if not self._connected:
            self.stop()
            raise UsageError(self._trouble)

    @property
    def free(self) -> int:
        """As many jobs as the workers do at a time, and one for each two of them ahead: so a worker need not
        wait for its next, and a cluster that scales itself sees that there is more to do. Jobs that wait for
        a worker of another kind hold up no others.
        """
        with self._lock:
            if not self._connected:
                return 0
            slots = self._roster.slots
            if not slots:
                return max(1 - len(self._jobs), 0)
            aside = min(sum(bool(job.waits) for job in self._jobs.values()), MOST_ASIDE)
            return max(slots + max(slots // 2, 1) - (len(self._jobs) - aside), 0)

    @property
    def steps(self) -> dict[str, str]:
        with self._lock:
            return {name: job.waits or job.step for name, job in self._jobs.items()}

    def why_not(self, needs: Needs) -> str | None:
        """None: what no worker suits today waits, with a sentence, for one that may come."""
        return None

    def start(self, task: Task, needs: Needs = NOTHING) -> None:
        order = Order(self._perform, task, self._limits).to_bytes()
        with self._lock:
            self._jobs[task.job] = Flight(task, needs, order)
        self._wake.set()

    def settle(self, job: str) -> None:
        with self._lock:
            self._jobs.pop(job, None)
        self._wake.set()

    def set_limits(self, limits: Limits) -> None:
        self._limits = limits

    def stop(self) -> None:
        self._stopping.set()
        self._wake.set()
        with self._lock:
            for job in self._jobs.values():
                job.over = True
        self._thread.join()
        for executor in (self._unpackers, self._askers):
            executor.shutdown(wait=True, cancel_futures=True)
        remove(self._exchange)

    # Below runs in the thread that keeps the connection.

    def _keep_connected(self) -> None:
        pause_s = FIRST_PAUSE_S
        while not self._stopping.is_set():
            try:
                link = Link(self._address, self._heard)
            except LinkError as error:
                self._trouble = str(error)
                self._first.set()
                self._stopping.wait(pause_s)
                pause_s = min(2 * pause_s, LONGEST_PAUSE_S)
                continue
            pause_s = FIRST_PAUSE_S
            self._connected = True
            self._first.set()
            self._tell("cluster", f"connected with the scheduler at {self._address}")
            try:
                self._work_with(link)
            finally:
                self._connected = False
                link.close()
            if not self._stopping.is_set():
                given_back = self._lose_all()
                self._tell(
                    "cluster",
                    f"the scheduler at {self._address} is lost; trying to reach it again. {given_back} jobs "
                    "wait in the queue again",
                )

    def _work_with(self, link: Link) -> None:
        self._roster = Roster(urlsplit(self._address).scheme)
        self._told.clear()
        next_look = 0.0
        while not self._stopping.is_set() and link.is_alive():
            now = time.monotonic()
            try:
                if now >= next_look:
                    self._look(link, now)
                    next_look = now + LOOK_S
                self._place(link)
            except (OSError, TimeoutError, RuntimeError):
                if link.is_alive():
                    raise
                return
            self._wake.wait(max(next_look - time.monotonic(), 0.0))
            self._wake.clear()
        with self._lock:
            for job in self._jobs.values():
                if job.future is not None:
                    link.forget(job.future)

    def _look(self, link: Link, now: float) -> None:
        """Who is there? New ones are asked for their terms, beside; jobs of workers that went are free."""
        seen = link.workers()
        with self._lock:
            new = [one for one in self._roster.update(seen, now) if one not in self._asked]
            self._asked = (self._asked & seen.keys()) | set(new)
            for job in self._jobs.values():
                if job.begun_at and job.begun_at not in seen:
                    job.begun_at = job.step = ""  # Dask gives it to another
                if job.future is not None and job.addresses is not None and not job.addresses & seen.keys():
                    link.forget(job.future)
                    self._unsend(job)
        roster = self._roster
        for address in new:
            self._askers.submit(self._ask, link, roster, address)

    def _ask(self, link: Link, roster: Roster, address: str) -> None:
        try:
            theirs = link.terms_of(address)
            differs = difference(self._terms, theirs)
        except LinkError as error:  # such as one that was lost while it was asked
            if link.is_alive():
                self._refuse(roster, address, str(error), time.monotonic() + FULL_DISK_S)
            with self._lock:
                self._asked.discard(address)  # once more when that is over
            return
        if differs is None:
            with self._lock:
                roster.let_in(address)
            self._tell("cluster", f"the worker {address} takes part")
            self._say_of_processor(address, theirs.get(PROCESSOR, ""))
        elif link.is_alive():
            self._refuse(roster, address, differs)
        self._wake.set()

    def _say_of_processor(self, address: str, theirs: str) -> None:
        differs = unlike(processor_here(), theirs)
        with self._lock:
            new = differs is not None and (PROCESSOR, theirs) not in self._refusals
            self._refusals.add((PROCESSOR, theirs))
        if new:
            self._tell("processor differs", f"of the worker {address}, {differs}: {LAST_DIGITS}")

    def _refuse(self, roster: Roster, address: str, why: str, until: float = math.inf) -> None:
        with self._lock:
            new = roster.refuse(address, why, until) and (address, why) not in self._refusals
            self._refusals.add((address, why))
        if new:
            self._tell("worker refused", f"the worker {address} gets no jobs: {why}")

    def _place(self, link: Link) -> None:
        """Send every job that a worker suits; of the others, show Dask one of each kind."""
        with self._lock:
            jobs = [job for job in self._jobs.values() if not job.over and not job.begun_at]
            shown = {job.needs.tags for job in jobs if job.future is not None and job.waits}
        for job in jobs:
            why = self._roster.why_none(job.needs)
            self._say_that_it_waits(job, why or "")
            if job.future is not None:
                continue
            if why is None:
                self._send(link, job)
            elif self._roster.may_scout(job.needs) and job.needs.tags not in shown:
                shown.add(job.needs.tags)
                self._send(link, job)

    def _say_that_it_waits(self, job: Flight, why: str) -> None:
        job.waits = why
        now = time.monotonic()
        if why and self._told.setdefault(why, now + PATIENCE_S) <= now:
            self._told[why] = math.inf
            self._tell("waiting", f"a job {why}")

    def _send(self, link: Link, job: Flight) -> None:
        try:
            scan = pack({ORIGINAL: job.task.folder / ORIGINAL, **self._recipes(job.task)})
        except (NotBundledError, OSError) as error:
            self._end(job, "failed", f"the scan cannot be sent: {error}")
            return
        key = f"fettlebox-{job.task.job}-{secrets.token_hex(8)}"
        shared = None
        if self._shared is not None:
            scan = hashlib.sha256(scan).digest()
            shared = (self._shared, f"{self._shop.relative(self._exchange)}/{key}")
        with self._lock:
            if job.over:
                return
            fit = self._roster.fit(job.needs)
            only = self._roster.restriction(fit)
            job.addresses = None if only is None else frozenset(only)
            resources = self._roster.resources(job.needs)
            job.key = key
            self._keys[key] = job
            job.future = link.send(
                key, self._terms, job.order, scan, shared, self._roster.on_hosts, resources, only,
                lambda future: self._unpackers.submit(self._ended, job, key, future),
            )  # fmt: skip

    def _recipes(self, task: Task) -> dict[str, Path]:
        """The shop's recipes go along, if the runner wants them: a recipe may extend another."""
        folder = getattr(task, "recipe_folder", None)
        return {} if folder is None else {self._shop.recipes.name: folder}

    def _unsend(self, job: Flight) -> None:
        """The job waits for a worker again. An answer that still comes is nobody's."""
        self._keys.pop(job.key, None)
        job.future, job.begun_at, job.step, job.key = None, "", "", ""

    def _lose_all(self) -> int:
        with self._lock:
            jobs = [job for job in self._jobs.values() if not job.over]
        for job in jobs:
            self._end(job, "lost", "the scheduler was lost")
        return len(jobs)

    # Below runs in threads of Dask's, or in ours for answers.

    def _heard(self, told: Mapping[str, Any]) -> None:
        with self._lock:
            job = self._keys.get(str(told.get("key")))
            if job is None:
                return
            new, job.begun_at, job.waits = not job.begun_at, str(told.get("address")), ""
            job.step = showable(str(told.get("step", "")))
        if new:
            name = job.task.job
            self._tell("on worker", f"job {name} is at work on {told.get('host')}", name)

    def _ended(self, job: Flight, key: str, future: Any) -> None:
        try:
            self._take(job, key, *Link.outcome(future))
        except Exception as error:  # whatever it is, the job may not wait for ever
            self._end(job, "failed", f"its answer could not be taken: {type(error).__name__}: {error}")

    def _take(self, job: Flight, key: str, outcome: str, value: Any) -> None:
        with self._lock:
            if job.over or job.key != key:
                return
        if outcome == "lost":
            self._again(job, key)
        elif outcome == "killed":
            self._end(job, "failed", f"worker after worker was lost while it had this job ({value})")
        elif outcome == "error":
            job.errors += 1
            if job.errors < MOST_ERRORS:
                self._again(job, key)
            else:
                self._end(job, "failed", f"the cluster cannot run it: {value}")
        else:
            self._judge(job, key, value)

    def _again(self, job: Flight, key: str) -> None:
        with self._lock:
            if not job.over and job.key == key:
                self._unsend(job)
        self._wake.set()

    def _judge(self, job: Flight, key: str, data: Any) -> None:
        file = self._exchange / key
        try:
            if data == b"" and self._shared is not None:
                data = file.read_bytes()
                remove(file)
            reply, bundle = read_reply(data)
            if reply.kind == "refused":
                until = time.monotonic() + FULL_DISK_S if reply.passing else math.inf
                self._refuse(self._roster, reply.address, reply.sentence, until)
                self._again(job, key)
            elif reply.kind == "failed":
                self._end(job, "failed", reply.sentence, reply)
            else:
                self._put_in_place(job, reply, bundle)
        except TornError as error:
            self._end(job, "failed", f"the worker's answer cannot be used: {error}")
        except OSError as error:
            self._end(job, "no room" if is_no_room(error) else "failed", str(error))

    def _put_in_place(self, job: Flight, reply: Reply, bundle: bytes) -> None:
        """Write the results beside the original. From here on the job is over: nobody else may touch it."""
        with self._lock:
            if job.over:
                return
            job.over = True
        try:
            clear_results(job.task.folder)
            unpack(bundle, job.task.folder, refused=(ORIGINAL, CARD))
            answer = Answer(
                job.task.job, "answered", Verdict(reply.state, reply.reason), seconds=reply.seconds
            )
        except TornError as error:
            answer = Answer(job.task.job, "failed", sentence=f"the worker's answer cannot be used: {error}")
        except OSError as error:
            kind: Kind = "no room" if is_no_room(error) else "failed"
            answer = Answer(job.task.job, kind, sentence=str(error))
        self._keys.pop(job.key, None)
        self._on_answer(answer)

    def _end(self, job: Flight, kind: Kind, sentence: str, reply: Reply | None = None) -> None:
        with self._lock:
            if job.over:
                return
            job.over = True
            self._keys.pop(job.key, None)
        seconds, step = (reply.seconds, reply.step) if reply is not None else (0.0, job.step)
        self._on_answer(
            Answer(job.task.job, kind, sentence=showable(sentence), seconds=seconds, step=showable(step))
        )
