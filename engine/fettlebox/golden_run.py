"""Golden scans through the runner that a served shop has, and what comes of each held against its bounds.

A child process does the job, confined and within the shop's limits, with its printer, its own steps and its
standard; the scan is copied to a scratch folder outside the shop, where nothing is written.
"""

from __future__ import annotations

import queue
import shutil
import signal
import tempfile
import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from .catalog import Catalog
from .errors import FettleboxError, Problem, RecipeError
from .golden import Golden
from .jobs.atomic import is_no_room
from .jobs.digest import digest, joined
from .jobs.folders import ORIGINAL, job_base
from .jobs.rules import Rules
from .pool import Answer, Needs
from .pools import limits_of
from .recipe import parse_recipe
from .recipe.bounds import Wanted, as_found
from .recipe.difference import difference
from .recipe.expect import DELIVERY, READING, TICKET_AND_RECIPE, Expectation
from .recipe.nodes import Node, Problems
from .replay import PARAMETERS, by_record, changed_versions
from .run_job import JobResult, JobTask, Progress, perform
from .traveler.record import JobRecord
from .traveler.writing import as_document, read_traveler, record_from
from .workers import Workers

Scans = tuple[Path, ...]
LOOK_S = 0.2  # how often a terminal is told which step is at work
LONGEST_REASON = 300


@dataclass(frozen=True)
class Ran:
    """How a job ended. `at`: the step that held or rejected it, or what was done instead of one. No record
    is there of a job that brought its worker down.
    """

    state: str
    at: str
    reason: str | None
    record: JobRecord | None
    seconds: float


@dataclass(frozen=True)
class Tested:
    """One golden scan, tested. `out`: what is not as expected, each with its place in the expect file;
    `since`: sentences on what is otherwise than when it was recorded, if it was.
    """

    name: str
    recipe: str
    state: str
    at: str
    reason: str | None
    bounds: int
    out: tuple[Problem, ...]
    recorded: bool
    since: tuple[str, ...]
    seconds: float

    @property
    def ok(self) -> bool:
        return not self.out


class Runner:
    """Does golden scans one after the other. Made by `runner`."""

    def __init__(self, place: Path, rules: Rules) -> None:
        self._rules = rules
        self._place, self._work = place, place / ".fettlebox" / "work"
        self._answers: queue.SimpleQueue[tuple[Answer, str]] = queue.SimpleQueue()
        self.workers = Workers(1, perform, limits_of(rules), place / ".fettlebox", self._answered)

    def _answered(self, answer: Answer) -> None:
        self._answers.put((answer, self.workers.steps.get(answer.job, "")))

    def run(self, recipe: str, scans: Scans, ticket: Path | None, progress: Progress) -> Ran:
        """Do a scan, or several takes of it, as the shop would.

        Raises FettleboxError for what is the matter with this machine and not with the scan.
        """
        text = self._rules.recipe_text(recipe)
        missing = self.workers.why_not(Needs(self._rules.needs_of(text)))
        if missing is not None:
            return Ran("held", TICKET_AND_RECIPE, missing, None, 0.0)
        try:
            task = self._task(recipe, text, scans, ticket)
            self.workers.start(task)
            answer, step = self._wait(task.job, progress)
            self.workers.settle(task.job)
        except OSError as error:
            if is_no_room(error):
                raise self._no_room(scans[0]) from None
            raise
        finally:
            for path in self._work.glob("*"):  # the folder itself is where the worker may write
                shutil.rmtree(path, ignore_errors=True)
        if answer.kind == "no room":
            raise self._no_room(scans[0])
        if answer.kind == "stopped":
            raise FettleboxError(f"the worker could not begin: {answer.sentence}")
        if answer.kind == "failed":
            return Ran("rejected", answer.step, answer.sentence, None, answer.seconds)
        result: JobResult = answer.result
        record = record_from(as_document(result.record))  # as it would be read again
        return Ran(result.state, _ended_at(record, step), result.reason, record, answer.seconds)

    def _no_room(self, scan: Path) -> FettleboxError:
        return FettleboxError(
            f"{scan.name} cannot be tested: the disk of {self._place.parent} is full; make some room, or name"
            " another folder for temporary files with TMPDIR"
        )

    def _wait(self, job: str, progress: Progress) -> tuple[Answer, str]:
        while True:
            try:
                return self._answers.get(timeout=LOOK_S)
            except queue.Empty:
                progress(self.workers.steps.get(job, ""), 0.0)

    def _task(self, recipe: str, text: str, scans: Scans, ticket: Path | None) -> JobTask:
        rules = self._rules
        scan = joined([one.name for one in scans], [digest(one) for one in scans])
        job = job_base(scan, rules.recipe_digest(recipe, text), digest(ticket) if ticket else "-")
        folder = self._work / job
        original = folder / ORIGINAL
        original.mkdir(parents=True)
        for one in scans:
            (shutil.copytree if one.is_dir() else shutil.copy2)(one, original / one.name)
        name = ticket.name if ticket is not None else None
        if ticket is not None and ticket.parent in scans:
            name = f"{ticket.parent.name}/{ticket.name}"  # it came with the folder that is the scan
        elif ticket is not None:
            shutil.copy2(ticket, original / ticket.name)
        return JobTask(
            job=job,
            folder=folder,
            scan_name=scans[0].name,
            recipe_text=text,
            recipe_name=recipe,
            recipe_folder=rules.recipe_folder,
            ticket_name=name,
            printer=rules.printer,
            standard=rules.standard,
            own_steps=rules.own_steps,
        )


