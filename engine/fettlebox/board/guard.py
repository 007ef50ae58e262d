"""The one door: every request passes here before anything of ours looks at it.

Host header, size, rate, who it is, and for changes by a browser's session that the page they come from is
ours. Pages and calls below only say what their caller must be allowed to do.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from http.cookies import CookieError, SimpleCookie
from typing import TYPE_CHECKING
from urllib.parse import parse_qs, urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import RedirectResponse, Response

from .keys import Person, bearer, same, session_of
from .problems import Refused, problem
from .rates import Buckets

if TYPE_CHECKING:
    from starlette.types import ASGIApp, Message, Receive, Scope, Send

    from .cabinet import Cabinet
    from .settings import Settings

COOKIE = "fettlebox_board"
FORM_HEADER = "x-board-form"
FORM_FIELD = "form_token"
OPEN = ("/enter", "/health/live", "/health/ready")
STATIC = "/static/"
API = "/api/"
CHUNKS = "/api/v1/uploads/"
SAFE = {"GET", "HEAD", "OPTIONS"}
LONGEST_URL = 4000
FAILURES_S = 300.0

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
    "font-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
HEADERS = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",  # with none at all, forms would not say where they come from
    "X-Frame-Options": "DENY",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=()",
    "Cache-Control": "no-store",  # a face is biometric data: no copy stays in a browser's cache
    "X-Robots-Tag": "noindex",
}


class TooLarge(Refused):
    """The body is larger than this place takes."""

    def __init__(self) -> None:
        super().__init__(413, "this is larger than what is taken here")


class Guard:
    """ASGI middleware around the whole board."""

    def __init__(
        self,
        app: ASGIApp,
        settings: Settings,
        cabinet: Cabinet,
        clock: Callable[[], float] = time.time,
    ) -> None:
        self.app, self.settings, self.cabinet, self.clock = app, settings, cabinet, clock
        self.requests = Buckets(settings.burst, settings.requests_a_second)
        self.failures = Buckets(settings.failures, settings.failures / FAILURES_S)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            if scope["type"] == "lifespan":
                await self.app(scope, receive, send)
            elif scope["type"] == "websocket":
                await send({"type": "websocket.close", "code": 1008})
            return
        seen = _Sent(send, self.settings.secure)
        refusal = self._refusal(scope)
        if refusal is None:
            receive = _Bounded(receive, self._room(scope))
            refusal = await self._refusal_of_change(scope, receive)
            receive = scope.pop("fettlebox.receive", receive)
        if refusal is not None:
            await refusal(scope, receive, seen)
            return
        try:
            await self.app(scope, receive, seen)
        except TooLarge:
            if not seen.begun:
                await problem(413, "this is larger than what is taken here")(scope, receive, seen)

    def _refusal(self, scope: Scope) -> Response | None:
        headers, path = Headers(scope=scope), scope["path"]
        hosts = headers.getlist("host")
        if len(hosts) != 1 or hosts[0].lower() not in self.settings.hosts:
            return problem(421, "this board is not reached by that name; use the address that it was given")
        if len(scope.get("raw_path", b"")) + len(scope.get("query_string", b"")) > LONGEST_URL:
            return problem(414, "the address is too long")
        length = headers.get("content-length")
        if length is not None and not (_is_count(length) and int(length) <= self._room(scope)):
            return problem(413, "this is larger than what is taken here")
        person, failed = self._who(scope, headers)
        scope.setdefault("state", {})["person"] = person
        address = (scope.get("client") or ("local",))[0]
        key = f"person {person.name}" if person else f"address {address}"
        wait = self.failures.wait_s(address, self.clock()) if failed else 0.0
        if not path.startswith(STATIC):
            wait = wait or self.requests.wait_s(key, self.clock())
        if wait:
            return problem(429, "too many requests; wait a little", {"Retry-After": str(int(wait) + 1)})
        if person is None and path not in OPEN and not path.startswith(STATIC):
            return self._not_known(scope, headers)
        return None

    def _who(self, scope: Scope, headers: Headers) -> tuple[Person | None, bool]:
        """Whoever asks; and whether a secret was given that is none."""
        given = headers.get("authorization")
        if given is not None:
            kind, _, token = given.partition(" ")
            person = bearer(self.cabinet, token.strip()) if kind.lower() == "bearer" else None
            return person, person is None
        session = session_cookie(headers)
        scope.setdefault("state", {})["session"] = session
        return (None if session is None else session_of(self.cabinet, session, self.clock())), False

    def _not_known(self, scope: Scope, headers: Headers) -> Response:
        wants_page = "text/html" in headers.get("accept", "") and scope["method"] in SAFE
        if wants_page and not scope["path"].startswith(API):
            return RedirectResponse("/enter", 303)
        detail = "give a token: the header `Authorization: Bearer …`, or enter at /enter"
        return problem(401, detail, {"WWW-Authenticate": 'Bearer realm="board"'})

    async def _refusal_of_change(self, scope: Scope, receive: Receive) -> Response | None:
        """A change by a browser must come from a page of ours, and by a session with its form's token."""
        if scope["method"] in SAFE:
            return None
        headers, person = Headers(scope=scope), scope["state"]["person"]
        site, origin = headers.get("sec-fetch-site"), headers.get("origin")
        foreign = origin is not None and urlsplit(origin).netloc.lower() not in self.settings.hosts
        if foreign or site not in (None, "same-origin", "none"):
            return problem(403, "this request comes from another site; nothing was changed")
        if person is None or person.form_token is None:
            return None
        given = headers.get(FORM_HEADER)
        if given is None and headers.get("content-type", "").startswith("application/x-www-form-urlencoded"):
            try:
                body = await _whole(receive)
            except TooLarge:
                return problem(413, "this is larger than what is taken here")
            scope["fettlebox.receive"] = _again(body)
            given = _form_token_in(body)
        if given is None or not same(given, person.form_token):
            return problem(403, "the form is out of date; open the page again. Nothing was changed")
        return None

    def _room(self, scope: Scope) -> int:
        """Bytes that a request's body may have."""
        chunk = scope["path"].startswith(CHUNKS) and scope["method"] == "PUT"
        return self.settings.most_chunk_bytes if chunk else self.settings.most_form_bytes


