"""Small runners for the server's tests. Each is run in a child process, which imports this module by name."""

from __future__ import annotations

import ctypes
import os
import signal
import socket
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any


@dataclass(frozen=True)
class Result:
    job: str
    state: str
    reason: str | None = None


def succeed(task: Any, progress: Any = None) -> Result:
    """The part is the scan itself, so a test can see that the right bytes came through."""
    scan = task.folder / "original" / task.scan_name
    if scan.is_file():
        (task.folder / "part.bin").write_bytes(scan.read_bytes())
    return Result(task.job, "done")


def count_threads(task: Any, progress: Any) -> Any:
    """How many threads this job may use at two steps; between them it waits for a file `go` in its folder."""
    import numba

    counts = []
    for step in ("one", "two"):
        progress(step, 0.0)
        counts.append(numba.get_num_threads())
        while step == "one" and not (task.folder / "go").exists():
            time.sleep(0.01)
    return counts


def by_name(task: Any, progress: Any = None) -> Any:
    """What to do is in the scan's name, up to the first '-', '.' or digit."""
    verb = task.scan_name.split(".")[0].split("-")[0]
    (task.folder / "half").write_text("something half done")
    if verb == "hold":
        return Result(task.job, "held", "somebody should look at this")
    if verb == "reject":
        return Result(task.job, "rejected", "this is no mesh")
    if verb == "raise":
        raise RuntimeError("a plugin's own mistake \x1b[31m")
    if verb == "exit":
        os._exit(7)
    if verb == "suicide":
        signal.pthread_kill(
            threading.get_ident(), signal.SIGTERM
        )  # to this thread, which is not the main one
        time.sleep(3600)
    if verb == "segfault":
        ctypes.string_at(0)
    if verb == "abort":
        os.abort()
    if verb == "hang":
        time.sleep(3600)
    if verb == "deaf":
        hang_deaf()
    if verb == "memory":
        return bytearray(3 << 30)
    if verb == "unpicklable":
        return lambda: None
    if verb == "unreadable":
        return Bomb()
    if verb == "nonsense":
        return "done"
    if verb == "settling":
        return Result(task.job, "settling")
    if verb == "exitexception":
        sys.exit(3)
    if verb == "noise":
        print("words on stdout")
        print("words on stderr", file=sys.stderr)
        os.write(1, b"bytes on 1\n")
    if verb == "full" and not (shop_of(task) / "room").exists():
        raise OSError(28, "No space left on device")
    if verb == "once" and not (shop_of(task) / "again").exists():
        os._exit(9)
    if verb in OUTSIDE:
        OUTSIDE[verb](task)
    (task.folder / "half").unlink()
    return succeed(task)


def shop_of(task: Any) -> Path:
    return Path(task.folder).parents[2]


def connect(task: Any) -> None:
    socket.create_connection(("127.0.0.1", 9), timeout=1)


def connect_by_hand(task: Any) -> None:
    """As native code does it: past Python, straight to the system."""
    libc = ctypes.CDLL(None, use_errno=True)
    refuse_unless(libc.socket(socket.AF_INET, socket.SOCK_DGRAM, 0) >= 0)


def write_by_hand(task: Any) -> None:
    libc = ctypes.CDLL(None, use_errno=True)
    libc.fopen.restype = ctypes.c_void_p
    refuse_unless(libc.fopen(os.fsencode(shop_of(task) / "inbox" / "planted"), b"w"))


def write_to_a_neighbour_by_hand(task: Any) -> None:
    libc = ctypes.CDLL(None, use_errno=True)
    libc.fopen.restype = ctypes.c_void_p
    refuse_unless(libc.fopen(os.fsencode(task.folder.parent / "neighbour" / "planted"), b"w"))


def refuse_unless(made: Any) -> None:
    if not made:
        raise OSError(ctypes.get_errno(), "the system said no")


def kill_the_server(task: Any) -> None:
    os.kill(os.getppid(), 0)


OUTSIDE: dict[str, Callable[[Any], object]] = {
    "connect": connect,
    "lookup": lambda task: socket.getaddrinfo("example.org", 80),
    "write": lambda task: (shop_of(task) / "inbox" / "planted").write_text("planted"),
    "home": lambda task: (Path.home() / ".fettlebox-planted").write_text("planted"),
    "original": lambda task: (task.folder / "original" / task.scan_name).write_text("altered"),
    "remove": lambda task: (shop_of(task) / "shop.yaml").unlink(),
    "move": lambda task: (task.folder / "half").rename(shop_of(task) / "inbox" / "planted"),
    "link": lambda task: (shop_of(task) / "inbox" / "planted").symlink_to("/etc"),
    "mode": lambda task: (shop_of(task) / "shop.yaml").chmod(0o777),
    "spy": lambda task: (shop_of(task) / "shop.yaml").read_text(),
    "native_write": write_by_hand,
    "native_neighbour": write_to_a_neighbour_by_hand,
    "native_connect": connect_by_hand,
    "signal": kill_the_server,
}


def hang_deaf() -> None:
    """Hang in native code that no Python signal handler interrupts."""
    ctypes.PyDLL(None).sleep(3600)


class Bomb:
    """Pickles well, and raises when it is read back."""

    def __reduce__(self) -> Any:
        return _explode, ()


def _explode() -> None:
    raise ValueError("cannot be read back")


def slow(task: Any, progress: Any = None) -> Result:
    """Writes its part in pieces over about 60 ms, so that a kill may fall between them."""
    for number in range(6):
        with (task.folder / "part.bin").open("ab") as part:
            part.write(bytes([number]) * 100)
        time.sleep(0.01)
    return succeed(task)


def slow_by_half_a_second(task: Any, progress: Any = None) -> Result:
    time.sleep(0.5)
    return succeed(task)


def hold_on(task: Any, progress: Any = None) -> Result:
    """At work for as long as there is no file of the name that the test has given."""
    go, until = Path(os.environ["FETTLEBOX_TEST_GO"]), time.monotonic() + 120
    while not go.exists() and time.monotonic() < until:
        time.sleep(0.05)
    return succeed(task)


def crash_in_a_step(task: Any, progress: Any = None) -> None:
    progress("units", 0.0)
    progress("repair", 0.0)
    ctypes.string_at(0)


def write_without_end(task: Any, progress: Any = None) -> None:
    with (task.folder / "endless").open("wb") as file:
        file.truncate(5 << 30)


def leave_temporary_files(task: Any, progress: Any = None) -> Result:
    handle, name = tempfile.mkstemp()
    os.close(handle)
    (task.folder / "where.txt").write_text(name)
    return Result(task.job, "done")


def tell_environment(task: Any, progress: Any = None) -> Result:
    """Writes down who ran it: process id, parent, and how many jobs this process has run."""
    global _jobs
    _jobs += 1
    (task.folder / "who.txt").write_text(f"{os.getpid()} {os.getppid()} {_jobs}")
    return Result(task.job, "done")


_jobs = 0
HERE = Path(__file__).parent
