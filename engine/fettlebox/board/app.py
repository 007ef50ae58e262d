"""The application: the door, the pages, the calls for programs."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.openapi.utils import get_openapi
from fastapi.responses import JSONResponse, Response
from starlette.exceptions import HTTPException
from starlette.types import ASGIApp

from .. import __version__
from .calls import calls
from .guard import API, Guard
from .metrics import measured
from .more_calls import more_calls
from .more_pages import more_pages
from .office import Clerk, Office, Sees
from .pages import pages
from .problems import Refused, problem
from .rendering import assets, render


def make_app(office: Office) -> FastAPI:
    """The application of one shop, without its door. Use `guarded` to serve it."""

    @asynccontextmanager
    async def life(app: FastAPI) -> AsyncIterator[None]:
        office.live.loop = asyncio.get_running_loop()
        looking = asyncio.create_task(office.live.look())
        clerk = Clerk(office)
        clerk.start()
        try:
            yield
        finally:
            office.live.close()
            looking.cancel()
            with suppress(asyncio.CancelledError):
                await looking
            await asyncio.to_thread(clerk.stop)

    app = FastAPI(
        title="Fettlebox board", version=__version__, lifespan=life, docs_url=None, redoc_url=None,
        openapi_url=None, redirect_slashes=False,
        description="One shop: its jobs, the decisions on them, its recipes and its ledger. "
        "Errors are problem details (RFC 9457).",
    )  # fmt: skip
    app.state.office = office
    for router in (more_pages, calls, more_calls, measured, pages):
        app.include_router(router)
    _add_assets(app)
    _add_description(app)
    app.add_exception_handler(HTTPException, _explain)
    app.add_exception_handler(RequestValidationError, _explain_invalid)
    app.add_exception_handler(Exception, _explain_defect)
    return app


def guarded(app: FastAPI) -> ASGIApp:
    """The application behind its door."""
    office: Office = app.state.office
    guard = Guard(app, office.settings, office.cabinet)
    app.state.failures = guard.failures
    return guard


def _add_assets(app: FastAPI) -> None:
    @app.get("/static/{name}", include_in_schema=False)
    def asset(name: str) -> Response:
        if name not in assets():
            raise Refused(404, "there is nothing of this name")
        kind, data = assets()[name]
        return Response(
            data, media_type=kind, headers={"Cache-Control": "public, max-age=31536000, immutable"}
        )


def _add_description(app: FastAPI) -> None:
    @app.get("/api/v1/openapi.json", include_in_schema=False)
    def description(person: Sees) -> dict[str, Any]:
        return openapi_of(app)


def openapi_of(app: FastAPI) -> dict[str, Any]:
    """The OpenAPI description of all calls, with how to give a token."""
    if app.openapi_schema is None:
        found = get_openapi(
            title=app.title, version=app.version, description=app.description, routes=app.routes
        )
        found.setdefault("components", {})["securitySchemes"] = {
            "token": {"type": "http", "scheme": "bearer"}
        }
        found["security"] = [{"token": []}]
        app.openapi_schema = found
    return app.openapi_schema


def _wants_page(request: Request) -> bool:
    return "text/html" in request.headers.get("accept", "") and not request.url.path.startswith(API)


def _explain(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    detail = str(error.detail)
    if _wants_page(request):
        person = getattr(request.state, "person", None)
        content = {"problem": detail, "known": person is not None}
        answer: Response = render(request, "problem.html", content, status=error.status_code)
        answer.headers.update(error.headers or {})
        return answer
    more = error.more if isinstance(error, Refused) else {}
    return problem(error.status_code, detail, dict(error.headers or {}), **more)


def _explain_invalid(request: Request, error: Exception) -> Response:
    assert isinstance(error, RequestValidationError)
    wrong = [
        {"at": ".".join(str(part) for part in one["loc"]), "said": str(one["msg"])} for one in error.errors()
    ]
    detail = "; ".join(f"{one['at']}: {one['said']}" for one in wrong[:5])
    if _wants_page(request):
        content = {"problem": detail, "known": getattr(request.state, "person", None) is not None}
        return render(request, "problem.html", content, status=422)
    return problem(422, detail, errors=wrong)


def _explain_defect(request: Request, error: Exception) -> JSONResponse:
    """What is inside stays inside: the log has it."""
    return problem(500, "the board met something unexpected; its log says more")
