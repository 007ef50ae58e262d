"""The contract of who is told: the pages' examples pass, each faulty one fails for its own reason."""

from __future__ import annotations

import os
from collections.abc import Callable
from typing import Any

import pytest
from fettlebox.api import Notifier
from fettlebox.hooks import JobObserver
from fettlebox.made_for import CONTRACT
from fettlebox.testing import teller_contract

FETTLEBOX_CONTRACT = CONTRACT
CALLED, TAKES = "it can be called with an event", "it takes every event"
LATER, ITSELF = "it passes over what it does not know", "it leaves the process as it was"


def kind_of(event: Any) -> str:
    return str(event.get("event") or event["data"]["event"])


def quiet(event: Any) -> None:
    kind_of(event)


def knows_all(event: Any) -> None:
    {"claimed": 1, "started": 1, "step": 1, "again": 1, "done": 1, "held": 1, "rejected": 1, "released": 1,
     "retried": 1, "discarded": 1, "expired": 1}[kind_of(event)]  # fmt: skip


def knows_few(event: Any) -> None:
    {"done": 1}[kind_of(event)]


def marks(event: Any) -> None:
    event["seen"] = True


def chats(event: Any) -> None:
    print("told")


def leaves(event: Any) -> None:
    raise SystemExit(1)


def wanders() -> Callable[[Any], None]:
    def tell(event: Any) -> None:
        os.environ["FETTLE_TEST"] = "told"

    return tell


@pytest.mark.parametrize("kind", [JobObserver, Notifier])
@pytest.mark.parametrize(
    ("function", "broken"),
    [
        (quiet, {}),
        (lambda event, more: None, {CALLED: "missing a required argument: 'more'"}),
        (knows_all, {LATER: "told of 'later', it fails with KeyError"}),
        (knows_few, {TAKES: "it fails with KeyError"}),
        (marks, {TAKES: "changes the event"}),
        (leaves, {TAKES: "it fails with SystemExit: 1"}),
        (chats, {ITSELF: "it prints 'told'"}),
        (wanders(), {ITSELF: "changes the environment"}),
    ],
)
def test_each_faulty_one_fails_for_its_own_reason(kind: Any, function: Any, broken: dict[str, str]) -> None:
    found = {check.name: check.fault() for check in teller_contract(kind("lamp", function))}
    for name, said in broken.items():
        assert said in (found[name] or ""), found
    if not broken:
        assert set(found.values()) == {None}


def test_nobody_is_told_who_shall_only_be_looked_at() -> None:
    heard: list[object] = []
    checks = teller_contract(JobObserver("lamp", heard.append), tell=False)
    assert [check.outcome().shown for check in checks] == [True, True, False, False, False]
    assert heard == []
