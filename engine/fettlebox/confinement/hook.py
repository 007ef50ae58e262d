"""The part of the confinement that any system has: Python itself asks before it opens, connects or starts.

An audit hook (PEP 578) cannot be taken away again, and it speaks: who meets it gets a sentence that says what
was tried. It sees what Python code does, not what native code does by itself; that is what the kernel is for.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from ..errors import StepError

_WRITING = os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC | os.O_APPEND
# Event → its arguments that are paths to be changed, each with the argument of the folder it counts from.
_CHANGING = {
    "os.remove": ((0, 1),), "os.rmdir": ((0, 1),), "os.mkdir": ((0, 2),), "os.symlink": ((1, 2),),
    "os.rename": ((0, 2), (1, 3)), "os.link": ((0, 2), (1, 3)), "os.truncate": ((0, None),),
    "os.chmod": ((0, 2),), "os.chown": ((0, 3),), "os.utime": ((0, 3),), "os.chflags": ((0, None),),
    "os.setxattr": ((0, None),), "os.removexattr": ((0, None),),
}  # fmt: skip
_AT_THE_NAME = frozenset({"os.remove", "os.rmdir", "os.mkdir", "os.symlink", "os.rename", "os.link"})
_NETWORK = frozenset(
    {"socket.connect", "socket.bind", "socket.sendto", "socket.sendmsg", "socket.getaddrinfo",
     "socket.gethostbyname", "socket.gethostbyaddr", "socket.getnameinfo"}
)  # fmt: skip
_PROGRAMS = frozenset({"subprocess.Popen", "os.system", "os.exec", "os.posix_spawn", "os.fork", "os.forkpty"})


class OutsideError(StepError, PermissionError):
    """Something tried what a job may not: to leave its folder, to use the network, to start a program."""


class Bounds:
    """What the hook allows; changed for each job, and by nobody else."""

    def __init__(self, always: Iterable[Path], barred: Iterable[Path], programs: bool) -> None:
        """`barred`: folders, such as the shop's, of which a job may read no more than it may write to, and
        what is `readable`.
        """
        self.always = tuple(map(_target, always))
        self.barred = tuple(map(_target, barred))
        self.programs = programs
        self.job: str | None = None
        self.original: str | None = None
        self.kept: str | None = None
        self.readable: tuple[str, ...] = ()

    def may_write(self, path: str) -> bool:
        if self.original is not None and _is_below(path, self.original):
            return False
        return any(_is_below(path, place) for place in self._places())

    def may_read(self, path: str) -> bool:
        """All but the rest of the shop: other customers' scans are nothing to a job."""
        if not any(_is_below(path, place) for place in self.barred):
            return True
        return any(_is_below(path, place) for place in (*self._places(), *self.readable))

    def _places(self) -> tuple[str, ...]:
        return (*self.always, *(place for place in (self.job, self.kept) if place is not None))


def install(bounds: Bounds) -> None:
    """Bound this process for good."""

    def hook(event: str, args: tuple[Any, ...]) -> None:
        if event == "open":
            path, _, flags = args
            if not isinstance(path, int):
                _check(bounds, _target(path), writing=bool((flags or 0) & _WRITING))
        elif event in _CHANGING:
            for at, folder_at in _CHANGING[event]:
                folder = -1 if folder_at is None else args[folder_at]
                path = None if isinstance(args[at], int) else _joined(folder, args[at])
                if path is not None:
                    _check(bounds, _name(path) if event in _AT_THE_NAME else _target(path), writing=True)
        elif event in _NETWORK:
            raise OutsideError("a plugin tried to use the network; a job has none. Use another plugin")
        elif event in _PROGRAMS and not bounds.programs:
            raise OutsideError("a plugin tried to start a program; a job may not on this system")

    sys.addaudithook(hook)


def _check(bounds: Bounds, path: str, *, writing: bool) -> None:
    if path == os.devnull or (bounds.may_write(path) if writing else bounds.may_read(path)):
        return
    if writing:
        raise OutsideError(
            f"a plugin tried to write to {path!r}; a step may write only to its scratch folder. "
            "Use another plugin, or have this one mended"
        )
    raise OutsideError(f"a plugin tried to read {path!r}, which belongs to the shop and not to this job")


def _joined(folder: Any, path: Any) -> str | None:
    """The path from where it counts; None where the system does not tell, and only the kernel can judge."""
    text = os.fsdecode(path)
    if folder in (-1, None) or text.startswith(os.sep):
        return text
    try:
        return str(Path(f"/proc/self/fd/{folder}").readlink() / text)
    except OSError:
        return None


def _target(path: Any) -> str:
    """What a path leads to, all links followed."""
    return os.path.realpath(os.fsdecode(path))


def _name(path: str) -> str:
    """The place of a name, whatever it leads to."""
    folder, name = os.path.split(path.rstrip(os.sep))
    return f"{os.path.realpath(folder).rstrip(os.sep)}{os.sep}{name}"


def _is_below(path: str, place: str) -> bool:
    return path == place or path.startswith(place + os.sep)
