"""A filter on system calls (seccomp): no thread of this process makes a socket any more, whoever asks.

Landlock knows TCP only; this also stops UDP, raw and local sockets, and the calls that would take a socket
or write the memory of another process. Source: seccomp(2), <linux/filter.h>, <linux/seccomp.h>.
"""

from __future__ import annotations

import ctypes
import errno
import os
import platform
import struct
import sys

from .landlock import PR_SET_NO_NEW_PRIVS

_SET_MODE_FILTER, _ALL_THREADS = 1, 1
_ALLOW, _FAIL_WITH = 0x7FFF0000, 0x00050000
_LOAD, _EQUAL, _AT_LEAST, _RETURN = 0x20, 0x15, 0x35, 0x06
_NUMBER_AT, _MACHINE_AT = 0, 4
_X32 = 0x40000000  # the second set of call numbers of x86-64

# Numbers from <asm/unistd.h>: seccomp itself, then what is refused: socket, io_uring_setup (which makes
# sockets too), ptrace, process_vm_readv, process_vm_writev, pidfd_getfd.
_MACHINES: dict[str, tuple[int, int, tuple[int, ...]]] = {
    "x86_64": (0xC000003E, 317, (41, 425, 101, 310, 311, 438)),
    "aarch64": (0xC00000B7, 277, (198, 425, 117, 270, 271, 438)),
}


class _Program(ctypes.Structure):
    _fields_ = [("length", ctypes.c_ushort), ("code", ctypes.c_char_p)]


def known() -> bool:
    """Whether there is a filter for this machine."""
    return sys.platform == "linux" and platform.machine() in _MACHINES and sys.maxsize > 1 << 32


def refuse_sockets() -> bool:
    """Put the filter in place for this process and all that it starts, for good.

    Gives False where there is none for this machine, or where the kernel was built without.
    """
    if not known():
        return False
    machine, seccomp, refused = _MACHINES[platform.machine()]
    code = _program(machine, refused)
    program = _Program(len(code) // 8, code)
    libc = ctypes.CDLL(None, use_errno=True)
    if libc.prctl(PR_SET_NO_NEW_PRIVS, 1, 0, 0, 0) != 0:
        return False
    libc.syscall.restype = ctypes.c_long
    answer = libc.syscall(ctypes.c_long(seccomp), _SET_MODE_FILTER, _ALL_THREADS, ctypes.byref(program))
    if answer == 0:
        return True
    number = ctypes.get_errno()
    if answer < 0 and number in (errno.ENOSYS, errno.EINVAL, errno.EACCES, errno.EPERM):
        return False
    raise OSError(number, f"seccomp: {os.strerror(number)}")


def _program(machine: int, refused: tuple[int, ...]) -> bytes:
    """Each line: what to do, how many lines to go on if so, and if not, with which number."""
    fail = len(refused) + 2  # lines from the test for x32 to the refusal
    lines = [
        (_LOAD, 0, 0, _MACHINE_AT),
        (_EQUAL, 0, fail + 1, machine),  # another machine's calls have other numbers: refuse them all
        (_LOAD, 0, 0, _NUMBER_AT),
        (_AT_LEAST, fail - 1, 0, _X32),
    ]
    lines += [(_EQUAL, len(refused) - place, 0, number) for place, number in enumerate(refused)]
    lines += [(_RETURN, 0, 0, _ALLOW), (_RETURN, 0, 0, _FAIL_WITH | errno.EACCES)]
    return b"".join(struct.pack("<HBBI", *line) for line in lines)
