"""What happens to jobs, told to others: CloudEvents 1.0 by HTTP, signed as Standard Webhooks say.

The ledger is the source: each new entry is sent to each hook once or more, in the order of entries, with the
entry's number in its id. What is not taken is tried again, ever later, then kept in a list of its own. An
event holds the job's id, state and order, never a name of a scan, a picture or a shape.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import http.client
import json
import os
import secrets
import ssl
import threading
import time
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from ..api import Notifier
from ..errors import UsageError
from ..guarding import bounded
from ..jobs.journal import utc_now
from .cabinet import Cabinet
from .reading import SpoolReader

PAUSES_S = (5, 60, 5 * 60, 30 * 60, 2 * 3600, 5 * 3600, 10 * 3600)
"""Between one try and the next; after the last one it is given up."""
PATIENCE_S = 10.0
PLUGIN_PATIENCE_S = 30.0
AT_ONCE = 20
PLUGIN = "plugin:"
FULL = "MemoryError: the board had no memory left while it was told, and was begun again"
SECRET_PREFIX = "whsec_"
MEDIA_TYPE = "application/cloudevents+json"
TYPE = "fettlebox.job."

OUT_OF_MEMORY = 12
"""The status of a board that ended because it had no more memory (ENOMEM)."""

Send = Callable[[str, bytes, Mapping[str, str]], int]


def end_the_board() -> None:
    """End this process at once, to be begun again (see `beside`): at its limit nothing else would go well."""
    os.write(2, b"the board has no memory left and ends; a notifier may have taken it\n")
    os._exit(OUT_OF_MEMORY)


def add_hook(cabinet: Cabinet, url: str) -> tuple[str, str]:
    """Tell an address of everything from now on. Returns the hook's id and the secret of its signatures."""
    parts = urlsplit(url)
    if parts.scheme not in ("http", "https") or not parts.hostname or parts.username or parts.fragment:
        raise UsageError(f"{url!r}: expected an address such as https://orders.example/fettlebox")
    hook = secrets.token_hex(6)
    secret = SECRET_PREFIX + base64.b64encode(secrets.token_bytes(32)).decode()
    with cabinet.change():
        if cabinet.one("SELECT 1 FROM hooks WHERE url = ?", url):
            raise UsageError(f"{url} is told already")
        newest = cabinet.one("SELECT max(number) FROM entries")[0] or 0
        cabinet.do("INSERT INTO hooks VALUES (?, ?, ?, ?, ?)", hook, url, secret, newest, utc_now())
    return hook, secret


def remove_hook(cabinet: Cabinet, hook: str) -> None:
    with cabinet.change():
        if cabinet.do("DELETE FROM hooks WHERE id = ? OR url = ?", hook, hook) != 1:
            raise UsageError(f"there is no hook {hook!r}")
        cabinet.do("DELETE FROM deliveries WHERE hook NOT IN (SELECT id FROM hooks)")


def hooks(cabinet: Cabinet) -> list[dict[str, Any]]:
    """Every hook, without its secret, with how much waits and how much was given up."""
    rows = cabinet.all(
        "SELECT h.id, h.url, h.created, count(d.due), count(d.id) - count(d.due) FROM hooks h"
        " LEFT JOIN deliveries d ON d.hook = h.id GROUP BY h.id ORDER BY h.created"
    )
    names = ("id", "url", "created", "waiting", "given_up")
    return [dict(zip(names, row, strict=True)) for row in rows]


def given_up(cabinet: Cabinet, most: int = 200) -> list[dict[str, Any]]:
    """What could not be delivered, newest first."""
    rows = cabinet.all(
        "SELECT d.id, h.url, d.entry, d.tries, d.said FROM deliveries d JOIN hooks h ON h.id = d.hook"
        " WHERE d.due IS NULL ORDER BY d.id DESC LIMIT ?",
        most,
    )
    return [dict(zip(("id", "url", "entry", "tries", "said"), row, strict=True)) for row in rows]


