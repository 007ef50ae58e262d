"""A recipe on a few scans, from the command line: the same job as the server runs, without a shop."""

from __future__ import annotations

import hashlib
import json
import shutil
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from .errors import FettleboxError, UsageError
from .jobs.atomic import is_no_room
from .jobs.digest import digest, joined
from .jobs.folders import job_base, plain_stem, short_id
from .jobs.siblings import takes_in
from .jobs.tickets import ticket_beside
from .own_steps import OwnStep
from .printer import EVERYDAY, Printer
from .recipe import Shop, load_recipe, load_ticket
from .run_job import ORIGINAL, JobResult, JobTask, Progress, perform
from .step_cache import KEPT
from .surroundings import catalog_of, read_around, require_shop_s_standard, shop_around
from .takes import holds_its_takes

LONGEST_STEM = 120  # bytes; a folder's name may have 255


def require_good(
    recipe: Path,
    scans: Sequence[Path],
    ticket: Path | None,
    values: Mapping[str, Any],
    shop: Shop | None = None,
) -> None:
    """Whatever is wrong with the call, the recipe or a ticket is said before any scan is touched.

    What is made for a shop heeds its standard; without `shop`, no shop is heeded.

    Raises UsageError when a file is not there, RecipeError with every problem of what it says.
    """
    for path, what in ((recipe, "recipe"), *((scan, "scan") for scan in scans), (ticket, "ticket")):
        if path is not None and not path.exists():
            raise UsageError(f"there is no {what} {str(path)!r}")
        if path is not None and not path.name:
            raise UsageError(f"{str(path)!r} has no name; expected that of a {what}, such as bust.ply")
    checked = load_recipe(recipe, catalog_of(shop, read_around(shop_around(recipe))))
    require_shop_s_standard(checked, recipe, shop)
    for scan in scans:
        given = ticket or ticket_beside(scan)
        checked.plan(values, load_ticket(given) if given else None)


def run_once(
    recipe: Path,
    scan: Path,
    out: Path,
    *,
    ticket: Path | None = None,
    values: Mapping[str, Any] | None = None,
    printer: Printer = EVERYDAY,
    own_steps: tuple[OwnStep, ...] = (),
    progress: Progress = lambda step, fraction: None,
) -> tuple[JobResult, Path]:
    """Run one job on a copy of the scan; give its result and its folder `out/STEM.JOB`.

    The folder appears complete, in one rename; one that a former run of the same job left is replaced.
    A bad scan is a result, not an error. Steps that `try` kept in the same folder are not done again.
    """
    ticket = ticket or ticket_beside(scan)
    text = recipe.read_text("utf-8")
    scans = with_other_takes(scan, ticket)
    scan = scans[0]
    scan_digest = joined([each.name for each in scans], [digest(each.resolve()) for each in scans])
    job = job_base(scan_digest, _text_digest(text), _asked(ticket, values or {}))
    stem = plain_stem(scan.name, LONGEST_STEM)
    out.mkdir(parents=True, exist_ok=True)
    building = out / f".{stem}.{short_id(job)}.building"
    shutil.rmtree(building, ignore_errors=True)
    original = building / ORIGINAL
    original.mkdir(parents=True)
    for each in scans:
        if each.is_dir():
            shutil.copytree(each, original / each.name)
        else:
            shutil.copy2(each, original / each.name)
    if ticket is not None:
        shutil.copy2(ticket, original / ticket.name)
    task = JobTask(
        job=job,
        folder=building,
        scan_name=scan.name,
        recipe_text=text,
        recipe_name=recipe.name,
        recipe_folder=recipe.parent,
        ticket_name=ticket.name if ticket else None,
        printer=printer,
        values=dict(values or {}),
        kept=out / KEPT,
        own_steps=own_steps,
    )
    try:
        result = perform(task, progress)
        final = out / f"{stem}.{short_id(job)}"
        _replace_folder(building, final)
    except MemoryError:
        raise FettleboxError(f"{scan.name}: there is not enough memory for this scan") from None
    except OSError as error:
        if is_no_room(error):
            raise FettleboxError(f"the disk is full: nothing of {scan.name} was written to {out}") from None
        raise
    finally:
        shutil.rmtree(building, ignore_errors=True)
    return result, final


def with_other_takes(scan: Path, ticket: Path | None) -> list[Path]:
    """The scan, among the other takes beside it that its ticket lists, in the ticket's order."""
    if ticket is None or holds_its_takes(scan):
        return [scan]
    listed = [scan.with_name(name) for name in takes_in(ticket)]
    return [path for path in listed if path.exists()] if scan in listed else [scan]


def _asked(ticket: Path | None, values: Mapping[str, Any]) -> str:
    """What this order wants of the recipe: another wish is another job, with a folder of its own."""
    given = digest(ticket) if ticket else "-"
    return f"{given} {json.dumps(dict(values), sort_keys=True, default=str)}" if values else given


def _text_digest(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def _replace_folder(new: Path, final: Path) -> None:
    if final.exists():
        old = final.with_name(f".{final.name}.old")
        shutil.rmtree(old, ignore_errors=True)
        final.replace(old)
        new.replace(final)
        shutil.rmtree(old, ignore_errors=True)
    else:
        new.replace(final)


def worst_status(results: Sequence[JobResult]) -> int:
    """Exit status of several jobs: 4 when one was rejected, else 3 when one was held, else 0."""
    states = {result.state for result in results}
    return 4 if "rejected" in states else 3 if "held" in states else 0
