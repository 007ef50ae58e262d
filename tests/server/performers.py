"""Small runners for the server's tests. Each is run in a child process, which imports this module by name."""

from __future__ import annotations

import ctypes
import os
import signal
import sys
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any


@dataclass(frozen=True)
class Result:
    job: str
    state: str
    reason: str | None = None


def succeed(task: Any) -> Result:
    """The part is the scan itself, so a test can see that the right bytes came through."""
    scan = task.folder / "original" / task.scan_name
    if scan.is_file():
        (task.folder / "part.bin").write_bytes(scan.read_bytes())
    return Result(task.job, "done")


def by_name(task: Any) -> Any:
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
        os.kill(os.getpid(), signal.SIGTERM)
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
    if verb == "full" and not os.path.lexists(task.folder.parent.parent / "was-full"):
        (task.folder.parent.parent / "was-full").touch()
        raise OSError(28, "No space left on device")
    if verb == "once":
        mark = task.folder.parent.parent / f"tried-{task.job}"
        if not mark.exists():
            mark.touch()
            os._exit(9)
    (task.folder / "half").unlink()
    return succeed(task)


def hang_deaf() -> None:
    """Hang in native code that no Python signal handler interrupts."""
    ctypes.PyDLL(None).sleep(3600)


class Bomb:
    """Pickles well, and raises when it is read back."""

    def __reduce__(self) -> Any:
        return _explode, ()


def _explode() -> None:
    raise ValueError("cannot be read back")


def slow(task: Any) -> Result:
    """Writes its part in pieces over about 60 ms, so that a kill may fall between them."""
    for number in range(6):
        with (task.folder / "part.bin").open("ab") as part:
            part.write(bytes([number]) * 100)
        time.sleep(0.01)
    return succeed(task)


def tell_environment(task: Any) -> Result:
    """Writes down who ran it: process id, parent, and how many jobs this process has run."""
    global _jobs
    _jobs += 1
    (task.folder / "who.txt").write_text(f"{os.getpid()} {os.getppid()} {_jobs}")
    return Result(task.job, "done")


_jobs = 0
HERE = Path(__file__).parent
