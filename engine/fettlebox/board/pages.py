"""The pages that people look at. Everything on them is escaped; nothing on them runs but our two scripts."""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any
from urllib.parse import parse_qs

from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from starlette.concurrency import run_in_threadpool

from ..jobs.states import State
from ..traveler.page import WORDS
from .answers import answers_of
from .guard import COOKIE
from .jobs_view import job_view
from .keys import May, Person, enter, leave
from .live import Live
from .office import Decides, Office, Sees, office_of
from .problems import Refused
from .reading import SHOWN, Page
from .rendering import render
from .thumbs import has_picture

FIRST = 20
"""So many jobs of each state on the first page; all of them are a click away."""

pages = APIRouter(include_in_schema=False)

SAID = {
    "release": "Handed over to the outbox.",
    "reject": "Rejected. The reason is on record.",
    "retry": "Sent back to the queue.",
    "discard": "Its files are deleted. Its entry and their digests stay on record.",
}


@pages.get("/enter", response_class=HTMLResponse)
def enter_page(request: Request, code: str = "") -> Response:
    return _enter_page(request, code)


def _enter_page(request: Request, code: str = "", problem: str | None = None, status: int = 200) -> Response:
    fitting = code if re.fullmatch(r"[\w-]{20,100}", code) else ""
    return render(request, "enter.html", {"code": fitting, "problem": problem}, status=status)


@pages.post("/enter", response_class=HTMLResponse)
async def enter_board(request: Request) -> Response:
    """A token, or the code of the link that the server printed, becomes a session."""
    office = office_of(request)
    secret = (await form_of(request)).get("secret", [""])[0].strip()
    session = await run_in_threadpool(enter, office.cabinet, secret, datetime.now(UTC).timestamp())
    if session is None:
        guard = request.app.state.failures
        address = request.client.host if request.client else "local"
        wait = guard.wait_s(address, datetime.now(UTC).timestamp())
        if wait:
            raise Refused(429, "too many wrong tokens; wait a little", {"Retry-After": str(int(wait) + 1)})
        return _enter_page(
            request, problem="That is no token of this shop, or the link was used up.", status=403
        )
    answer = RedirectResponse("/", 303)
    answer.set_cookie(
        COOKIE, session, max_age=12 * 3600, path="/", httponly=True, samesite="strict",
        secure=office.settings.secure,
    )  # fmt: skip
    return answer


@pages.post("/leave")
def leave_board(request: Request, person: Sees) -> Response:
    session = getattr(request.state, "session", None)
    if session:
        leave(office_of(request).cabinet, session)
    answer = RedirectResponse("/enter", 303)
    answer.delete_cookie(COOKIE, path="/")
    return answer


@pages.get("/", response_class=HTMLResponse)
def first_page(
    request: Request,
    person: Sees,
    state: str = "",
    find: str = Query("", max_length=200),
    from_: str | None = Query(None, alias="from", max_length=100),
) -> Response:
    return render(request, "jobs.html", _jobs(office_of(request), state, find, from_))


@pages.get("/part/jobs", response_class=HTMLResponse)
def jobs_part(
    request: Request,
    person: Sees,
    state: str = "",
    find: str = Query("", max_length=200),
    from_: str | None = Query(None, alias="from", max_length=100),
) -> Response:
    """The list alone, for a page that follows what happens. However many pages follow, it is made once."""
    office = office_of(request)
    key = (state, find, from_, office.spool.version(), str(office.live.at_work))
    return Response(
        office.parts.get(key, lambda: _part(request, office, state, find, from_)), media_type="text/html"
    )


def _part(request: Request, office: Office, state: str, find: str, cursor: str | None) -> bytes:
    """The same for everybody: nothing of who asks may be in it."""
    return bytes(render(request, "jobs_part.html", _jobs(office, state, find, cursor)).body)


def _jobs(office: Office, state: str, find: str, cursor: str | None) -> dict[str, Any]:
    counts = office.spool.counts()
    chosen = _state(state)
    if chosen is not None or find or cursor:
        page = office.spool.page([chosen] if chosen else [], find.strip(), cursor)
        title = WORDS[chosen] if chosen else "Found" if find else "All jobs"
        groups = [_group(title, page, None, chosen)]
    else:
        groups = []
        for states in ((State.HELD,), (State.WORKING, State.QUEUED), (State.DONE,), (State.REJECTED,)):
            page = office.spool.page(states, limit=FIRST)
            count = sum(counts[each] for each in states)
            title = "In work and waiting" if len(states) > 1 else WORDS[states[0]]
            groups.append(_group(title, Page(page.jobs, None), count, states[0]))
    return {
        "groups": groups, "counts": counts, "state": chosen, "find": find, "cursor": cursor,
        "pictured": {
            row.id
            for group in groups
            for row in group["jobs"]
            if row.finished and not row.discarded and has_picture(office.settings.shop / row.folder)
        },
        "said": {row.id: office.headlines.of(row) for group in groups for row in group["jobs"]},
        "total": sum(counts.values()), "at_work": office.live.at_work, "states": SHOWN,
    }  # fmt: skip


