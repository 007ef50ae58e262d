"""Calls for programs: jobs, decisions, uploads. Each does what the page or the command line does."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Header, Path, Query, Request
from fastapi.responses import JSONResponse, Response
from pydantic import BaseModel, ConfigDict, Field

from ..jobs.spool import Row
from ..jobs.states import FINISHED, State
from ..recipe.ticket import TicketFile
from .actions import ticket_text
from .files import files_of_job
from .jobs_view import row_as_dict
from .keys import Person
from .more_pages import send_file
from .office import Administers, Decides, Office, Sees, office_of
from .once import once
from .reading import LONGEST_SEARCH, MOST_ON_A_PAGE, PAGE
from .recipes import answers_in
from .uploads import Upload

JOB = Annotated[str, Path(max_length=40, pattern=r"^[0-9a-zA-Z-]+$", description="The job's id, in full.")]
KEY = Annotated[
    str | None,
    Header(
        alias="Idempotency-Key", min_length=1, max_length=200, pattern=r"^[ -~]+$",
        description="Of your making, new for each thing you want done: sent again with it, it is done once.",
    ),
]  # fmt: skip
Value = str | int | float | bool


class Problem(BaseModel):
    """RFC 9457 problem details."""

    title: str
    status: int
    detail: str


PROBLEMS: dict[int | str, dict[str, Any]] = {
    status: {"description": said, "model": Problem}
    for status, said in {
        400: "The request cannot be read.", 401: "A token is needed.", 403: "The token may not do this.",
        404: "There is no such thing.", 409: "It cannot be done now: somebody was quicker, or the state is "
        "another.", 413: "Too large.", 421: "Not reached by that name.",
        422: "Something in it does not suit.", 429: "Too many requests.", 503: "Not now.",
    }.items()
}  # fmt: skip

calls = APIRouter(prefix="/api/v1", tags=["jobs"], responses=PROBLEMS)


class Asked(BaseModel):
    model_config = ConfigDict(extra="forbid")


class Job(BaseModel):
    """A job, as lists show it. Times are RFC 3339, UTC."""

    id: str
    scan_name: str
    digest: str = Field(description="SHA-256 of the scan as it arrived.")
    recipe: str
    order_no: str | None
    state: State
    attempts: int
    arrived: str
    started: str | None
    finished: str | None = Field(description="Send it back as `seen` with a decision.")
    reason: str | None
    discarded: str | None


class Jobs(BaseModel):
    """Some jobs, newest first. `more` is the cursor of the next page; null on the last."""

    jobs: list[Job]
    more: str | None


class Told(BaseModel):
    """What was done, and where the job stands now."""

    said: str
    job: Job


class Seen(Asked):
    seen: str | None = Field(
        None, max_length=40, description="`finished` of the job as you saw it: if it has ended anew, 409."
    )


class Rejection(Seen):
    reason: str = Field(min_length=1, max_length=1000, description="For whoever brought the scan.")


class Again(Seen):
    """Answers for another run; what is left out stays as the job's ticket says."""

    set: dict[str, Value] = Field(default_factory=dict, description="Only what the recipe asks.")
    take: str | None = Field(None, min_length=1, max_length=250, description="Which of the takes to work on.")
    unit: str | None = Field(None, pattern="^(mm|cm|m|in)$")
    up: str | None = Field(None, pattern="^[+-][xyz]$")


class Arrival(Asked):
    """A scan that will come, and its ticket."""

    name: str = Field(
        min_length=1, max_length=250, description="The file's name; its ending says what it is."
    )
    bytes: int = Field(ge=1, le=1 << 50, description="How large it is.")
    recipe: str = Field(max_length=100)
    order: str | None = Field(None, max_length=200)
    set: dict[str, Value] = Field(default_factory=dict)
    unit: str | None = Field(None, pattern="^(mm|cm|m|in)$")
    up: str | None = Field(None, pattern="^[+-][xyz]$")
    note: str | None = Field(None, max_length=2000)


class Coming(BaseModel):
    """A scan that is coming: `has` of `bytes` are there. Complete, `name` is its name in the inbox."""

    id: str
    name: str
    bytes: int
    has: int
    complete: bool


@calls.get("/jobs", response_model=Jobs)
def list_jobs(
    request: Request,
    person: Sees,
    state: Annotated[list[State] | None, Query(max_length=6)] = None,
    find: Annotated[str, Query(max_length=LONGEST_SEARCH, description="Order, name, id or digest.")] = "",
    cursor: Annotated[str | None, Query(max_length=100)] = None,
    limit: Annotated[int, Query(ge=1, le=MOST_ON_A_PAGE)] = PAGE,
) -> Any:
    page = office_of(request).spool.page(state or [], find.strip(), cursor, limit)
    return {"jobs": [row_as_dict(row) for row in page.jobs], "more": page.more}


@calls.get("/jobs/{job}", response_model=Job)
def get_job(request: Request, person: Sees, job: JOB) -> Any:
    return row_as_dict(office_of(request).desk.find(job))


@calls.get("/jobs/{job}/traveler", response_model=dict[str, Any])
def get_traveler(request: Request, person: Sees, job: JOB) -> Response:
    """The job's record, as `traveler.json` holds it."""
    return send_file(office_of(request), job, "traveler.json")


@calls.get("/jobs/{job}/files", response_model=dict[str, Any])
def list_files(request: Request, person: Sees, job: JOB) -> Any:
    """What the job's folder hands out: parts, record, pictures, the scan as it came."""
    office = office_of(request)
    row = office.desk.find(job)
    there = row.state in FINISHED and row.discarded is None
    found = files_of_job(office.settings.shop / row.folder) if there else []
    return {"files": [{"path": f.path, "kind": f.kind, "bytes": f.bytes, "sha256": f.sha256} for f in found]}


