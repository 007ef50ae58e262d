"""The server's side of the board: starts its process, tells it what goes on, starts it again if it dies.

Nothing here can stop or slow down the server: the board is told things by a thread of its own, and a board
that does not listen is left alone.
"""

from __future__ import annotations

import contextlib
import json
import os
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager

from ..errors import UsageError
from ..jobs.folders import ShopFolders
from ..observing import ONE_BLAS_THREAD
from .cabinet import Cabinet
from .keys import add_link, tokens
from .settings import Settings

TELL_EVERY_S = 0.5
SHORTEST_PAUSE_S, LONGEST_PAUSE_S = 1.0, 60.0
LOG = "board.txt"

AtWork = Callable[[], Mapping[str, str]]


@contextmanager
def board_beside(settings: Settings, say: Callable[[str], None]) -> Iterator[Beside]:
    """A board for as long as the block runs. `say` gets the address and whatever a person should know.

    Raises UsageError if it may not listen there.
    """
    if not settings.local:
        _require_tokens(settings)
    _require_free(settings)
    beside = Beside(settings, say)
    beside.start()
    try:
        yield beside
    finally:
        beside.stop()


class Beside(threading.Thread):
    """Keeps one board running."""

    def __init__(self, settings: Settings, say: Callable[[str], None]) -> None:
        super().__init__(name="board-beside", daemon=True)
        self.settings, self.say = settings, say
        self.at_work: AtWork = dict
        self._ending = threading.Event()
        self._child: subprocess.Popen[bytes] | None = None

    def run(self) -> None:
        pause = SHORTEST_PAUSE_S
        self._say_where()
        while not self._ending.is_set():
            begun = time.monotonic()
            with contextlib.suppress(OSError, ValueError):
                self._serve()
            if self._ending.is_set():
                return
            log = self.settings.shop / ".fettlebox" / LOG
            self.say(f"the board has stopped and is started again; see {log}")
            pause = (
                SHORTEST_PAUSE_S
                if time.monotonic() - begun > LONGEST_PAUSE_S
                else min(2 * pause, LONGEST_PAUSE_S)
            )
            self._ending.wait(pause)

    def show(self, at_work: AtWork) -> None:
        """From now on tell the board what this says."""
        self.at_work = at_work

    def stop(self) -> None:
        """End the board; it is given a moment, then killed."""
        self._ending.set()
        self.join(2.0)
        child = self._child
        if child is not None and child.poll() is None:
            with contextlib.suppress(OSError):
                assert child.stdin is not None
                child.stdin.close()
            try:
                child.wait(5.0)
            except subprocess.TimeoutExpired:
                child.kill()
                child.wait()

    def _serve(self) -> None:
        """Start the child and tell it what goes on until one of us ends."""
        private = ShopFolders(self.settings.shop).private
        with (private / LOG).open("wb") as log:
            self._child = child = subprocess.Popen(
                [sys.executable, "-m", "fettlebox.board"],
                stdin=subprocess.PIPE, stdout=log, stderr=log, bufsize=0, start_new_session=True,
                env={**os.environ, **ONE_BLAS_THREAD},
            )  # fmt: skip
        assert child.stdin is not None
        with contextlib.suppress(OSError):
            child.stdin.write(json.dumps(self.settings.to_plain()).encode() + b"\n")
            while child.poll() is None and not self._ending.is_set():
                child.stdin.write(json.dumps({"at_work": dict(self.at_work())}).encode() + b"\n")
                child.stdin.flush()
                self._ending.wait(TELL_EVERY_S)
        if not self._ending.is_set():
            child.wait()

    def _say_where(self) -> None:
        cabinet = Cabinet(ShopFolders(self.settings.shop).private)
        try:
            code = add_link(cabinet, time.time())
        finally:
            cabinet.close()
        self.say(f"the board is at {self.settings.address}")
        self.say(f"to enter once, within 15 minutes: {self.settings.address}/enter?code={code}")
        if not self.settings.local and not self.settings.secure:
            self.say(
                "caution: tokens and faces go over the network unencrypted; put a reverse proxy with TLS "
                "before the board, or give it --board-cert and --board-key"
            )


def _require_tokens(settings: Settings) -> None:
    cabinet = Cabinet(ShopFolders(settings.shop).private)
    try:
        if not tokens(cabinet):
            raise UsageError(
                f"the board would be reached from other machines at {settings.host}, and nobody has a token "
                f"yet; make one first: fettlebox token add {settings.shop} NAME --may decide"
            )
    finally:
        cabinet.close()


def _require_free(settings: Settings) -> None:
    """Say at once that an address cannot be listened at, rather than over and over in a log."""
    family = socket.AF_INET6 if ":" in settings.host else socket.AF_INET
    with socket.socket(family) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((settings.host, settings.port))
        except OSError as error:
            raise UsageError(
                f"the board cannot be reached at {settings.host}:{settings.port}: {error.strerror}"
            ) from error