@contextmanager
def runner(rules: Rules) -> Iterator[Runner]:
    """A runner with a scratch folder that only this account can enter; both are gone afterwards, also when it
    is told to terminate.
    """
    with _terminated_as_interrupted(), tempfile.TemporaryDirectory(prefix="fettlebox-golden-") as place:
        made = Runner(Path(place), rules)
        try:
            yield made
        finally:
            made.workers.stop()


@contextmanager
def _terminated_as_interrupted() -> Iterator[None]:
    """SIGTERM unwinds as Ctrl-C does: no copy of anybody's face is left in a folder for temporary files."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGTERM, signal.default_int_handler)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)


def _ended_at(record: JobRecord, step: str) -> str:
    """Which step ended a job, or what was done when it ended; nothing for one that is done."""
    if record.state == "done":
        return ""
    last = record.steps[-1] if record.steps else None
    if last is not None and last.outcome in ("held", "failed"):
        return last.id
    return DELIVERY if record.steps or step == "recording" else step or TICKET_AND_RECIPE


def judge(golden: Golden, ran: Ran, catalog: Catalog) -> Tested:
    """Hold what came of a golden scan against its expect file, and against what was recorded of it."""
    expected = golden.expected
    out = Problems()
    as_expected = _judge_end(expected, ran, out)
    complete = as_expected or ran.state == "done"
    for wanted in expected.wanted:
        _judge_one(wanted, ran.record, complete, out)
    then = recorded(golden.folder)
    since = tuple(changes(then, ran.record, catalog)) if then is not None and ran.record is not None else ()
    ordered = sorted(out.found, key=lambda problem: (problem.line, problem.column))
    return Tested(
        golden.name, expected.recipe, ran.state, ran.at, ran.reason, len(expected.wanted), tuple(ordered),
        then is not None, since, round(ran.seconds, 3),
    )  # fmt: skip


def _judge_end(expected: Expectation, ran: Ran, out: Problems) -> bool:
    same = ran.state == expected.ends and expected.at in (None, ran.at)
    if not same:
        key = "at" if ran.state == expected.ends else "ends"
        spot = expected.root.get(key) or expected.root
        wanted = expected.ends if expected.at is None else f"{expected.ends} at {expected.at}"
        out.add(spot, (key,), f"the job is {came(ran)}", wanted)
    return same


def came(ran: Ran) -> str:
    """How a job ended, and why: `held at gate: the part is not closed`."""
    text = " ".join((ran.reason or "").split()).removeprefix(f"{ran.at}: ")
    why = text if len(text) <= LONGEST_REASON else text[: LONGEST_REASON - 1] + "…"
    return ended(ran.state, ran.at) + (f": {why}" if why else "")


def ended(state: str, at: str) -> str:
    """`done`; `held at gate`; `rejected while reading`."""
    if not at:
        return state
    doing = {READING: "while reading", TICKET_AND_RECIPE: "for its ticket or recipe", DELIVERY: "at delivery"}
    return f"{state} {doing.get(at, f'at {at}')}"


def _judge_one(wanted: Wanted, record: JobRecord | None, complete: bool, out: Problems) -> None:
    """A fact that is not there is told, unless the job ended elsewhere than expected and may not have come to
    it. `complete`: it came to all that is expected, or had to.
    """
    here: Any = _told_by(record)
    for depth, part in enumerate(wanted.path):
        there = _has(here, part)
        if not there and complete:
            _report_absent(wanted, depth, here, record, out)
        if not there:
            return
        here = here[part]
    said = wanted.judge(here)
    if said is not None:
        out.add(wanted.node, wanted.path, *said)


def _told_by(record: JobRecord | None) -> dict[str, Any]:
    if record is None:
        return {"facts": {}, "fidelity": {}, "steps": {}}
    steps = {step.id: step.facts for step in record.steps}
    return {"facts": record.after, "fidelity": record.fidelity or {}, "steps": steps}


def _has(value: Any, part: str | int) -> bool:
    if isinstance(part, int):
        return isinstance(value, (list, tuple)) and part < len(value)
    return isinstance(value, Mapping) and part in value


def _report_absent(wanted: Wanted, depth: int, here: Any, record: JobRecord | None, out: Problems) -> None:
    from .recipe.validate import report_unknown_key

    place, part = wanted.path[:depth], wanted.path[depth]
    step = next((one for one in record.steps if one.id == place[1]), None) if record and depth > 1 else None
    if depth == 1 and place == ("steps",):
        out.add(wanted.key, (*place, part), f"the step {part} did not run", wanted.said())
    elif step is not None and step.outcome != "done":
        out.add(wanted.key, (*place, part), f"the step is {step.outcome}, and tells no facts",
                wanted.said())  # fmt: skip
    elif isinstance(part, int) or not isinstance(here, Mapping):
        out.add(wanted.node, (*place, part), f"there is no such place in it: it {as_found(here)}")
    else:
        holder = Node({}, keys={str(part): wanted.key})
        report_unknown_key(holder, part, place, list(here), out, "there is no fact {}")


def recorded(folder: Path) -> JobRecord | None:
    """The record of the run that a golden scan's expect file was drawn up from, if it was."""
    try:
        return read_traveler(folder)
    except (OSError, ValueError, KeyError, TypeError):
        return None


