"""One shop, served: looks at the inbox, gives jobs to workers, puts results where they belong.

One thread does all of it. Workers, signals and file system events only put a message into its queue.
"""

from __future__ import annotations

import contextlib
import queue
import signal
import sqlite3
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

from . import reasons
from .choosing import choose_again, task_for
from .confinement import layers
from .errors import FettleboxError
from .housekeeping import Housekeeping
from .jobs.atomic import is_no_room
from .jobs.events import Event, JobOutcome, ServeSummary, Tally
from .jobs.folders import ShopFolders
from .jobs.journal import Journal
from .jobs.opening import open_shop
from .jobs.recovery import recover
from .jobs.rules import Rules, load_rules
from .jobs.spool import showable
from .jobs.states import State
from .jobs.store import Begun, Ended, Store, verdict_of
from .observing import Observers
from .pool import Answer, Needs, Pool
from .pools import limits_of, pool_for, require_workers
from .queueing import Queue
from .service import Message, MessageKind, Notifier, signals
from .watch import Intake, hints

GRACE_S = 30.0  # how long a stopping server waits for jobs to end by themselves before it takes them back
PAUSE_S = 10.0  # how long to wait before trying again on a full disk
LOOK_EVERY_S = 2.0  # an inbox on a network drive sends no events, and events can be lost
LOOK_GAP_S = 0.05  # between two looks, however many events arrive
CHANGED = "the scan was written to while it was worked on, by whoever still sends it or by a plugin"
FAILED_STARTS = 5  # in a row, without one job begun: then it is not the jobs' fault

__all__ = ["Event", "JobOutcome", "ServeSummary", "serve"]


def serve(
    shop_folder: Path,
    *,
    once: bool = False,
    workers: int | str | None = None,
    on_event: Callable[[Event], None] = lambda event: None,
    clock: Callable[[], float] = time.monotonic,
    perform: Callable[..., Any] | None = None,
    show: Callable[[Callable[[], Mapping[str, str]]], None] = lambda at_work: None,
) -> ServeSummary:
    """Serve a shop until stopped by a signal, or with `once` until its inbox and queue are empty.

    workers  how many at a time, or the address of a cluster's scheduler
    perform  the runner, `perform(task, progress) -> JobResult`; must be importable by a child process
    show     is given a function that says, to any thread, which step each job is at
    Raises UsageError if the shop is being served already or cannot be, RecipeError for a wrong shop file.
    """
    folders = ShopFolders(shop_folder.absolute())
    rules = load_rules(folders.root)
    require_workers(workers, rules)
    if perform is None:
        from .run_job import perform as run

        perform = run
    watching = Observers(folders.private / "observers.txt", folders.root if rules.own_steps else None)
    with open_shop(folders) as (store, said), watching as observers:
        told = observers.told_too(on_event)
        server = _Server(store, rules, partial(pool_for, workers, perform), told, clock)
        observers.watch(lambda: server._workers.steps)
        show(lambda: server._workers.steps)
        for sentence in said:
            server.tell("mended", sentence)
        return server.run(once)