def try_again(cabinet: Cabinet, delivery: int, now: float) -> bool:
    """Put one that was given up back in line."""
    sql = "UPDATE deliveries SET due = ?, tries = 0 WHERE id = ? AND due IS NULL"
    return cabinet.do(sql, now, delivery) == 1


def signature(secret: str, message: str, timestamp: int, body: bytes) -> str:
    """Standard Webhooks: `v1,` and the base64 of HMAC-SHA256 over `id.timestamp.body`."""
    key = base64.b64decode(secret.removeprefix(SECRET_PREFIX))
    signed = b".".join((message.encode(), str(timestamp).encode(), body))
    return "v1," + base64.b64encode(hmac.new(key, signed, hashlib.sha256).digest()).decode()


class Postman:
    """Sends to every hook of one shop what has happened since it was added."""

    def __init__(
        self,
        shop: Path,
        cabinet: Cabinet,
        spool: SpoolReader,
        send: Send | None = None,
        clock: Callable[[], float] = time.time,
        notifiers: Callable[[], Iterable[Notifier]] = tuple,
        out_of_memory: Callable[[], None] = end_the_board,
    ) -> None:
        self.shop, self.cabinet, self.spool, self.clock = shop, cabinet, spool, clock
        self._send = send or post
        self._find_notifiers = notifiers
        self._notifiers: dict[str, Notifier] | None = None
        self._telling: dict[str, threading.Thread] = {}
        self._out_of_memory, self._full = out_of_memory, threading.Event()

    def round(self) -> int:
        """Put new entries in line, and send what is due; how many were taken."""
        if self._full.is_set():  # one that had been given up waiting for
            self._out_of_memory()
        self._take_in_notifiers()
        self._line_up()
        now = self.clock()
        due = self.cabinet.all(
            "SELECT d.id, d.entry, d.body, d.tries, h.id, h.url, h.secret FROM deliveries d"
            " JOIN hooks h ON h.id = d.hook WHERE d.due <= ? ORDER BY d.entry, d.id LIMIT ?",
            now, AT_ONCE,
        )  # fmt: skip
        taken, deaf = 0, set()
        for delivery, entry, body, tries, hook, url, secret in due:
            if hook in deaf:
                continue  # one that does not answer holds up nobody else in this round
            if str(url).startswith(PLUGIN):  # one that takes the whole process with it had its try as well
                self._put_off(delivery, tries, now, "the board's process ended while it was told")
            said = self._try(url, secret, f"{entry}.{hook}", str(body).encode())
            if said is None:
                self.cabinet.do("DELETE FROM deliveries WHERE id = ?", delivery)
                taken += 1
            else:
                deaf.add(hook)
                self._put_off(delivery, tries, now, said)
                if self._full.is_set():
                    self._out_of_memory()
        return taken

    def _put_off(self, delivery: int, tries: int, now: float, said: str) -> None:
        later = now + PAUSES_S[tries] if tries < len(PAUSES_S) else None
        sql = "UPDATE deliveries SET tries = ?, due = ?, said = ? WHERE id = ?"
        self.cabinet.do(sql, tries + 1, later, said, delivery)

    def _take_in_notifiers(self) -> None:
        """A plugin's notifier is a hook like any other, told of everything since it was first seen."""
        if self._notifiers is not None:
            return
        self._notifiers = {f"{PLUGIN}{each.name}": each for each in self._find_notifiers()}
        newest = self.cabinet.one("SELECT max(number) FROM entries")[0] or 0
        for name in self._notifiers:
            sql = "INSERT OR IGNORE INTO hooks VALUES (?, ?, '', ?, ?)"
            self.cabinet.do(sql, name, name, newest, utc_now())

    def _line_up(self) -> None:
        with self.cabinet.change():
            for hook, since in self.cabinet.all("SELECT id, since FROM hooks"):
                rows = self.cabinet.all(
                    "SELECT number, event, job, state, time, by FROM entries WHERE number > ?"
                    " ORDER BY number LIMIT 100",
                    since,
                )
                for row in rows:
                    body = json.dumps(self._event(*row), ensure_ascii=False)
                    self.cabinet.do(
                        "INSERT OR IGNORE INTO deliveries (hook, entry, body, due) VALUES (?, ?, ?, ?)",
                        hook, row[0], body, self.clock(),
                    )  # fmt: skip
                if rows:
                    self.cabinet.do("UPDATE hooks SET since = ? WHERE id = ?", rows[-1][0], hook)

    def _event(
        self, number: int, event: str, job: str, state: str, when: str, by: str | None
    ) -> dict[str, Any]:
        """A CloudEvent in structured mode (CloudEvents 1.0.2, JSON event format)."""
        row = self.spool.job(job)
        order = {"order": row.order_no, "recipe": row.recipe} if row is not None else {}
        return {
            "specversion": "1.0",
            "id": str(number),
            "source": f"/shops/{self._shop_id()}",
            "type": TYPE + event,
            "subject": job,
            "time": when,
            "datacontenttype": "application/json",
            "data": {"job": job, "event": event, "state": state, "by": by, **order},
        }

    def _shop_id(self) -> str:
        """A name for this shop that says nothing about it, and stays."""
        known = self.cabinet.mark("shop")
        if known is None:
            known = secrets.token_hex(8)
            self.cabinet.set_mark("shop", known)
        return known

    def _try(self, url: str, secret: str, message: str, body: bytes) -> str | None:
        """None if it was taken; otherwise what was said instead."""
        if url.startswith(PLUGIN):
            return self._call(url, body)
        timestamp = int(self.clock())
        headers = {
            "Content-Type": MEDIA_TYPE,
            "User-Agent": "fettlebox",
            "webhook-id": message,
            "webhook-timestamp": str(timestamp),
            "webhook-signature": signature(secret, message, timestamp, body),
        }
        try:
            status = self._send(url, body, headers)
        except (OSError, http.client.HTTPException, ValueError) as error:
            return f"{type(error).__name__}: {error}"[:300]
        return None if 200 <= status < 300 else f"answered with status {status}"

    def _call(self, name: str, body: bytes) -> str | None:
        notifier = (self._notifiers or {}).get(name)
        if notifier is None:
            return "the plugin is not installed any more"
        if name in self._telling and self._telling[name].is_alive():
            return "it is still busy with an event before this one"
        outcome: list[str | None] = []

        def tell() -> None:
            try:
                with bounded():
                    notifier.tell(json.loads(body))
                outcome.append(None)
            except MemoryError:
                outcome.append(FULL)
                self._full.set()
            except (Exception, SystemExit) as error:  # whatever a plugin does wrong is its own matter
                outcome.append(f"{type(error).__name__}: {error}"[:300])

        # In a thread of its own: one that hangs keeps nobody else from being told.
        self._telling[name] = thread = threading.Thread(target=tell, name=name, daemon=True)
        thread.start()
        thread.join(PLUGIN_PATIENCE_S)
        return outcome[0] if outcome else f"it took longer than {PLUGIN_PATIENCE_S:g} s"


def post(url: str, body: bytes, headers: Mapping[str, str]) -> int:
    """One POST; its status. Redirects are not followed: the address was chosen by a person."""
    parts = urlsplit(url)
    host, port = parts.hostname or "", parts.port
    connection: http.client.HTTPConnection
    if parts.scheme == "https":
        connection = http.client.HTTPSConnection(
            host, port, timeout=PATIENCE_S, context=ssl.create_default_context()
        )
    else:
        connection = http.client.HTTPConnection(host, port, timeout=PATIENCE_S)
    try:
        path = (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
        connection.request("POST", path, body, dict(headers))
        return connection.getresponse().status
    finally:
        connection.close()
