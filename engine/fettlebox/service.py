"""Living under a service manager: signals become messages, and systemd is told how the server is.

The protocol of sd_notify(3): datagrams of `NAME=value` lines to the local socket that NOTIFY_SOCKET names.
"""

from __future__ import annotations

import contextlib
import os
import signal
import socket
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Literal

WATCHED = (signal.SIGTERM, signal.SIGINT, signal.SIGHUP)


MessageKind = Literal["answer", "hint", "signal", "word"]


@dataclass(frozen=True)
class Message:
    """What workers, the inbox and signals put into the server's queue; a word is what to tell."""

    kind: MessageKind
    value: Any = None


class Notifier:
    """Tells the service manager, if there is one. A manager that does not listen never stops the server."""

    def __init__(self, environment: Mapping[str, str] = os.environ) -> None:
        self._address = environment.get("NOTIFY_SOCKET", "")
        self.beat_every_s = _watchdog_s(environment) / 2
        self._next_beat = float("-inf")

    def ready(self, status: str) -> None:
        self._send("READY=1", f"STATUS={_one_line(status)}")

    def reloading(self) -> None:
        """Before the shop file is read again; `ready` says that it is done."""
        self._send("RELOADING=1", f"MONOTONIC_USEC={time.monotonic_ns() // 1000}")

    def stopping(self) -> None:
        self._send("STOPPING=1")

    def status(self, text: str) -> None:
        self._send(f"STATUS={_one_line(text)}")

    def beat(self, now: float) -> None:
        """The loop turns. Sent at most twice in the time after which the manager takes us for dead."""
        if self.beat_every_s and now >= self._next_beat:
            self._next_beat = now + self.beat_every_s
            self._send("WATCHDOG=1")

    def _send(self, *lines: str) -> None:
        if not self._address:
            return
        address = "\0" + self._address[1:] if self._address.startswith("@") else self._address
        with (
            contextlib.suppress(OSError),
            socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | getattr(socket, "SOCK_CLOEXEC", 0)) as manager,
        ):
            manager.sendto("\n".join(lines).encode(), address)


def _watchdog_s(environment: Mapping[str, str]) -> float:
    """Seconds of silence after which the manager restarts this very process; 0 for no such thing."""
    if environment.get("WATCHDOG_PID", str(os.getpid())) != str(os.getpid()):
        return 0.0
    try:
        return max(0.0, int(environment.get("WATCHDOG_USEC", "0")) / 1e6)
    except ValueError:
        return 0.0


def _one_line(text: str) -> str:
    return " ".join(text.split())


@contextlib.contextmanager
def signals(note: Callable[[int], None]) -> Iterator[None]:
    """While inside, the signals that concern a server are handed to `note`; only the main thread can."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = [signal.signal(number, lambda got, frame: note(got)) for number in WATCHED]
    try:
        yield
    finally:
        for number, handler in zip(WATCHED, before, strict=True):
            signal.signal(number, handler)
