"""Orders and answers between head and workers. An order is a pickle, since who sends it may run code there
anyway; an answer is JSON and a bundle, so that nothing a job made is ever unpickled by the head.
"""

from __future__ import annotations

import hashlib
import json
import pickle
from collections.abc import Callable
from dataclasses import asdict, dataclass, fields
from typing import Any

from ..pool import Limits
from .bundle import TornError


@dataclass(frozen=True)
class Order:
    """A job to be done. `task` is the runner's; its folders are the head's and are replaced."""

    perform: Callable[..., Any]
    task: Any
    limits: Limits

    def to_bytes(self) -> bytes:
        return pickle.dumps(self)


@dataclass(frozen=True)
class Reply:
    """How an attempt on a worker ended.

    kind     `answered` or `failed` as in `pool.Answer`; `refused`: this worker cannot do it, another may
    passing  the refusal is over soon, such as that of a full disk
    """

    kind: str
    sentence: str = ""
    seconds: float = 0.0
    step: str = ""
    state: str = ""
    reason: str | None = None
    host: str = ""
    address: str = ""
    passing: bool = False

    def to_bytes(self, bundle: bytes = b"") -> bytes:
        head = {**asdict(self), "size": len(bundle), "sha256": hashlib.sha256(bundle).hexdigest()}
        return json.dumps(head).encode("ascii") + b"\n" + bundle


KINDS = ("answered", "failed", "refused")


def read_reply(data: Any) -> tuple[Reply, bytes]:
    """A reply and its bundle. Raises TornError for anything but a whole one."""
    if not isinstance(data, bytes):
        raise TornError(f"a worker answered with {type(data).__name__}, not with bytes")
    line, _, bundle = data.partition(b"\n")
    try:
        head = json.loads(line)
        size, digest = head.pop("size"), head.pop("sha256")
        reply = Reply(**head)
    except (ValueError, TypeError, KeyError, AttributeError) as error:
        raise TornError("the answer cannot be read") from error
    if len(bundle) != size or hashlib.sha256(bundle).hexdigest() != digest:
        raise TornError(f"the answer is torn: {len(bundle)} bytes came of {size}, or others than were sent")
    if reply.kind not in KINDS or any(
        not isinstance(getattr(reply, one.name), _TYPES[one.name]) for one in fields(Reply)
    ):
        raise TornError("the answer makes no sense")
    return reply, bundle


_TYPES: dict[str, Any] = {
    "kind": str, "sentence": str, "seconds": (int, float), "step": str, "state": str,
    "reason": (str, type(None)), "host": str, "address": str, "passing": bool,
}  # fmt: skip