def _group(title: str, page: Page, count: int | None, state: State | None) -> dict[str, Any]:
    return {"title": title, "jobs": page.jobs, "more": page.more, "count": count, "state": state}


def _state(word: str) -> State | None:
    try:
        return State(word) if word else None
    except ValueError:
        raise Refused(404, f"there is no state {word!r}") from None


@pages.get("/jobs/{job}", response_class=HTMLResponse)
def job_page(request: Request, person: Sees, job: str, said: str = "") -> Response:
    return show_job(request, job, done=SAID.get(said))


def show_job(
    request: Request, job: str, *, done: str | None = None, problem: str | None = None, status: int = 200
) -> Response:
    office = office_of(request)
    row = office.desk.find(job)
    office.index.catch_up(1000)
    view = job_view(row, office.settings.shop, office.recipes, office.index)
    content = {"view": view, "row": row, "done": done, "problem": problem, "at_work": office.live.at_work}
    return render(request, "job.html", content, status=status)


@pages.get("/jobs/{job}/now", response_class=HTMLResponse)
def job_now(request: Request, person: Sees, job: str) -> Response:
    """Where a job stands, for its page to follow."""
    office = office_of(request)
    row = office.desk.find(job)
    return render(request, "job_now.html", {"row": row, "at_work": office.live.at_work})


@pages.post("/jobs/{job}/{act}", response_class=HTMLResponse)
async def decide_job(request: Request, person: Decides, job: str, act: str) -> Response:
    """A decision made on a job's page."""
    fields = await form_of(request)
    return await run_in_threadpool(_decide, request, job, act, fields, person)


def _decide(
    request: Request, job: str, act: str, fields: Mapping[str, list[str]], person: Person
) -> Response:
    desk = office_of(request).desk
    seen = fields.get("seen", [None])[0] or None
    if act not in SAID:
        raise Refused(404, "there is no such decision")
    if act == "discard" and person.may < May.ADMIN:
        raise Refused(403, "deleting for good needs a token that may admin")
    try:
        if act == "release":
            desk.release(job, person, seen)
        elif act == "reject":
            desk.reject(job, fields.get("reason", [""])[0], person, seen)
        elif act == "retry":
            desk.retry(job, person, answers_of(office_of(request), job, fields), seen)
        elif fields.get("sure", [""])[0] != "yes":
            raise Refused(422, "deleting is for good; tick that you are sure")
        else:
            desk.discard(job, person, seen)
    except Refused as refused:
        if refused.status_code == 404:
            raise
        return show_job(request, job, problem=str(refused.detail), status=refused.status_code)
    office_of(request).live.tell_soon()
    return RedirectResponse(f"/jobs/{job}?said={act}", 303)


@pages.get("/live")
async def live(request: Request, person: Sees) -> Response:
    """Server-sent events: that there is news, and what the workers are at."""
    from starlette.responses import StreamingResponse

    found: Live = office_of(request).live
    if found.streams >= office_of(request).settings.most_streams:
        raise Refused(503, "too many pages follow what happens; this one has to be loaded again by hand")
    return StreamingResponse(found.stream(), media_type="text/event-stream")


@pages.get("/drop", response_class=HTMLResponse)
def drop_page(request: Request, person: Decides, recipe: str = Query("", max_length=100)) -> Response:
    office = office_of(request)
    names = office.recipes.names()
    chosen = recipe or office.recipes.usual() or (names[0] if names else "")
    asked, problem = [], None
    try:
        asked = office.recipes.asked(chosen)
    except Refused as refused:
        problem = str(refused.detail)
    content = {"names": names, "recipe": chosen, "asked": asked, "problem": problem}
    return render(request, "drop.html", content)


async def form_of(request: Request) -> dict[str, list[str]]:
    """The fields of a form. The door has bounded its size."""
    body = await request.body()
    try:
        return parse_qs(body.decode("utf-8"), keep_blank_values=True, max_num_fields=1000)
    except ValueError:
        raise Refused(400, "the form cannot be read") from None
