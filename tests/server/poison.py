"""A preload of Dask workers whose memory is bad: the first answer to each job is damaged on its way."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from fettlebox.cluster import worker

honest = worker.work


def work(terms: Any, order: bytes, *rest: Any) -> Any:
    answer = honest(terms, order, *rest)
    verb = next(verb for verb in (b"flip", b"cut", b"nothing", b"good") if verb in order)
    mark = Path(__file__).parent / f"poisoned-{verb.decode()}"
    if verb == b"good" or mark.exists():
        return answer
    mark.touch()
    if verb == b"nothing":
        return {"not": "bytes"}
    return answer[:-1] if verb == b"cut" else answer[:-9] + bytes([answer[-9] ^ 1]) + answer[-8:]


worker.work = work
