"""One server a shop: a lock that the system takes away from whoever dies."""

from __future__ import annotations

import contextlib
import fcntl
import os
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from ..errors import UsageError

WORKERS_LOCK = "workers.lock"  # every child holds a share of it as long as it lives


@contextmanager
def shop_lock(path: Path) -> Iterator[None]:
    """Hold the lock file; it stays when the lock goes. Raises UsageError with the pid of who holds it."""
    handle = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
    try:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            pid = os.read(handle, 32).decode("ascii", "replace").strip() or "unknown"
            raise UsageError(f"this shop is already being served, by process {pid}") from None
        with contextlib.suppress(OSError):  # the lock holds even if the disk has no room for our name
            os.ftruncate(handle, 0)
            os.write(handle, f"{os.getpid()}\n".encode())
        yield
    finally:
        os.close(handle)


def wait_for_orphans(private: Path, patience_s: float = 5.0) -> bool:
    """True once no child of an earlier server is alive; False if one still is after `patience_s`."""
    handle = os.open(private / WORKERS_LOCK, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
    try:
        until = time.monotonic() + patience_s
        while True:
            try:
                fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
                return True
            except BlockingIOError:
                if time.monotonic() > until:
                    return False
                time.sleep(0.02)
    finally:
        os.close(handle)
