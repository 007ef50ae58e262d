"""What is going on at this moment: told by the server through a pipe, and by the spool when it has changed.

Pages are not sent every event: each is told that there is news, with the newest state of things, at most so
often. So a page that is slow, or fifty of them, cost next to nothing.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import time
from collections.abc import AsyncIterator, Callable
from typing import IO, Any

from .reading import SpoolReader

LOOK_S = 1.0
GAP_S = 1.5
"""At most one message in this time to one page."""
BREATH_S = 15.0
"""A message at least so often, so that nobody on the way takes the line for dead."""
SILENT_S = 10.0
"""The server tells something every second; after so long without a word it is not well."""
LONGEST_LINE = 1 << 20


class Live:
    """The state that pages follow. What is not named `_soon` runs in the event loop."""

    def __init__(self, spool: SpoolReader, clock: Callable[[], float] = time.monotonic) -> None:
        self.spool, self.clock = spool, clock
        self.at_work: dict[str, str] = {}
        self.news = 0
        self.closed = False
        self.streams = 0
        self._heard: float | None = None
        self._version: tuple[Any, ...] = ()
        self._waiting: set[asyncio.Event] = set()
        self.loop: asyncio.AbstractEventLoop | None = None

    @property
    def server_is_well(self) -> bool:
        """Whether the server has told something lately."""
        return self._heard is not None and self.clock() - self._heard < SILENT_S

    def tell(self) -> None:
        """There is news."""
        self.news += 1
        for event in self._waiting:
            event.set()

    def tell_soon(self) -> None:
        """The same, from any thread."""
        self._in_loop(self.tell)

    def _in_loop(self, call: Callable[..., None], *given: Any) -> None:
        if self.loop is not None and not self.loop.is_closed():
            with contextlib.suppress(RuntimeError):  # it closes at this moment
                self.loop.call_soon_threadsafe(call, *given)

    def hear_soon(self, line: bytes) -> None:
        """`hear`, from any thread."""
        self._in_loop(self.hear, line)

    def hear(self, line: bytes) -> None:
        """One line from the server: `{"at_work": {job: step}}`, or a mere sign of life."""
        with contextlib.suppress(ValueError):
            told = json.loads(line)
            self._heard = self.clock()
            now = told.get("at_work") if isinstance(told, dict) else None
            if isinstance(now, dict) and now != self.at_work:
                self.at_work = {str(job): str(step) for job, step in now.items()}
                self.tell()

    async def look(self) -> None:
        """Watch the spool, as long as the board runs."""
        while not self.closed:
            with contextlib.suppress(Exception):  # a spool that cannot be read now may be in a moment
                version = await asyncio.to_thread(self.spool.version)
                if version != self._version:
                    self._version = version
                    self.tell()
            await asyncio.sleep(LOOK_S)

    def close(self) -> None:
        self.closed = True
        self.tell()

    async def stream(self) -> AsyncIterator[str]:
        """Server-sent events for one page: the newest state of things, whenever there is news."""
        event = asyncio.Event()
        event.set()
        self._waiting.add(event)
        self.streams += 1
        try:
            yield "retry: 2000\n\n"
            while not self.closed:
                try:
                    await asyncio.wait_for(event.wait(), BREATH_S)
                    event.clear()
                except TimeoutError:
                    yield ": still here\n\n"
                    continue
                news = {"news": str(self._version), "at_work": self.at_work}
                yield f"event: news\ndata: {json.dumps(news)}\n\n"
                await asyncio.sleep(GAP_S)
        finally:
            self.streams -= 1
            self._waiting.discard(event)


def follow(source: IO[bytes], heard: Callable[[bytes], None], ended: Callable[[], None]) -> None:
    """Read what the server tells until it has gone; for a thread."""
    try:
        while line := source.readline(LONGEST_LINE):
            heard(line)
    except (OSError, ValueError):
        pass
    ended()
