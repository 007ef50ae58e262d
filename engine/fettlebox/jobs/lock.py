"""One server a shop: a lock that the system takes away from whoever dies."""

from __future__ import annotations

import fcntl
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from ..errors import UsageError


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
        os.ftruncate(handle, 0)
        os.write(handle, f"{os.getpid()}\n".encode())
        yield
    finally:
        os.close(handle)
