from __future__ import annotations

import sqlite3
from collections.abc import Callable
from pathlib import Path

import pytest
from fettlebox.errors import UsageError
from fettlebox.jobs.folders import Card
from fettlebox.jobs.spool import Spool, SpoolDamaged, showable
from fettlebox.jobs.states import State, StateError
from fettlebox.jobs.store import Store


def test_a_commit_is_on_the_disk_when_it_returns(store: Store) -> None:
    """SQLite's documentation of `synchronous`: FULL (2) is what makes WAL commits durable."""
    assert store.spool._db.execute("PRAGMA synchronous").fetchone()[0] == 2
    assert store.spool._db.execute("PRAGMA journal_mode").fetchone()[0] == "wal"


def test_a_change_names_the_state_it_expects(store: Store, accept: Callable[..., Card]) -> None:
    job = accept().job
    with pytest.raises(StateError, match="is queued; expected working"):
        store.spool.move(job, State.WORKING, State.DONE)
    store.spool.move(job, State.QUEUED, State.WORKING)
    with pytest.raises(StateError, match="cannot become"):
        store.spool.move(job, State.WORKING, State.SETTLING)
    row = store.spool.get(job)
    assert row is not None and row.state is State.WORKING


def test_an_unknown_job_is_an_error(store: Store) -> None:
    with pytest.raises(StateError, match="is unknown"):
        store.spool.move("nobody", State.QUEUED, State.WORKING)


def test_the_same_again_gets_a_running_number(store: Store, accept: Callable[..., Card]) -> None:
    for number in range(12):
        job = store.spool.next_id("0123456789ab")
        assert job == ("0123456789ab" if number == 0 else f"0123456789ab-{number + 1}")
        accept(job)


def test_a_transaction_is_all_or_nothing(store: Store, make_card: Callable[..., Card]) -> None:
    folder = store.shop.work / "x"
    with pytest.raises(RuntimeError), store.spool.transaction():
        store.enter(make_card("one"), State.QUEUED, folder)
        with store.spool.transaction():
            store.enter(make_card("two"), State.QUEUED, folder)
        raise RuntimeError
    assert store.spool.jobs() == []


def test_the_queue_is_served_in_the_order_of_arrival(store: Store, accept: Callable[..., Card]) -> None:
    jobs = [accept(f"{number:012x}").job for number in (5, 3, 9)]
    served = []
    while (row := store.spool.next_queued()) is not None:
        served.append(row.id)
        store.spool.move(row.id, State.QUEUED, State.WORKING)
    assert served == jobs
    assert store.spool.counts()[State.WORKING] == 3


@pytest.mark.parametrize("content", [b"no database at all" * 100, b"SQLite format 3\x00" + b"\xff" * 5000])
def test_a_damaged_file_is_recognised(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "spool.sqlite"
    path.write_bytes(content)
    with pytest.raises(SpoolDamaged):
        Spool(path)


def test_a_database_without_our_table_is_damaged(tmp_path: Path) -> None:
    path = tmp_path / "spool.sqlite"
    with sqlite3.connect(path) as db:
        db.execute("CREATE TABLE other (x)")
        db.execute("PRAGMA user_version = 1")
    db.close()
    with pytest.raises(SpoolDamaged):
        Spool(path)


def test_a_spool_of_a_newer_version_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "spool.sqlite"
    Spool(path).close()
    with sqlite3.connect(path) as db:
        db.execute("PRAGMA user_version = 99")
    db.close()
    before = path.read_bytes()
    with pytest.raises(UsageError, match="newer version"):
        Spool(path)
    assert path.read_bytes() == before


@pytest.mark.parametrize("name", ["\x1b[2J", "a\nb", "\udcff", "\u202egnp", "\x9b31m", "\x00"])
def test_what_is_shown_cannot_steer_a_terminal(name: str) -> None:
    shown = showable(f"x{name}y")
    assert shown.isprintable() and shown.encode("utf-8")


def test_a_prefix_finds_jobs_and_takes_no_wildcards(store: Store, accept: Callable[..., Card]) -> None:
    accept("aa00")
    accept("aa11")
    assert [row.id for row in store.spool.starting_with("aa0")] == ["aa00"]
    assert len(store.spool.starting_with("aa")) == 2
    assert store.spool.starting_with("%") == [] and store.spool.starting_with("____") == []