class _Server:
    def __init__(
        self,
        store: Store,
        rules: Rules,
        make_pool: Callable[..., Pool],
        on_event: Callable[[Event], None],
        clock: Callable[[], float],
    ) -> None:
        self.store = store
        self.rules = rules
        self.clock = clock
        self._on_event = on_event
        self._journal = Journal(store.shop.private / "log")
        self._messages: queue.SimpleQueue[Message] = queue.SimpleQueue()
        self._intake = Intake(store, rules)
        self._workers = make_pool(rules, store.shop, self._put)
        self._housekeeping = Housekeeping(store)
        self._manager = Notifier()
        self._begun: dict[str, Begun] = {}
        self._queue = Queue(store, self._workers.room_mb)
        self._unsettled: list[Answer] = []
        self._tally = Tally()
        self._next_look = float("-inf")
        self._all_quiet = False
        self._paused_until: float | None = None
        self._must_reconcile = True
        self._failed_starts = 0
        self._stopped_by: str | None = None
        self._deadline = float("inf")
        self._given_back = 0

    def run(self, once: bool) -> ServeSummary:
        """The loop. Whatever ends it, no child is left at work and every job is where recovery expects it."""
        self._tally.each = once
        with signals(partial(self._put, "signal")), self._hints(once):
            try:
                while not self._turn(once):
                    self._manager.beat(self.clock())
                    self._wait()
            finally:
                self._manager.stopping()
                self._take_back()
        back = f"; {self._given_back} jobs wait in the queue again" if self._given_back else ""
        self.tell("stopped", f"stopped{back}", counts=dict(self._tally.counts))
        return self._tally.summary(self._given_back, self._stopped_by)

    def tell(
        self, kind: str, text: str, job: str | None = None, *, private: bool = False, **data: Any
    ) -> None:
        """One event: to whoever listens, and to the log. Of `private` text the log gets only the kind."""
        fields = {} if private else {"text": showable(text)}
        self._journal.write(kind, {**({"job": job} if job else {}), **fields, **data})
        self._on_event(Event(kind, showable(text), job, data))

    def _turn(self, once: bool) -> bool:
        """Do what can be done now. True when the run is over."""
        now = self.clock()
        if self._stopped_by is not None:
            return not self._begun or now >= self._deadline
        if self._paused_until is not None and now < self._paused_until:
            return False
        was_paused = self._paused_until
        try:
            self._dispatch_ahead()
            self._settle_answers()
            if self._must_reconcile:
                for sentence in recover(self.store, self.rules.attempts, frozenset(self._begun)):
                    self.tell("mended", sentence)
                self._must_reconcile = False
            if self._paused_until in (None, was_paused):
                self._look(now)
                self._dispatch()
                for kind, text, job in self._housekeeping.look(self.rules, now):
                    self.tell(kind, text, job)
        except (OSError, sqlite3.Error) as error:
            if not is_no_room(error):
                raise
            self._pause(now)
            return False
        if was_paused is not None and self._paused_until == was_paused:
            self._paused_until = None
            self.tell("resumed", "there is room on the disk again; going on")
        idle = not self._begun and not self._unsettled and self._all_quiet
        return once and idle and self.store.spool.next_queued() is None

    def _pause(self, now: float) -> None:
        if self._paused_until is None:
            self.tell("paused", "the disk is full; nothing is taken in until there is room")
        self._housekeeping.drop_kept_steps()
        self._paused_until = now + PAUSE_S
        self._must_reconcile = True

    def _look(self, now: float) -> None:
        if now < self._next_look:
            return
        look = self._intake.look(now)
        for name, sentence in look.notes:
            self.tell("left alone", f"{name}: {sentence}")
        for job in look.claimed:
            self.tell("claimed", f"job {job} is in the queue", job)
        self._all_quiet = not look.settling and not look.more and not look.claimed
        took = self.clock() - now  # a look at a very full inbox must not be all that we do
        if look.more:
            self._next_look = now
        elif look.settling or look.claimed:
            self._next_look = now + max(LOOK_GAP_S, min(self.rules.settle_s / 4, LOOK_EVERY_S), 3 * took)
        else:
            self._next_look = now + max(LOOK_EVERY_S, 3 * took)

    def _dispatch_ahead(self) -> None:
        """Workers that have answered begin anew before their results are put away, unless something is amiss:
        putting away is mostly waiting for the disk.
        """
        quiet = bool(self._unsettled) and not self._must_reconcile and self._paused_until is None
        if quiet and all(answer.kind == "answered" for answer in self._unsettled):
            for answer in self._unsettled:
                self._workers.settle(answer.job)
            self._dispatch()

    def _dispatch(self) -> None:
        at_work = self._begun.keys() - {answer.job for answer in self._unsettled}
        while free := self._workers.free:
            row = self._queue.next_row(at_work, len(at_work) + free, self.rules.memory_mb)
            if row is None:
                return
            begun = self.store.begin(row)
            if begun is None:
                self._must_reconcile = True
                self.store.lose(row)
                continue
            if begun.card.refusal is not None:
                self._turn_away(begun, State.REJECTED, "intake", begun.card.refusal)
                continue
            text, recipe = begun.card.recipe_text, begun.card.recipe
            if text is None:
                choice = choose_again(self.rules, begun.card, begun.folder)
                if choice.text is None:
                    found = choice.refusal or "no recipe"
                    self._turn_away(begun, State.REJECTED, "ticket and recipe", found, reasons.MEND_TICKET)
                    continue
                text, recipe = choice.text, choice.recipe
            needs = Needs(self.rules.needs_of(text), self._queue.memory_mb(row.id))
            if (missing := self._workers.why_not(needs)) is not None:
                self._turn_away(begun, State.HELD, "", missing, reasons.ANOTHER_MACHINE)
                continue
            self._start(begun, text, recipe, needs)
            at_work.add(row.id)

    def _turn_away(self, begun: Begun, state: State, step: str, found: str, do: str = "") -> None:
        reason = reasons.reason(begun.card.scan, step, found, do)
        self._ended(self.store.finish(begun, state, reason, keep_results=False), 0.0)

    def _start(self, begun: Begun, recipe_text: str, recipe: str, needs: Needs) -> None:
        card = begun.card
        kept = self._housekeeping.kept_steps_of(card.digest, self.rules)
        task = task_for(begun, recipe, recipe_text, self.rules, kept)
        self._begun[card.job] = begun
        self._workers.start(task, needs)
        self.tell(
            "started", f"job {card.job} is being worked on: {card.scan}", card.job, attempt=begun.attempt
        )

    def _put(self, kind: MessageKind, value: Any = None) -> None:
        self._messages.put(Message(kind, value))

    def _settle_answers(self) -> None:
        """Deal with every answer; one that meets a full disk stays in the list and is tried again."""
        while self._unsettled:
            answer = self._unsettled[0]
            if (begun := self._begun.get(answer.job)) is not None:
                self._settle(answer, begun)
                self._begun.pop(answer.job, None)
                self._workers.settle(answer.job)
            self._unsettled.pop(0)

    def _settle(self, answer: Answer, begun: Begun) -> None:
        stopping = self._stopped_by is not None
        if answer.kind == "lost" or (stopping and answer.kind in ("stopped", "failed")):
            # Who stops us may have stopped our children as well: that is no failure of theirs.
            self.store.back_to_queue(begun, count_attempt=False)
            self._given_back += stopping
            return
        if answer.kind == "stopped":
            self._failed_starts += 1
            self.store.back_to_queue(begun, count_attempt=False)
            if self._failed_starts >= FAILED_STARTS:
                raise FettleboxError(f"workers cannot start; see {self.store.shop.private / 'workers'}")
            return
        self._failed_starts = 0
        if answer.kind == "no room":
            self.store.back_to_queue(begun, count_attempt=False)
            self._pause(self.clock())
        elif self.store.has_changed(begun):
            self._fail(begun, replace(answer, sentence=CHANGED, step="reading"))
        elif answer.kind == "answered":
            state, reason = verdict_of(answer.result)
            self._ended(self.store.finish(begun, state, reason), answer.seconds)
        else:
            self._fail(begun, answer)

    def _fail(self, begun: Begun, answer: Answer) -> None:
        job = answer.job
        if begun.attempt < self.rules.attempts:
            self.store.back_to_queue(begun, count_attempt=True, reason=answer.sentence)
            text = f"job {job} {answer.sentence}; it will be tried again"
            self.tell("again", text, job, private=True, attempt=begun.attempt)
        else:
            times = "once" if begun.attempt == 1 else f"{begun.attempt} times"
            sentence, advice = f"{answer.sentence} (tried {times})", reasons.after_crash(answer.step)
            reason = reasons.reason(begun.card.scan, answer.step, sentence, advice)
            self._ended(self.store.finish(begun, State.REJECTED, reason, keep_results=False), answer.seconds)

    def _ended(self, ended: Ended, seconds: float) -> None:
        card = ended.card
        outcome = self._tally.add(card, ended.folder, seconds)
        why = f": {card.reason}" if card.reason else ""
        where = self.store.shop.relative(ended.folder)
        self.tell(
            str(card.state), f"job {card.job} is {card.state}{why}", card.job, private=True,
            folder=where, seconds=outcome.seconds, attempts=card.attempts,
        )  # fmt: skip

    def _wait(self) -> None:
        """Sleep until a message comes or something is due; take all messages there are."""
        now = self.clock()
        due = self._next_look if self._paused_until is None else self._paused_until
        due = due if self._stopped_by is None else self._deadline
        timeout = min(max(due - now, 0.0), LOOK_EVERY_S)
        with contextlib.suppress(queue.Empty):
            message = self._messages.get(timeout=timeout) if timeout else self._messages.get_nowait()
            while True:
                self._take(message)
                message = self._messages.get_nowait()
        if self._stopped_by is not None:
            self._settle_last()

    def _take(self, message: Message) -> None:
        if message.kind == "answer":
            self._unsettled.append(message.value)
        elif message.kind == "hint":
            self._next_look = min(self._next_look, self.clock() + LOOK_GAP_S)
        elif message.kind == "word":
            self.tell(*message.value)
        elif message.value == signal.SIGHUP:
            self._reload()
        elif self._stopped_by is None:
            self._stopped_by = signal.Signals(message.value).name
            self._deadline = self.clock() + GRACE_S
            self.tell("stopping", f"stopping; {len(self._begun)} jobs may take up to {GRACE_S:g} s to end")
        else:
            self._deadline = float("-inf")

    def _settle_last(self) -> None:
        """Deal with answers while stopping. What cannot be put away now is put away at the next start."""
        try:
            self._settle_answers()
        except (OSError, sqlite3.Error, FettleboxError) as error:
            self.tell("paused", f"a result could not be put away now; it will be at the next start: {error}")
            self._deadline = float("-inf")

    def _take_back(self) -> None:
        """Stop the children, then give their jobs back to the queue."""
        self._workers.stop()
        with contextlib.suppress(queue.Empty):
            while True:
                message = self._messages.get_nowait()
                if message.kind == "answer" and message.value.kind == "answered":
                    self._unsettled.append(message.value)
        with contextlib.suppress(OSError, sqlite3.Error, FettleboxError):
            self._settle_answers()
        for begun in list(self._begun.values()):
            with contextlib.suppress(OSError, sqlite3.Error, FettleboxError):  # recovery does it later
                self.store.back_to_queue(begun, count_attempt=False)
                self._given_back += 1
        self._begun.clear()

    def _reload(self) -> None:
        self._manager.reloading()
        try:
            self._read_again()
        finally:
            self._manager.ready(f"serving {self.store.shop.root}")

    def _read_again(self) -> None:
        try:
            self.rules = load_rules(self.store.shop.root)
        except FettleboxError as error:
            self.tell(
                "not reloaded",
                f"the shop file is wrong, so the old one stays in force: {error}",
                private=True,
            )
            return
        self._intake.rules = self.rules
        self._workers.set_limits(limits_of(self.rules))
        self._next_look = float("-inf")
        self.tell(
            "reloaded", "shop.yaml and the recipes were read again; jobs in the queue keep their recipes"
        )

    @contextlib.contextmanager
    def _hints(self, once: bool) -> Iterator[None]:
        if once:
            yield
            return
        with hints(self.store.shop.inbox, partial(self._put, "hint")) as trouble:
            if trouble is not None:
                self.tell(
                    "no events", f"the system sends no events for the inbox ({trouble}); looking every 2 s"
                )
            self.tell("ready", f"serving {self.store.shop.root}", confined_by=list(layers()))
            self._manager.ready(f"serving {self.store.shop.root}")
            yield
