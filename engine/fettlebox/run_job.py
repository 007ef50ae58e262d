"""One recipe on one scan, inside a worker: read, run the steps, ask the witness, deliver, record.

A job's folder holds `original/` with the bytes as they arrived. Everything made here is written beside
it; whoever called moves the finished folder to where it belongs, in one rename.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import time
import traceback
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, field, replace
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any, Literal

from .catalog import Catalog, find_steps
from .declaring import declared, life_unit_mm
from .delivering import (
    Goods,
    Writers,
    hand_over_pictures,
    reasons_against,
    steps_to_keep,
    write_parts,
    write_zip,
)
from .errors import FettleboxError, HoldError, RecipeError, ScanError, StepError
from .hooking import Helpers, PutBack, graders_of, readers_of, writers_of
from .jobs.atomic import is_no_room
from .jobs.digest import NotAScan, digest
from .jobs.folders import clear_results
from .jobs.tickets import TICKET_ENDINGS
from .mesh import Origin, Scan, read_scan
from .mesh.facts import measure
from .mesh.reading import names_in_zip
from .own_steps import VERSION, OwnStep, with_own_steps
from .printer import EVERYDAY, Printer
from .processor import processor_here
from .reasons import A_DEFECT, ANOTHER_RECIPE, READING, advice, in_one_line, reason
from .recipe import Plan, PlannedStep, Recipe, Ticket, load_ticket, parse_recipe
from .recipe.language import PICTURES, ZIP
from .recipe.shop import require_standard
from .run_steps import Run, run_steps
from .step_cache import StepCache
from .takes import best_take
from .traveler.cautions import cautions_for
from .traveler.pictures import PART, SO_FAR, picture_job
from .traveler.record import JobRecord, Output
from .traveler.writing import write_traveler
from .versions import versions_here

Progress = Callable[[str, float], None]
EndState = Literal["done", "held", "rejected"]
ORIGINAL = "original"
FEWEST_TRIANGLES = 4  # a tetrahedron; fewer cannot enclose anything


@dataclass(frozen=True)
class JobTask:
    """All that a worker needs to know. `scan_name` and `ticket_name` are names below `original/`;
    `standard` is the recipe in `recipe_folder` that the job's recipe has to extend; `kept` a folder with what
    earlier jobs made of this scan, to read and to add to; `own_steps` files of the shop's that are run;
    `host` the machine that works on it, if it is not the server's.
    """

    job: str
    folder: Path
    scan_name: str
    recipe_text: str
    recipe_name: str
    recipe_folder: Path | None = None
    ticket_name: str | None = None
    printer: Printer = EVERYDAY
    values: Mapping[str, Any] = field(default_factory=dict)
    standard: str | None = None
    kept: Path | None = None
    own_steps: tuple[OwnStep, ...] = ()
    host: str | None = None


@dataclass(frozen=True)
class JobResult:
    """How a job ended, and its record. Plain data: it travels between processes."""

    job: str
    state: EndState
    reason: str | None
    record: JobRecord


def perform(task: JobTask, progress: Progress = lambda step, fraction: None) -> JobResult:
    """Run one job to its end in its own folder. Every expected failure is an end state with a reason."""
    started, clock = datetime.now(UTC), time.perf_counter()
    record = _blank_record(task)
    at, do = "", ANOTHER_RECIPE

    def noting(step: str, fraction: float) -> None:
        nonlocal at
        at = step
        progress(step, fraction)

    try:
        record = _perform(task, record, noting)
        at = ""  # the reason of a run names its step
    except FettleboxError as error:
        clear_results(task.folder)
        do = advice(error)
        state_now: EndState = "held" if isinstance(error, HoldError) else "rejected"
        record = replace(record, state=state_now, reason=in_one_line(error))
    except (Exception, SystemExit) as error:
        if isinstance(error, MemoryError) or is_no_room(error):
            raise  # the limits of this machine, not of this scan: whoever runs the worker decides
        clear_results(task.folder)  # what was written before the failure would be half a delivery
        _keep_traceback(task.folder)
        do = A_DEFECT
        record = replace(
            record, state="rejected", reason=f"unexpected failure: {type(error).__name__}: {error}"
        )
    if record.state == "rejected":
        record = replace(
            record, reason=reason(task.scan_name, at, record.reason or "no reason was given", do)
        )
    seconds = time.perf_counter() - clock
    timing = {
        **record.timing,
        "started": started.isoformat(timespec="milliseconds"),
        "finished": datetime.now(UTC).isoformat(timespec="milliseconds"),
        "seconds": round(seconds, 3),
        "processor": processor_here(),
        **({"host": task.host} if task.host is not None else {}),
    }
    record = replace(record, timing=timing, cautions=cautions_for(record))
    write_traveler(task.folder, record)
    state: EndState = "done" if record.state == "done" else "held" if record.state == "held" else "rejected"
    return JobResult(task.job, state, record.reason, record)


def _perform(task: JobTask, record: JobRecord, progress: Progress) -> JobRecord:
    catalog = _catalog(task.own_steps)
    original = task.folder / ORIGINAL
    progress("ticket and recipe", 0.0)
    ticket = load_ticket(original / task.ticket_name, task.ticket_name) if task.ticket_name else None
    recipe = parse_recipe(task.recipe_text, task.recipe_name, catalog, task.recipe_folder)
    if task.recipe_folder is not None:
        require_standard(recipe, task.recipe_name, task.recipe_folder, task.standard)
    plan = recipe.plan(task.values, ticket)
    record = replace(record, recipe=_about_recipe(recipe), ticket=_about_ticket(ticket, task, plan))

    progress(READING, 0.0)
    place, scan, takes = original / task.scan_name, None, {}
    put_back = PutBack()
    read = partial(read_scan, more=readers_of(catalog, progress, put_back.noting))
    if ticket is not None and ticket.takes:
        graders = graders_of(catalog, progress, put_back.noting)
        chosen = best_take(
            place, ticket.takes, graders, lambda read: declared(read, ticket)[0], ticket.take, read
        )
        place, scan = chosen.path, chosen.scan
        takes = {"take": chosen.name, "takes": list(chosen.account)}
        record = replace(record, warnings=(chosen.sentence,))
    scan = scan or read(place)
    if ticket is None:
        _require_no_ticket_in_zip(place)
    if len(scan.part.faces) < FEWEST_TRIANGLES:
        raise ScanError(
            f"{task.scan_name}: {len(scan.part.faces)} triangles are no surface that could be closed; "
            f"expected a scan, of some thousands"
        )
    part, origin, notes = declared(scan, ticket)
    about = _about_scan(scan, origin, place) | takes
    record = replace(record, scan=about, warnings=(*record.warnings, *notes))

    makers = steps_to_keep(plan)
    kept: dict[str | None, Goods] = {None: Goods(part)}

    helpers = Helpers(catalog, origin, task.printer, _seed(record), task.folder, progress, put_back=put_back)

    def keep(planned: PlannedStep, run: Run) -> None:
        helpers.after_step(planned, run)
        if planned.id in makers.values():
            kept[planned.id] = Goods(run.part, run.pieces, dict(run.extras))

    run = run_steps(
        part,
        origin,
        plan,
        task.printer,
        seed=_seed(record),
        scratch=task.folder,
        progress=progress,
        watch=keep,
        kept=_kept_steps(task),
    )
    if run.complete:
        helpers.at_end(run)
    if run.reused:
        record = replace(record, timing={"reused": list(run.reused)})
    progress("recording", 0.0)
    after = {name: kept[maker] for name, maker in makers.items() if maker in kept}
    record = replace(
        record, warnings=(*record.warnings, *run.warnings, *helpers.warnings), collected=helpers.facts
    )
    writers = writers_of(catalog, progress, put_back.noting)
    record = _deliver(task, record, recipe, scan, run, after, helpers, writers)
    if changed := run.put_back | put_back:
        record = replace(record, timing={**record.timing, "put_back": changed})
    return record


def _deliver(
    task: JobTask,
    record: JobRecord,
    recipe: Recipe,
    scan: Scan,
    run: Run,
    kept: Mapping[str, Goods],
    helpers: Helpers,
    writers: Writers,
) -> JobRecord:
    """Write the parts if they are sound, the pictures in any case; fill in the record."""
    state, reason = run.state, run.reason
    outputs: tuple[Output, ...] = ()
    stem = Path(task.scan_name).stem or "part"
    agreed = False
    if run.complete and recipe.deliver:
        goods = Goods(run.part, run.pieces, run.extras)
        against = reasons_against(recipe.deliver, goods, kept)
        agreed = against is None
        if agreed:
            # Without the running number of a scan that came again: the same job gives the same bytes.
            base = task.job.partition("-")[0]
            about = {"Title": stem, "Description": f"Fettlebox job {base}, recipe {recipe.name}"}
            outputs = write_parts(task.folder, stem, about, recipe.deliver, goods, kept, writers)
        elif state == "done":
            state, reason = "held", against
    unit_mm = life_unit_mm(run.part)
    after_is = _what_it_is(run)
    pictures = {**run.pictures, **helpers.pictures}
    before = scan.part.in_unit(unit_mm)
    seen = picture_job(
        task.folder, before, run.part, run.reference, pictures, after_is=after_is, said=helpers.captions
    )
    formats = {one.format for one in recipe.deliver}
    if agreed and PICTURES in formats:
        outputs += hand_over_pictures(task.folder, seen.paths)
    if agreed and ZIP in formats:
        outputs += (write_zip(task.folder, stem, outputs),)
    return replace(
        record,
        state=state,
        reason=reason,
        before=measure(before, witness=False),
        after=measure(run.part),
        fidelity=seen.fidelity,
        placement=tuple(tuple(float(v) for v in row) for row in run.part.placement),
        steps=run.records,
        outputs=outputs,
        pictures=seen.paths,
        captions=seen.captions,
        after_is=after_is,
    )


def _what_it_is(run: Run) -> str:
    """What to call what the scan has become: nobody shall take for a part what a step stopped half-way."""
    if run.complete:
        return PART
    return SO_FAR if any(step.part_in != step.part_out for step in run.records) else ""


def _require_no_ticket_in_zip(place: Path) -> None:
    """Raises HoldError: the recipe was chosen before the zip was opened, which is done in a worker alone."""
    tickets = [name for name in names_in_zip(place) if name.endswith(TICKET_ENDINGS)]
    if tickets:
        raise HoldError(
            f"{place.name}: holds a ticket, {tickets[0]!r}, and tickets inside a zip are not heeded; "
            "expected it beside the zip. Take it out and retry the job with it: "
            "fettlebox retry JOB --ticket FILE"
        )


def _kept_steps(task: JobTask) -> StepCache | None:
    """What earlier jobs left, unless it was deleted meanwhile: who wants it gone shall not find it again."""
    if task.kept is None or not task.kept.is_dir():
        return None
    with contextlib.suppress(OSError):
        return StepCache(task.kept)
    return None


_catalog_here: list[Catalog] = []
_catalogs_with_own: dict[tuple[OwnStep, ...], Catalog] = {}


def _catalog(own: tuple[OwnStep, ...] = ()) -> Catalog:
    """The catalog of this worker process: plugins are looked up once, not once a job."""
    if not _catalog_here:
        _catalog_here.append(find_steps())
    if own and own not in _catalogs_with_own:
        _catalogs_with_own[own] = with_own_steps(_catalog_here[0], own)
    return _catalogs_with_own[own] if own else _catalog_here[0]


def _blank_record(task: JobTask) -> JobRecord:
    path = task.folder / ORIGINAL / task.scan_name
    return JobRecord(
        job=task.job,
        state="rejected",
        reason=None,
        scan={"name": task.scan_name, "sha256": _digest(path), "bytes": _file_bytes(path)},
        recipe={
            "name": task.recipe_name,
            "sha256": hashlib.sha256(task.recipe_text.encode()).hexdigest(),
            "text": task.recipe_text,
        },
        ticket=None,
        versions=versions_here() | {f"{VERSION}{one.file}": one.sha256 for one in task.own_steps},
        given=_exactly(
            {
                "scan": task.scan_name,
                "ticket": task.ticket_name,
                "recipe": task.recipe_name,
                "values": dict(task.values),
            }
        ),
        printer=_exactly(asdict(task.printer)),
    )


def _exactly(value: Mapping[str, Any]) -> Any:
    """The JSON value, with numbers to the last digit: a replay starts from it."""
    return json.loads(json.dumps(value, default=str))


def _about_recipe(recipe: Recipe) -> dict[str, Any]:
    return {"name": recipe.name, "sha256": recipe.sha256, "text": recipe.text}


def _about_ticket(ticket: Ticket | None, task: JobTask, plan: Plan) -> dict[str, Any] | None:
    if ticket is None and not task.values:
        return None
    text = (task.folder / ORIGINAL / task.ticket_name).read_text("utf-8") if task.ticket_name else ""
    return {
        "sha256": hashlib.sha256(text.encode()).hexdigest(),
        "text": text,
        "order": ticket.order if ticket else None,
        "note": ticket.note if ticket else None,
        "values": dict(plan.values_as_written),
    }


def _about_scan(scan: Scan, origin: Origin, path: Path) -> dict[str, Any]:
    about = asdict(replace(origin, notes=()))
    about.pop("notes")
    return {**about, "name": path.name, "bytes": _file_bytes(path)}


def _seed(record: JobRecord) -> str:
    """What random numbers grow from: the scan alone, so that tuning one step moves no other."""
    return str(record.scan["sha256"])


def _digest(path: Path) -> str:
    """SHA-256 of what arrived; "" when it cannot be read, which the reader will then say better."""
    try:
        return digest(path)
    except (OSError, NotAScan):
        return ""


def _file_bytes(path: Path) -> int:
    """Size of a file, or of all files in a folder."""
    try:
        return sum(p.stat().st_size for p in path.rglob("*")) if path.is_dir() else path.stat().st_size
    except OSError:
        return 0


def _keep_traceback(folder: Path) -> None:
    """For whoever mends the defect; a shop hand reads the reason instead."""
    (folder / "failure.log").write_text(traceback.format_exc(), "utf-8")


__all__ = ["JobResult", "JobTask", "RecipeError", "StepError", "perform"]
