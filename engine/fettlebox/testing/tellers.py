"""The plugin contract for who is told: job observers and notifiers.

for check in teller_contract(stack_light):
    check()

They are told made-up events, so they do what they do: in a test, what they write to or send by is replaced.
"""

from __future__ import annotations

import copy
import inspect
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, get_args

from ..api import Notifier
from ..hooks import JobObserver
from ..traveler.ledger import EventName
from .check import Check, NothingShownError, checks_for
from .watching import ContractError, restored_world, silence, unchanged_world

JOB = "0123456789abcdef"
OBSERVED: tuple[Mapping[str, Any], ...] = (
    {"event": "claimed", "job": JOB},
    {"event": "started", "job": JOB, "attempt": 1},
    {"event": "step", "job": JOB, "step": "repair"},
    {"event": "again", "job": JOB, "attempt": 1},
    {"event": "done", "job": JOB, "seconds": 12.5},
    {"event": "held", "job": JOB, "seconds": 12.5},
    {"event": "rejected", "job": JOB, "seconds": 12.5},
)
TOLD: tuple[EventName, ...] = get_args(EventName)
LATER = "an event of a later Fettlebox"


def _cloud_event(number: int, event: str) -> dict[str, Any]:
    """As the board tells notifiers: CloudEvents 1.0.2, JSON event format."""
    return {
        "specversion": "1.0", "id": str(number), "source": "/shops/0123456789abcdef",
        "type": f"fettlebox.job.{event}", "subject": JOB, "time": "2026-01-02T03:04:05Z",
        "datacontenttype": "application/json",
        "data": {"job": JOB, "event": event, "state": event, "by": None, "order": None, "recipe": "plain"},
    }  # fmt: skip


@dataclass(frozen=True)
class TellerTrial:
    """An observer or notifier. `tell`: it is told events, and may send or switch something."""

    hook: JobObserver | Notifier
    tell: bool

    @property
    def function(self) -> Any:
        return self.hook.see if isinstance(self.hook, JobObserver) else self.hook.tell

    def events(self) -> list[Mapping[str, Any]]:
        if isinstance(self.hook, JobObserver):
            return list(OBSERVED)
        return [_cloud_event(number, event) for number, event in enumerate(TOLD, start=1)]

    def told(self, event: Mapping[str, Any]) -> None:
        """Tell it of an event. Raises ContractError if it fails."""
        if not self.tell:
            raise NothingShownError(
                "not told anything, since it may send or switch something; --tell does, or teller_contract "
                "in a test where what it sends by is replaced"
            )
        name = event.get("event") or event["data"]["event"]
        with restored_world():
            try:
                self.function(event)
            except (Exception, SystemExit) as error:
                raise ContractError(
                    f"told of {name!r}, it fails with {type(error).__name__}: {error}"
                ) from error


def teller_contract(hook: JobObserver | Notifier, *, tell: bool = True) -> list[Check]:
    """The checks of an observer or a notifier. Unless `tell`, it is looked at only."""
    trial = TellerTrial(hook, tell)
    return checks_for(trial, CHECKS, trial.function)


def it_can_be_called_with_an_event(trial: TellerTrial) -> None:
    """With one, and nothing else."""
    try:
        inspect.signature(trial.function).bind({})
    except TypeError as error:
        raise ContractError(f"it cannot be called with one event: {error}") from None


def it_takes_every_event(trial: TellerTrial) -> None:
    """Every kind that there is, each twice as a retry may, and the event is as it was."""
    for event in trial.events():
        given = copy.deepcopy(dict(event))
        for _ in range(2):
            trial.told(given)
        if given != event:
            raise ContractError(f"it changes the event that it is given, which others are told too: {event}")


def it_passes_over_what_it_does_not_know(trial: TellerTrial) -> None:
    """Kinds and fields that come later, and orders and steps that are not known."""
    for event in trial.events()[:1]:
        later: dict[str, Any] = {**copy.deepcopy(dict(event)), "later": LATER}
        later.get("data", later)["event"] = "later"
        trial.told(later)


def it_leaves_the_process_as_it_was(trial: TellerTrial) -> None:
    """Others are told in the same process: nothing is printed or changed for all of it."""
    for event in trial.events()[:1]:
        trial.told(event)  # a library that is imported for the first time may do as it likes
    for event in trial.events():
        try:
            with restored_world(), unchanged_world(), silence():
                trial.function(copy.deepcopy(dict(event)))
        except ContractError:
            raise
        except (Exception, SystemExit) as error:
            raise ContractError(f"it fails with {type(error).__name__}: {error}") from error


CHECKS = (
    it_can_be_called_with_an_event,
    it_takes_every_event,
    it_passes_over_what_it_does_not_know,
    it_leaves_the_process_as_it_was,
)