@calls.get("/jobs/{job}/files/{path:path}", response_class=Response)
def get_file(
    request: Request,
    person: Sees,
    job: JOB,
    path: Annotated[str, Path(max_length=1000)],
) -> Response:
    return send_file(office_of(request), job, path)


@calls.get("/jobs/{job}/happened", response_model=dict[str, Any])
def get_happened(request: Request, person: Sees, job: JOB) -> Any:
    """What the ledger says of a job, newest first, with who decided."""
    office = office_of(request)
    office.desk.find(job)
    office.index.catch_up(1000)
    return {"entries": [entry.__dict__ for entry in office.index.of_job(job)]}


@calls.post("/jobs/{job}/release", response_model=Told)
def release(request: Request, person: Decides, job: JOB, asked: Seen, key: KEY = None) -> Response:
    """A person has looked: hand a held job's parts over as they are."""
    office = office_of(request)
    return _decide(
        request, office, job, person, key, asked, lambda: office.desk.release(job, person, asked.seen)
    )


@calls.post("/jobs/{job}/reject", response_model=Told)
def reject(request: Request, person: Decides, job: JOB, asked: Rejection, key: KEY = None) -> Response:
    """A person has looked: a held job is not made, for a reason."""
    office = office_of(request)

    def act() -> str:
        return office.desk.reject(job, asked.reason, person, asked.seen)

    return _decide(request, office, job, person, key, asked, act)


@calls.post("/jobs/{job}/retry", response_model=Told)
def retry(request: Request, person: Decides, job: JOB, asked: Again, key: KEY = None) -> Response:
    """Send a held or rejected job back to the queue, with other answers or as it was."""
    office = office_of(request)

    def act() -> str:
        row = office.desk.find(job)
        answers: dict[str, Any] = {}
        if asked.set:
            answers["set"] = answers_in(office.recipes.get(row.recipe), asked.set, partial=True)
        answers |= {
            name: word for name in ("unit", "up", "take") if (word := getattr(asked, name)) is not None
        }
        return office.desk.retry(job, person, answers, asked.seen)

    return _decide(request, office, job, person, key, asked, act)


@calls.post("/jobs/{job}/discard", response_model=Told)
def discard(request: Request, person: Administers, job: JOB, asked: Seen, key: KEY = None) -> Response:
    """Delete a finished job's files for good; its entry and their digests stay on record."""
    office = office_of(request)
    return _decide(
        request, office, job, person, key, asked, lambda: office.desk.discard(job, person, asked.seen)
    )


def _decide(
    request: Request, office: Office, job: str, person: Person, key: str | None, asked: BaseModel, act: Any
) -> JSONResponse:
    def run() -> dict[str, Any]:
        said = act()
        office.live.tell_soon()
        row: Row = office.desk.find(job)
        return {"said": said, "job": row_as_dict(row)}

    return once(request, office.cabinet, person, key, asked.model_dump(), run)


@calls.post("/uploads", response_model=Coming, status_code=201, tags=["uploads"])
def begin_upload(request: Request, person: Decides, asked: Arrival, key: KEY = None) -> Response:
    """Announce a scan, with what a ticket would say. Then send its bytes to `/uploads/{id}`."""
    office = office_of(request)

    def act() -> dict[str, Any]:
        recipe = office.recipes.get(asked.recipe)
        values = answers_in(recipe, asked.set)
        ticket = {
            "order": asked.order or None, "recipe": asked.recipe, "set": values or None, "unit": asked.unit,
            "up": asked.up, "note": asked.note or None,
        }  # fmt: skip
        ticket = TicketFile.model_validate({k: v for k, v in ticket.items() if v is not None}).model_dump(
            exclude_defaults=True
        )
        text = ticket_text(ticket)
        return _coming(office.uploads.begin(asked.name, asked.bytes, text, person))

    return once(request, office.cabinet, person, key, asked.model_dump(), act, 201)


@calls.get("/uploads/{upload}", response_model=Coming, tags=["uploads"])
def get_upload(request: Request, person: Decides, upload: str) -> Any:
    """How much of a scan is there: go on from `has`."""
    return _coming(office_of(request).uploads.get(upload, person))


@calls.put(
    "/uploads/{upload}", response_model=Coming, tags=["uploads"],
    openapi_extra={"requestBody": {"content": {"application/octet-stream": {
        "schema": {"type": "string", "format": "binary"}}}}},
)  # fmt: skip
async def add_to_upload(
    request: Request,
    person: Decides,
    upload: str,
    at: Annotated[int, Query(ge=0, le=1 << 50, description="Where these bytes begin.")],
) -> Any:
    """Send bytes, at most 16 MB at a time. With the last one the scan is in the inbox, whole."""
    office = office_of(request)
    taken = await office.uploads.add(upload, at, request.stream(), person)
    return _coming(taken)


@calls.delete("/uploads/{upload}", status_code=204, tags=["uploads"], response_class=Response)
def drop_upload(request: Request, person: Decides, upload: str) -> Response:
    """Forget a scan that is not complete."""
    office = office_of(request)
    office.uploads.get(upload, person)
    office.uploads.drop(upload)
    return Response(status_code=204)


def _coming(upload: Upload) -> dict[str, Any]:
    return {
        "id": upload.id, "name": upload.name, "bytes": upload.size, "has": upload.has,
        "complete": upload.has == upload.size,
    }  # fmt: skip
