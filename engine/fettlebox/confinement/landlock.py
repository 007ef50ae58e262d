"""Landlock: the Linux kernel refuses this thread, and all that it starts, what is not allowed here.

Needs no privilege and cannot be taken back. The calls have no wrapper in the C library, so they are made by
number. Source: Documentation/userspace-api/landlock.rst of the Linux kernel, and <linux/landlock.h>.
"""

from __future__ import annotations

import ctypes
import os
import sys
from collections.abc import Iterable
from pathlib import Path

_CREATE, _ADD, _RESTRICT = 444, 445, 446  # the same numbers on every architecture
_VERSION_FLAG = 1
_PATH_BENEATH = 1
PR_SET_NO_NEW_PRIVS = 38

WRITE_FILE, REMOVE_DIR, REMOVE_FILE, MAKE_DIR, MAKE_REG = 1 << 1, 1 << 4, 1 << 5, 1 << 7, 1 << 8
MAKE_CHAR, MAKE_SOCK, MAKE_FIFO, MAKE_BLOCK, MAKE_SYM = 1 << 6, 1 << 9, 1 << 10, 1 << 11, 1 << 12
REFER, TRUNCATE, IOCTL_DEVICE = 1 << 13, 1 << 14, 1 << 15
BIND_TCP, CONNECT_TCP = 1 << 0, 1 << 1
ABSTRACT_SOCKETS, SIGNALS = 1 << 0, 1 << 1

_CHANGES = (
    WRITE_FILE | REMOVE_DIR | REMOVE_FILE | MAKE_DIR | MAKE_REG
    | MAKE_CHAR | MAKE_SOCK | MAKE_FIFO | MAKE_BLOCK | MAKE_SYM
)  # fmt: skip
_IN_FOLDERS = WRITE_FILE | REMOVE_DIR | REMOVE_FILE | MAKE_DIR | MAKE_REG | REFER | TRUNCATE
_IN_FILES = WRITE_FILE | TRUNCATE


class _Ruleset(ctypes.Structure):
    _fields_ = [("fs", ctypes.c_uint64), ("net", ctypes.c_uint64), ("scoped", ctypes.c_uint64)]


class _Beneath(ctypes.Structure):
    _pack_ = 1
    _fields_ = [("allowed", ctypes.c_uint64), ("folder", ctypes.c_int32)]


def version() -> int:
    """The version of Landlock that this kernel speaks; 0 for none."""
    if sys.platform != "linux":
        return 0
    return max(0, _call(_CREATE, None, 0, _VERSION_FLAG))


def restrict(writable: Iterable[Path], *, alone: bool = False) -> bool:
    """From now on this thread may change files only below `writable`, and use no TCP. Reading stays free.

    alone  also take away signals to, and abstract sockets of, processes that are not ours
    Gives False if this kernel cannot, and changes nothing then. Raises OSError if it could and failed.
    """
    speaks = version()
    if not speaks:
        return False
    # Handing a right over that the kernel does not know is an error, so each is asked for by version.
    changes = _CHANGES | (REFER if speaks >= 2 else 0) | (TRUNCATE if speaks >= 3 else 0)
    changes |= IOCTL_DEVICE if speaks >= 5 else 0
    network = BIND_TCP | CONNECT_TCP if speaks >= 4 else 0
    scoped = ABSTRACT_SOCKETS | SIGNALS if speaks >= 6 and alone else 0
    rules = _Ruleset(changes, network, scoped)
    size = 24 if speaks >= 6 else 16 if speaks >= 4 else 8
    handle = _checked(_call(_CREATE, ctypes.byref(rules), size, 0))
    try:
        for path in writable:
            _allow(handle, path, changes)
        libc = ctypes.CDLL(None, use_errno=True)
        _checked(libc.prctl(PR_SET_NO_NEW_PRIVS, 1, 0, 0, 0))
        _checked(_call(_RESTRICT, handle, 0))
    finally:
        os.close(handle)
    return True


def _allow(handle: int, path: Path, handled: int) -> None:
    opened = os.open(path, os.O_PATH | os.O_CLOEXEC)
    try:
        rights = (_IN_FOLDERS if path.is_dir() else _IN_FILES) & handled
        rule = _Beneath(rights, opened)
        _checked(_call(_ADD, handle, _PATH_BENEATH, ctypes.byref(rule), 0))
    finally:
        os.close(opened)


def _call(number: int, *args: object) -> int:
    call = ctypes.CDLL(None, use_errno=True).syscall
    call.restype = ctypes.c_long
    return int(call(ctypes.c_long(number), *args))


def _checked(result: int) -> int:
    if result < 0:
        number = ctypes.get_errno()
        raise OSError(number, f"Landlock: {os.strerror(number)}")
    return result
