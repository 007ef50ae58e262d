"""Errors as RFC 9457 problem details for programs, and as a page for people."""

from __future__ import annotations

from http import HTTPStatus
from typing import Any

from starlette.exceptions import HTTPException
from starlette.responses import JSONResponse

MEDIA_TYPE = "application/problem+json"


class Refused(HTTPException):
    """A request that cannot be answered as wished. `detail` is a sentence; `more` goes into the problem."""

    def __init__(self, status: int, detail: str, headers: dict[str, str] | None = None, **more: Any) -> None:
        super().__init__(status, detail, headers)
        self.more = more


def problem(status: int, detail: str, headers: dict[str, str] | None = None, **more: Any) -> JSONResponse:
    """`type` is left out, which RFC 9457 reads as `about:blank`: the title is that of the HTTP status."""
    body = {"title": HTTPStatus(status).phrase, "status": status, "detail": detail, **more}
    return JSONResponse(body, status, headers, MEDIA_TYPE)