def changes(then: JobRecord, now: JobRecord, catalog: Catalog) -> Iterator[str]:
    """What is otherwise than it was recorded: what went in, then what came out."""
    of_recipe = list(_of_recipe(then, now, catalog))
    yield from of_recipe
    for what, one, other in (("scan", then.scan, now.scan), ("ticket", then.ticket or {}, now.ticket or {})):
        if one.get("sha256") != other.get("sha256"):
            yield f"the {what} is another one"
    if then.printer != now.printer:
        yield "the printer, or its material, is another one"
    for name, (was, is_) in changed_versions(then, now).items():
        yield f"{name} was {was[:12]} and is {is_[:12]}"
    first = next((one for one in by_record(then, now) if one.place.startswith("step ")), None)
    told = len(of_recipe) > 1  # all that it changed, and so which parameters
    if first is not None and not (told and first.recorded.startswith(PARAMETERS)):
        yield f"the first step that comes out otherwise is {first}"
    for old, new in ((then.after, now.after), (then.fidelity or {}, now.fidelity or {})):
        for name in dict.fromkeys([*old, *new]):
            if old.get(name) != new.get(name):
                yield f"{name} was {old.get(name)} and is {new.get(name)}"


def _of_recipe(then: JobRecord, now: JobRecord, catalog: Catalog) -> Iterator[str]:
    if then.recipe.get("sha256") == now.recipe.get("sha256"):
        return
    try:
        old, new = (parse_recipe(one.recipe["text"], str(one.recipe["name"]), catalog) for one in (then, now))
    except RecipeError as error:
        yield f"the recipe changed; what it was cannot be read any more ({error.problems[0].found})"
        return
    found = difference(old, new)
    yield "the recipe changed" + ("" if found else ", and does the same")
    yield from (f"the recipe's {one}" for one in found)
