"""What can become of a job, and the only ways from one state to the next."""

from __future__ import annotations

from enum import StrEnum

from ..errors import FettleboxError


class State(StrEnum):
    """Where a job stands. The folder that a scan lies in is the truth; a state is its name."""

    SETTLING = "settling"
    """In the inbox and perhaps still being written. It has no digest yet, so no row either."""

    QUEUED = "queued"
    """Claimed: in the work folder, waiting for a worker."""

    WORKING = "working"
    """In the work folder, and a worker has it."""

    DONE = "done"
    """Complete in the outbox, or taken from there by whoever ordered it."""

    HELD = "held"
    """Complete in `hold/`, where a person decides: release, retry, reject or discard."""

    REJECTED = "rejected"
    """In `rejects/`: the untouched original and a reason in words."""


FINISHED = frozenset({State.DONE, State.HELD, State.REJECTED})

ALLOWED: dict[State, frozenset[State]] = {
    State.SETTLING: frozenset({State.QUEUED, State.REJECTED, State.HELD}),
    State.QUEUED: frozenset({State.WORKING, State.HELD, State.REJECTED}),
    State.WORKING: frozenset({State.QUEUED, *FINISHED}),
    State.HELD: frozenset({State.QUEUED, State.DONE, State.REJECTED}),
    State.REJECTED: frozenset({State.QUEUED}),
    State.DONE: frozenset(),
}


class StateError(FettleboxError):
    """A job was not in the state that the change expects; nothing was changed."""

    exit_status = 2


def check_transition(expected: State, new: State) -> None:
    """Raise StateError unless a job may go from `expected` to `new`."""
    if new not in ALLOWED[expected]:
        raise StateError(f"a job that is {expected} cannot become {new}")
