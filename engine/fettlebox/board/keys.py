"""Who may enter: tokens, one-time links, sessions.

A token has 256 bits from the system's random source, so its SHA-256 is as good at rest as a slow digest would
be: there is nothing to guess. It is compared in constant time all the same.
"""

from __future__ import annotations

import hashlib
import hmac
import re
import secrets
from dataclasses import dataclass
from enum import IntEnum

from ..errors import UsageError
from ..jobs.journal import utc_now
from .cabinet import Cabinet

PREFIX = "fbx_"
SESSION_S = 12 * 3600.0
LINK_S = 15 * 60.0
LINK_NAME = "console"
"""How the ledger names whoever entered by the link that the server prints."""


class May(IntEnum):
    """What a token lets its bearer do; each includes those before it."""

    SEE = 1
    DECIDE = 2
    ADMIN = 3

    @property
    def word(self) -> str:
        return self.name.lower()


@dataclass(frozen=True)
class Person:
    """Whoever makes a request. `form_token` must come with every change; None where a token came itself."""

    name: str
    may: May
    form_token: str | None = None


def may_of(word: str) -> May:
    try:
        return May[word.upper()]
    except KeyError:
        raise UsageError(f"--may {word!r}: expected see, decide or admin") from None


def add_token(cabinet: Cabinet, name: str, may: May) -> str:
    """Make a token and return it; it is shown this once. Raises UsageError if the name is in use."""
    if re.fullmatch(r"[\w][\w .@-]{0,39}", name) is None or name == LINK_NAME:
        raise UsageError(f"{name!r} cannot be a token's name; expected up to 40 letters, digits, - and _")
    token = PREFIX + secrets.token_urlsafe(32)
    with cabinet.change():
        if cabinet.one("SELECT 1 FROM tokens WHERE name = ?", name):
            raise UsageError(f"there is a token {name!r} already; remove it first, or choose another name")
        cabinet.do("INSERT INTO tokens VALUES (?, ?, ?, ?)", name, may.word, _digest(token), utc_now())
    return token


def remove_token(cabinet: Cabinet, name: str) -> None:
    """Take a token back, and end every session that was begun with it."""
    with cabinet.change():
        row = cabinet.one("SELECT digest FROM tokens WHERE name = ?", name)
        if row is None:
            raise UsageError(f"there is no token {name!r}")
        cabinet.do("DELETE FROM tokens WHERE name = ?", name)
        cabinet.do("DELETE FROM sessions WHERE token = ?", row[0])


def tokens(cabinet: Cabinet) -> list[tuple[str, str, str]]:
    """Name, what it may, and when it was made."""
    rows = cabinet.all("SELECT name, may, created FROM tokens ORDER BY name")
    return [(str(name), str(may), str(created)) for name, may, created in rows]


def bearer(cabinet: Cabinet, token: str) -> Person | None:
    """Whose token this is."""
    found = _find_token(cabinet, token)
    return None if found is None else Person(found[0], found[1])


def add_link(cabinet: Cabinet, now: float) -> str:
    """A code that opens the board once, within LINK_S."""
    code = secrets.token_urlsafe(32)
    cabinet.do("INSERT INTO links VALUES (?, ?)", _digest(code), now + LINK_S)
    return code


def enter(cabinet: Cabinet, secret: str, now: float) -> str | None:
    """Begin a session with a token or with the code of a one-time link; the cookie's value, or None."""
    found = _find_token(cabinet, secret)
    with cabinet.change():
        cabinet.do("DELETE FROM links WHERE expires < ?", now)
        cabinet.do("DELETE FROM sessions WHERE expires < ?", now)
        if found is None:
            if cabinet.do("DELETE FROM links WHERE digest = ?", _digest(secret)) != 1:
                return None
            name, may, digest = LINK_NAME, May.ADMIN, None
        else:
            name, may, digest = found
        session = secrets.token_urlsafe(32)
        cabinet.do(
            "INSERT INTO sessions VALUES (?, ?, ?, ?, ?)",
            _digest(session), name, may.word, digest, now + SESSION_S,
        )  # fmt: skip
    return session


def session_of(cabinet: Cabinet, session: str, now: float) -> Person | None:
    """Whose session a cookie names, unless it has ended."""
    row = cabinet.one(
        "SELECT name, may FROM sessions WHERE digest = ? AND expires >= ?", _digest(session), now
    )
    return None if row is None else Person(row[0], may_of(row[1]), form_token(session))


def leave(cabinet: Cabinet, session: str) -> None:
    cabinet.do("DELETE FROM sessions WHERE digest = ?", _digest(session))


def form_token(session: str) -> str:
    """What forms of this session carry: made of its secret, and no way back to it."""
    return hmac.new(session.encode(), b"form", hashlib.sha256).hexdigest()


def same(one: str, other: str) -> bool:
    return hmac.compare_digest(one.encode(), other.encode())


def _find_token(cabinet: Cabinet, token: str) -> tuple[str, May, str] | None:
    given, found = _digest(token), None
    for name, may, digest in cabinet.all("SELECT name, may, digest FROM tokens"):
        if hmac.compare_digest(digest, given):  # no early end: all take the same time
            found = (str(name), may_of(may), str(digest))
    return found


def _digest(secret: str) -> str:
    return hashlib.sha256(secret.encode("utf-8", "replace")).hexdigest()
