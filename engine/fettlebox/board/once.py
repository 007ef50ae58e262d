"""A request with an idempotency key is done once, however often it is sent (IETF draft
"The Idempotency-Key HTTP Header Field").
"""

from __future__ import annotations

import hashlib
import json
import time
from collections.abc import Callable
from typing import Any

from fastapi import Request
from fastapi.responses import JSONResponse

from .cabinet import Cabinet
from .keys import Person
from .problems import Refused

KEPT_S = 24 * 3600.0
PATIENCE_S = 120.0
"""After so long, whoever began it has died on the way."""


def once(
    request: Request,
    cabinet: Cabinet,
    person: Person,
    key: str | None,
    asked: Any,
    act: Callable[[], dict[str, Any]],
    status: int = 200,
) -> JSONResponse:
    """Do it, or give the answer of the first time. Raises Refused: 422 if the key came with another request,
    409 while the first one is still being done.
    """
    if key is None:
        return JSONResponse(act(), status)
    now = time.time()
    name = _digest(person.name, request.method, request.url.path, key)
    said = _digest(json.dumps(asked, sort_keys=True, default=str))
    with cabinet.change():
        cabinet.do("DELETE FROM answers WHERE at < ?", now - KEPT_S)
        cabinet.do("DELETE FROM answers WHERE status IS NULL AND at < ?", now - PATIENCE_S)
        kept = cabinet.one("SELECT request, status, body FROM answers WHERE key = ?", name)
        if kept is None:
            cabinet.do("INSERT INTO answers VALUES (?, ?, NULL, NULL, ?)", name, said, now)
    if kept is not None:
        if kept[0] != said:
            raise Refused(422, "this idempotency key came with another request before; use a new one")
        if kept[1] is None:
            raise Refused(409, "the first request with this idempotency key is still being done")
        return JSONResponse(json.loads(kept[2]), kept[1], {"Idempotency-Replayed": "true"})
    try:
        answer = act()
    except BaseException:  # nothing was done, so that it may be tried again
        cabinet.do("DELETE FROM answers WHERE key = ?", name)
        raise
    cabinet.do("UPDATE answers SET status = ?, body = ? WHERE key = ?", status, json.dumps(answer), name)
    return JSONResponse(answer, status)


def _digest(*parts: str) -> str:
    return hashlib.sha256("\0".join(parts).encode("utf-8", "replace")).hexdigest()
