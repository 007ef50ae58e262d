"""Calls that ask: recipes, steps, schemas, the ledger, the past, how the shop is; who is told of what."""

from __future__ import annotations

import time
from dataclasses import asdict
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Path, Query, Request
from fastapi.responses import JSONResponse

from ..checking import check_paths
from ..doctor import examine
from ..errors import FettleboxError
from ..recipe import compose_schema
from ..recipe.difference import difference
from ..recipe.explain import explain
from .calls import PROBLEMS
from .history import history
from .more_pages import health
from .office import Administers, Decides, Sees, office_of
from .postman import given_up, hooks, try_again
from .problems import Refused
from .recipes import catalog

NAME = Annotated[str, Path(max_length=100)]

more_calls = APIRouter(prefix="/api/v1", tags=["shop"], responses=PROBLEMS)


@more_calls.get("/recipes", response_model=dict[str, Any])
def list_recipes(request: Request, person: Sees) -> Any:
    office = office_of(request)
    return {"recipes": office.recipes.names(), "usual": office.recipes.usual()}


@more_calls.get("/recipes/{name}", response_model=dict[str, Any])
def explain_recipe(request: Request, person: Sees, name: NAME) -> Any:
    """A recipe in plain words, and its text."""
    recipe = office_of(request).recipes.get(name)
    return {**asdict(explain(recipe)), "text": recipe.text, "sha256": recipe.sha256}


@more_calls.get("/recipes/{old}/difference/{new}", response_model=dict[str, Any])
def diff_recipes(request: Request, person: Sees, old: NAME, new: NAME) -> Any:
    """What the second recipe does otherwise than the first."""
    recipes = office_of(request).recipes
    return {"differences": [str(each) for each in difference(recipes.get(old), recipes.get(new))]}


@more_calls.get("/check", response_model=dict[str, Any])
def check(request: Request, person: Sees) -> Any:
    """The shop file and every recipe, with each problem at its place."""
    shop = office_of(request).settings.shop
    found = []
    for one in check_paths([shop]):
        problems = [problem.as_dict() for problem in (*one.problems, *one.warnings)]
        name = str(one.path.relative_to(shop))
        found.append({"file": name, "problems": [{**each, "file": name} for each in problems]})
    return {"files": found}


@more_calls.get("/steps", response_model=dict[str, Any])
def list_steps(person: Sees) -> Any:
    return {
        "steps": [
            {"name": s.name, "version": s.version, "summary": s.summary} for s in catalog().steps.values()
        ]
    }


@more_calls.get("/steps/{name}", response_model=dict[str, Any])
def get_step(person: Sees, name: NAME) -> Any:
    """One step, with the JSON Schema of its parameters."""
    if name not in catalog().steps:
        raise Refused(404, catalog().why_not(name))
    step = catalog().steps[name]
    schema = step.params.model_json_schema(by_alias=True)
    return {"name": step.name, "version": step.version, "summary": step.summary, "parameters": schema}


@more_calls.get("/schema/{kind}", response_model=dict[str, Any])
def get_schema(person: Sees, kind: Literal["recipe", "ticket", "shop"]) -> Any:
    """The JSON Schema of recipe, ticket or shop files, with the steps installed here."""
    return compose_schema(kind, catalog())


@more_calls.get("/ledger", response_model=dict[str, Any])
def list_entries(
    request: Request,
    person: Sees,
    before: Annotated[int | None, Query(ge=1, lt=1 << 62, description="Entries below this number.")] = None,
    limit: Annotated[int, Query(ge=1, le=500)] = 100,
) -> Any:
    """The newest entries first; `more` is what to send as `before` for the next page."""
    office = office_of(request)
    office.index.catch_up(1000)
    found = office.index.before(before, limit + 1)
    more = found[limit - 1].number if len(found) > limit else None
    return {"entries": [entry.__dict__ for entry in found[:limit]], "more": more}


@more_calls.get("/audit", response_model=dict[str, Any])
def get_audit(request: Request, person: Sees) -> Any:
    """What the last audit said; null if there was none yet."""
    auditor = office_of(request).auditor
    return {"running": auditor.running, "last": auditor.last()}


@more_calls.post("/audit", status_code=202, response_model=dict[str, Any])
def start_audit(request: Request, person: Decides) -> Any:
    """Begin an audit, unless one is running; ask for it later."""
    office_of(request).auditor.start()
    return JSONResponse({"running": True}, 202)


@more_calls.get("/history", response_model=dict[str, Any])
def get_history(
    request: Request,
    person: Sees,
    days: Annotated[int, Query(ge=1, le=366)] = 30,
) -> Any:
    """Jobs a day, what stopped them, how long steps take."""
    told = history(office_of(request).cabinet, days=days)
    return {
        "days": [{"day": day, "done": d, "held": h, "rejected": r} for day, (d, h, r) in told.days],
        "stopped": [{"state": state, "by": why, "count": count} for state, why, count in told.stopped],
        "steps": [asdict(each) for each in told.steps],
    }


@more_calls.get("/health", response_model=dict[str, Any])
def get_health(request: Request, person: Sees) -> Any:
    """Queue, workers, disk, plugins."""
    return health(office_of(request))


@more_calls.get("/doctor", response_model=dict[str, Any])
def get_doctor(
    person: Administers,
) -> Any:
    """Whether this installation can do its work."""
    try:
        return {"findings": [asdict(finding) for finding in examine()]}
    except FettleboxError as error:
        raise Refused(503, str(error)) from error


@more_calls.get("/hooks", response_model=dict[str, Any])
def list_hooks(request: Request, person: Administers) -> Any:
    """Who is told what happens, and what could not be delivered."""
    cabinet = office_of(request).cabinet
    return {"hooks": hooks(cabinet), "given_up": given_up(cabinet)}


@more_calls.post("/hooks/given-up/{delivery}/again", response_model=dict[str, Any])
def deliver_again(
    request: Request,
    person: Administers,
    delivery: Annotated[int, Path(ge=1, lt=1 << 62)],
) -> Any:
    """Put a message that was given up back in line."""
    if not try_again(office_of(request).cabinet, delivery, time.time()):
        raise Refused(404, "there is no such message that was given up")
    return {"said": "It is in line again."}
