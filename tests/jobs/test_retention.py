"""What is kept as long as the shop wants is deleted then, and the ledger says so. Time is an argument."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from fettlebox.errors import UsageError
from fettlebox.jobs import faults, retention
from fettlebox.jobs.audit import audit_shop
from fettlebox.jobs.desk import discard, release
from fettlebox.jobs.recovery import recover
from fettlebox.jobs.retention import Sweeper
from fettlebox.jobs.states import State
from fettlebox.jobs.store import Begun, Store
from fettlebox.traveler.ledger import Ledger

DAY_S = 86_400.0
NOW = datetime.now(UTC)


def days(count: float) -> datetime:
    return NOW + timedelta(days=count)


class PowerCut(BaseException):
    """Nothing of the program runs after it."""


def test_what_is_older_than_the_shop_keeps_is_deleted_and_its_digests_stay(
    store: Store, finish: Callable[..., Path]
) -> None:
    folders = [
        finish(f"{number}" * 12, state)
        for number, state in enumerate((State.DONE, State.HELD, State.REJECTED))
    ]
    scan = hashlib.sha256((folders[0] / "original" / "bust.stl").read_bytes()).hexdigest()
    sweeper = Sweeper(store)
    assert sweeper.sweep(30 * DAY_S, days(29.9), 0.0).jobs == () and all(map(Path.is_dir, folders))
    swept = sweeper.sweep(30 * DAY_S, days(30.1), 0.2 * DAY_S)
    assert swept.jobs == ("0" * 12, "1" * 12, "2" * 12) and not swept.more
    assert not any(map(Path.exists, folders)) and not list(store.shop.trash.iterdir())
    entries = list(Ledger(store.shop.root).entries())[3:]
    assert [(e.event, e.state, e.folder) for e in entries] == [
        ("expired", "done", None), ("expired", "held", None), ("expired", "rejected", None),
    ]  # fmt: skip
    assert entries[0].files["original/bust.stl"] == scan
    audit = audit_shop(store.shop.root)
    assert audit.clean and (audit.jobs, audit.discarded) == (0, 3)
    assert [row.discarded is not None for row in store.spool.jobs()] == [True] * 3
    assert recover(store, 2) == [] and sweeper.sweep(30 * DAY_S, days(60), 30 * DAY_S).jobs == ()
    with pytest.raises(UsageError, match="were deleted at"):
        release(store.shop.root, "1" * 12)


def test_without_a_time_everything_is_kept(store: Store, finish: Callable[..., Path]) -> None:
    folder = finish()
    assert Sweeper(store).sweep(None, days(40_000), 0.0).jobs == () and folder.is_dir()


def test_what_is_queued_or_at_work_is_never_too_old(store: Store, begin: Callable[..., Begun]) -> None:
    begun = begin()
    assert Sweeper(store).sweep(DAY_S, days(4000), 0.0).jobs == () and begun.folder.is_dir()


def test_a_round_is_bounded_and_the_oldest_go_first(
    store: Store, finish: Callable[..., Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(retention, "MOST_AT_ONCE", 2)
    for number in range(5):
        finish(f"{number}" * 12)
    sweeper = Sweeper(store)
    rounds = [sweeper.sweep(DAY_S, days(2), 0.0) for _ in range(3)]
    assert [len(swept.jobs) for swept in rounds] == [2, 2, 1]
    assert [swept.more for swept in rounds] == [True, True, False]
    assert rounds[0].jobs[0] == "0" * 12


@pytest.mark.parametrize("leap_days", [1, 3650])
def test_a_clock_that_leaps_deletes_nothing(
    store: Store, finish: Callable[..., Path], leap_days: int
) -> None:
    folder = finish()
    sweeper = Sweeper(store)
    sweeper.sweep(DAY_S / 2, NOW, 100.0)
    assert sweeper.sweep(DAY_S / 2, days(leap_days), 160.0).leap and folder.is_dir()
    assert sweeper.sweep(DAY_S / 2, NOW, 220.0).jobs == (), "put right again, nothing was lost"
    assert sweeper.sweep(DAY_S / 2, days(-5), 280.0).jobs == () and folder.is_dir()


@pytest.mark.parametrize("point", ["trashed", "entered", "forgotten"])
@pytest.mark.parametrize("how", ["sweep", "discard"])
def test_a_deletion_that_is_cut_off_is_completed_and_entered_once(
    store: Store, finish: Callable[..., Path], monkeypatch: pytest.MonkeyPatch, point: str, how: str
) -> None:
    folder = finish()
    with monkeypatch.context() as patch, pytest.raises(PowerCut):

        def cut(reached: str) -> None:
            if reached == point:
                raise PowerCut

        patch.setattr(faults, "hook", cut)
        if how == "sweep":
            Sweeper(store).sweep(DAY_S, days(2), 0.0)
        else:
            discard(store.shop.root, "0123")
    assert not folder.exists() and len(list(store.shop.trash.iterdir())) == 1
    for _ in range(2):
        recover(store, 2)
        events = [entry.event for entry in Ledger(store.shop.root).entries()]
        assert events == ["done", "expired" if how == "sweep" else "discarded"]
        (row,) = store.spool.jobs()
        assert row.discarded and not list(store.shop.trash.iterdir()) and audit_shop(store.shop.root).clean


def test_a_spool_that_was_cut_off_last_of_all_is_told_by_the_ledger(
    store: Store, finish: Callable[..., Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The trash is empty and the ledger has the entry; only the spool's commit did not reach the disk."""
    finish()
    with monkeypatch.context() as patch:
        patch.setattr(type(store.spool), "mark_discarded", lambda *args: None)
        discard(store.shop.root, "0123")
    (row,) = store.spool.jobs()
    assert row.discarded is None
    recover(store, 2)
    (row,) = store.spool.jobs()
    assert row.discarded and audit_shop(store.shop.root).clean
