"""The connection to a Dask scheduler. Here alone the head calls Dask."""

from __future__ import annotations

import contextlib
import logging
import secrets
from collections.abc import Callable, Mapping
from typing import Any, Literal

from .roster import Seen, seen_in
from .terms import difference, terms_here
from .worker import tell_terms, work

CONNECT_S = 10.0
ASK_S = 30.0

Outcome = tuple[Literal["finished", "killed", "error", "lost"], Any]


class LinkError(Exception):
    """The scheduler cannot be used; the text says why."""


class Link:
    """One connection; it is not mended when it breaks, but made anew."""

    def __init__(self, address: str, on_event: Callable[[Mapping[str, Any]], None]) -> None:
        """`on_event` is told of steps from a thread of Dask's. Raises LinkError."""
        from distributed import Client

        logging.getLogger("distributed").setLevel(logging.CRITICAL)  # what matters we say ourselves
        self.topic = f"fettlebox-{secrets.token_hex(8)}"
        try:
            connect: Any = Client
            self._client = connect(
                address, timeout=CONNECT_S, set_as_default=False, name="fettlebox", direct_to_workers=False
            )
        except Exception as error:  # addresses, certificates, time: Dask has many words for "no"
            raise LinkError(f"no scheduler answers at {address}: {_said(error)}") from error
        try:
            self._require_alike(address)
            self._client.subscribe_topic(self.topic, lambda event: on_event(event[1]))
        except BaseException:
            self.close()
            raise

    def _require_alike(self, address: str) -> None:
        """The scheduler unpickles what is sent through it, so it needs Fettlebox too."""
        try:
            theirs = self._client.run_on_scheduler(tell_terms)
        except Exception as error:
            raise LinkError(
                f"the scheduler at {address} cannot be used: it needs the same Fettlebox as the server "
                f"({_said(error)})"
            ) from error
        ours, name = terms_here(), "fettlebox"
        if theirs.get(name) != ours[name]:
            raise LinkError(f"the scheduler at {address} cannot be used: {difference(ours, theirs)}")

    def is_alive(self) -> bool:
        return bool(self._client.status == "running")

    def workers(self) -> dict[str, Seen]:
        """Who is there. Raises OSError when the connection is broken."""
        return seen_in(self._client.scheduler_info(n_workers=-1))

    def terms_of(self, address: str) -> Mapping[str, str]:
        """What a worker has installed, and its processor. Raises LinkError if it cannot tell."""
        try:
            told = self._client.run(tell_terms, workers=[address])
            return dict(told[address])
        except Exception as error:
            raise LinkError(f"it cannot tell what it has installed ({_said(error)})") from error

    def send(
        self,
        key: str,
        terms: Mapping[str, str],
        order: bytes,
        scan: bytes,
        shared: tuple[str, str] | None,
        on_hosts: Mapping[str, int],
        resources: Mapping[str, float],
        workers: list[str] | None,
        on_end: Callable[[Any], object],
    ) -> Any:
        """Have a job done; `on_end` is called with the future, from a thread of Dask's."""
        import dask

        # The scan goes with the task, not beside it: so the scheduler can give it to another worker when
        # one is lost, without asking anybody. Dask warns of tasks so large, and need not.
        with dask.config.set({"distributed.admin.large-graph-warning-threshold": "100 GB"}):
            future = self._client.submit(
                work, dict(terms), order, scan, shared, dict(on_hosts), self.topic,
                key=key, pure=False, resources=dict(resources) or None, workers=workers,
                allow_other_workers=False,
            )  # fmt: skip
        future.add_done_callback(on_end)
        return future

    @staticmethod
    def outcome(future: Any) -> Outcome:
        """How a future ended."""
        from distributed import KilledWorker

        try:
            if future.status == "finished":
                return "finished", future.result()
            if future.status == "error":
                error = future.exception()
                return ("killed" if isinstance(error, KilledWorker) else "error"), _said(error)
        except Exception as error:
            return "lost", _said(error)
        return "lost", str(future.status)

    def forget(self, future: Any) -> None:
        """Call a job back: what nobody refers to, the scheduler forgets. Waits for nothing."""
        with contextlib.suppress(Exception):
            future.release()

    def close(self) -> None:
        with contextlib.suppress(Exception):
            self._client.close(timeout=2)


def _said(error: BaseException) -> str:
    text = " ".join(str(error).split())
    return f"{type(error).__name__}: {text}"[:500]