class _Sent:
    """Adds our headers to every answer; a place that sets one of them itself knows why."""

    def __init__(self, send: Send, secure: bool) -> None:
        self._send, self._secure, self.begun = send, secure, False

    async def __call__(self, message: Message) -> None:
        if message["type"] == "http.response.start":
            self.begun = True
            headers = MutableHeaders(scope=message)
            for name, value in HEADERS.items():
                headers.setdefault(name, value)
            if self._secure:
                headers.setdefault("Strict-Transport-Security", "max-age=31536000")
        await self._send(message)


class _Bounded:
    """Counts the bytes of a body as they come: a length that was promised is not believed."""

    def __init__(self, receive: Receive, room: int) -> None:
        self._receive, self._room = receive, room

    async def __call__(self) -> Message:
        message = await self._receive()
        if message["type"] == "http.request":
            self._room -= len(message.get("body", b""))
            if self._room < 0:
                raise TooLarge
        return message


async def _whole(receive: Receive) -> bytes:
    parts = []
    while True:
        message = await receive()
        parts.append(message.get("body", b""))
        if not message.get("more_body", False):
            return b"".join(parts)


def _again(body: bytes) -> Receive:
    messages = [{"type": "http.request", "body": body, "more_body": False}]

    async def receive() -> Message:
        return messages.pop() if messages else {"type": "http.disconnect"}

    return receive


def _form_token_in(body: bytes) -> str:
    try:
        return parse_qs(body.decode("utf-8", "replace"), max_num_fields=1000).get(FORM_FIELD, [""])[0]
    except ValueError:
        return ""


def _is_count(text: str) -> bool:
    return text.isascii() and text.isdigit() and len(text) < 16


def session_cookie(headers: Headers) -> str | None:
    try:
        found = SimpleCookie(headers.get("cookie", "")).get(COOKIE)
    except CookieError:
        return None
    return None if found is None else found.value
