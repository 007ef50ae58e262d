"""Pages that change nothing: a job's files, recipes, the ledger, the past, how shop and server are."""

from __future__ import annotations

import os
import shutil
import time
from collections.abc import Iterator
from pathlib import PurePosixPath
from typing import Any
from urllib.parse import quote

from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from starlette.responses import StreamingResponse

from ..errors import FettleboxError
from ..jobs.states import FINISHED
from ..recipe import TICKET_SUFFIX
from ..recipe.explain import explain
from ..traveler.turning import script_digest
from ..traveler.writing import PAGE
from ..watch import is_partial
from .files import files_of_job, media_type, open_inside
from .history import KINDS, history
from .keys import May
from .office import Administers, Decides, Office, Sees, office_of
from .postman import given_up, hooks, try_again
from .problems import Refused
from .recipes import catalog
from .rendering import render
from .svg import columns, rows

CHUNK = 1 << 18
ENTRIES = 100
SANDBOX = "sandbox; default-src 'none'; style-src 'unsafe-inline'; img-src 'self'"
"""For files of jobs: whatever is in them, it runs nothing and knows nothing of this board."""

more_pages = APIRouter(include_in_schema=False)


@more_pages.get("/jobs/{job}/files/{path:path}")
def job_file(request: Request, person: Sees, job: str, path: str) -> Response:
    return send_file(office_of(request), job, path)


def send_file(office: Office, job: str, path: str) -> Response:
    """One of the files that a finished job may hand out, and no other."""
    row = office.desk.find(job)
    folder = office.settings.shop / row.folder
    if row.state not in FINISHED or row.discarded is not None:
        raise Refused(404, "this job has no files to show")
    if path not in {file.path for file in files_of_job(folder)}:
        raise Refused(404, "this job has no such file")
    opened = open_inside(folder, path)
    try:
        handle = opened.__enter__()
    except (OSError, ValueError):
        raise Refused(404, "this job has no such file") from None
    size = os.fstat(handle).st_size

    def content() -> Iterator[bytes]:
        try:
            at = 0
            while at < size and (data := os.pread(handle, min(CHUNK, size - at), at)):
                at += len(data)
                yield data
        finally:
            opened.__exit__(None, None, None)

    kind = media_type(path)
    shown = kind.startswith(("image/", "text/plain", "application/json")) or path == PAGE
    name = PurePosixPath(path).name
    headers = {
        "Content-Length": str(size),
        "Content-Security-Policy": _policy_of_card() if path == PAGE else SANDBOX,
        "Content-Disposition": f"{'inline' if shown else 'attachment'}; filename*=UTF-8''{quote(name)}",
    }
    return StreamingResponse(
        content(), media_type=kind if shown else "application/octet-stream", headers=headers
    )


def _policy_of_card() -> str:
    """The traveler's page may run the script that we know and nothing else, in nobody's origin. One of an
    earlier version is shown without it; the job's own page lets scan and part be turned.
    """
    return (
        "sandbox allow-scripts; default-src 'none'; img-src data:; style-src 'unsafe-inline'; "
        f"script-src '{script_digest()}'; frame-ancestors 'none'"
    )


@more_pages.get("/jobs/{job}/small.png")
def small_picture(request: Request, person: Sees, job: str) -> Response:
    office = office_of(request)
    row = office.desk.find(job)
    data = None
    if row.state in FINISHED and row.discarded is None:
        data = office.thumbs.of(row.id, row.finished or "", office.settings.shop / row.folder)
    if data is None:
        raise Refused(404, "this job has no picture")
    return Response(data, media_type="image/png")


@more_pages.get("/recipes", response_class=HTMLResponse)
def recipes_page(request: Request, person: Sees) -> Response:
    office = office_of(request)
    found = []
    for name in office.recipes.names():
        try:
            found.append((name, office.recipes.get(name).about, ""))
        except Refused as refused:
            found.append((name, "", str(refused.detail)))
    return render(request, "recipes.html", {"recipes": found, "usual": office.recipes.usual()})


@more_pages.get("/recipes/{name}", response_class=HTMLResponse)
def recipe_page(request: Request, person: Sees, name: str) -> Response:
    recipe = office_of(request).recipes.get(name)
    return render(request, "recipe.html", {"told": explain(recipe), "text": recipe.text, "name": name})


@more_pages.get("/ledger", response_class=HTMLResponse)
def ledger_page(
    request: Request, person: Sees, before: int | None = Query(None, ge=1, lt=1 << 62)
) -> Response:
    office = office_of(request)
    office.index.catch_up(1000)
    found = office.index.before(before, ENTRIES + 1)
    content = {
        "entries": found[:ENTRIES],
        "older": found[ENTRIES - 1].number if len(found) > ENTRIES else None,
        "audit": office.auditor.last(),
        "running": office.auditor.running,
    }
    return render(request, "ledger.html", content)


@more_pages.post("/ledger/audit")
def start_audit(request: Request, person: Decides) -> Response:
    office_of(request).auditor.start()
    return RedirectResponse("/ledger", 303)


@more_pages.get("/history", response_class=HTMLResponse)
def history_page(request: Request, person: Sees) -> Response:
    told = history(office_of(request).cabinet)
    days = columns("Jobs ended on each day", [(day[5:], numbers) for day, numbers in told.days], KINDS)
    stopped = rows(
        "What stopped jobs",
        [(f"{why}", float(count), f"{count} {state}") for state, why, count in told.stopped],
    )
    steps = rows(
        "Seconds that steps take",
        [(each.step, each.slow_s, f"{each.middle_s:.2f} s, {each.slow_s:.2f} s") for each in told.steps],
    )
    content = {"days": days, "stopped": stopped, "steps": steps, "told": told, "kinds": KINDS}
    return render(request, "history.html", content)


@more_pages.get("/health", response_class=HTMLResponse)
def health_page(request: Request, person: Sees) -> Response:
    office = office_of(request)
    told = person.may >= May.ADMIN
    content = {
        **health(office),
        "hooks": hooks(office.cabinet) if told else [],
        "given_up": given_up(office.cabinet) if told else [],
    }
    return render(request, "health.html", content)


@more_pages.post("/hooks/{delivery}/again")
def send_again(request: Request, person: Administers, delivery: int) -> Response:
    if not try_again(office_of(request).cabinet, delivery, time.time()):
        raise Refused(404, "there is no such message that was given up")
    return RedirectResponse("/health", 303)


def health(office: Office) -> dict[str, Any]:
    """How queue, workers, disk and plugins are."""
    disk = shutil.disk_usage(office.settings.shop)
    try:
        from ..recipe import load_shop
        from ..turns import workers_here

        workers: int | None = load_shop(office.settings.shop).workers or workers_here()
    except FettleboxError:
        workers = None
    waiting, names = 0, set(office.recipes.names())
    with os.scandir(office.folders.inbox) as entries:
        for entry in entries:
            is_scan = entry.name not in names and not is_partial(entry.name)
            waiting += is_scan and not entry.name.endswith(TICKET_SUFFIX)
            if waiting >= 1000:
                break
    return {
        "server": office.live.server_is_well,
        "at_work": dict(office.live.at_work),
        "workers": workers,
        "counts": office.spool.counts(),
        "oldest": office.spool.oldest_queued(),
        "inbox": waiting,
        "free_gb": disk.free / 1e9,
        "set_aside": [
            {"name": bad.name, "source": bad.source, "reason": bad.reason}
            for bad in catalog().quarantined.values()
        ],
        "steps": len(catalog().steps),
        "streams": office.live.streams,
    }
