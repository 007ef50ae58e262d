from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from fettlebox.errors import UsageError
from fettlebox.jobs import discard, list_jobs, release, retry
from fettlebox.jobs.folders import Card, read_card
from fettlebox.jobs.recovery import recover
from fettlebox.jobs.spool import Row
from fettlebox.jobs.states import State
from fettlebox.jobs.store import Begun, Store

JOB = "0123456789ab"


def row_of(store: Store) -> Row:
    row = store.spool.get(JOB)
    assert row is not None
    return row


def test_release_hands_a_held_job_over_as_it_is(store: Store, finish: Callable[..., Path]) -> None:
    folder = finish(state=State.HELD)
    sentence = release(store.shop.root, JOB[:4])
    assert not folder.exists() and JOB in sentence
    row = row_of(store)
    assert row.state is State.DONE and row.folder.startswith("outbox/")
    assert (store.shop.root / row.folder / "part.bin").read_text() == "a part"


@pytest.mark.parametrize("state", [State.HELD, State.REJECTED])
def test_retry_starts_again_from_the_original(
    store: Store, finish: Callable[..., Path], state: State
) -> None:
    finish(state=state)
    retry(store.shop.root, JOB)
    row = row_of(store)
    assert (row.state, row.attempts, row.reason) == (State.QUEUED, 0, None)
    folder = store.shop.work / JOB
    assert sorted(path.name for path in folder.iterdir()) == ["job.json", "original"]
    card = read_card(folder)
    assert card is not None and card.recipe_text is None and not card.sealed
    assert recover(store, 2) == [], "a retried job needs no mending"


@pytest.mark.parametrize("state", [State.DONE, State.HELD, State.REJECTED])
def test_discard_deletes_the_files_and_keeps_the_row(
    store: Store, finish: Callable[..., Path], state: State
) -> None:
    folder = finish(state=state)
    discard(store.shop.root, JOB)
    row = row_of(store)
    assert not folder.exists() and not list(store.shop.trash.iterdir())
    assert row.state is state and row.discarded and row.digest == "d" * 64
    with pytest.raises(UsageError, match="were deleted"):
        discard(store.shop.root, JOB)


def test_a_discard_that_was_cut_off_is_completed(store: Store, finish: Callable[..., Path]) -> None:
    folder = finish(state=State.HELD)
    folder.rename(store.shop.trash / JOB)
    recover(store, 2)
    assert row_of(store).discarded and not list(store.shop.trash.iterdir())


@pytest.mark.parametrize("cut_off_before_the_move", [True, False])
def test_a_release_that_was_cut_off_is_undone_or_completed(
    store: Store, finish: Callable[..., Path], cut_off_before_the_move: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    finish(state=State.HELD)
    with monkeypatch.context() as patch, pytest.raises(KeyboardInterrupt):
        if cut_off_before_the_move:
            patch.setattr("fettlebox.jobs.desk.deliver", _cut_off)
        else:
            patch.setattr("fettlebox.jobs.spool.Spool.move", _cut_off)
        release(store.shop.root, JOB)
    recover(store, 2)
    row = row_of(store)
    assert row.state is (State.HELD if cut_off_before_the_move else State.DONE)
    assert (store.shop.root / row.folder / "part.bin").exists()
    if cut_off_before_the_move:
        release(store.shop.root, JOB)


def _cut_off(*args: object, **kwargs: object) -> None:
    raise KeyboardInterrupt


@pytest.mark.parametrize("action", [release, retry, discard])
def test_what_cannot_be_done_is_a_sentence(
    store: Store, begin: Callable[..., Begun], action: Callable[[Path, str], str], tmp_path: Path
) -> None:
    begin()
    with pytest.raises(UsageError, match="is working; this can be done to a job that is"):
        action(store.shop.root, JOB)
    with pytest.raises(UsageError, match="no job 'zz'"):
        action(store.shop.root, "zz")
    with pytest.raises(UsageError, match="not a shop"):
        action(tmp_path / "nowhere", JOB)
    assert not (tmp_path / "nowhere").exists()


def test_a_short_id_must_be_enough(store: Store, finish: Callable[..., Path]) -> None:
    finish("aa00", State.HELD)
    finish("aa11", State.HELD)
    with pytest.raises(UsageError, match="more than one job"):
        release(store.shop.root, "aa")
    assert "aa11" in release(store.shop.root, "aa1")


def test_jobs_are_listed_by_state(
    store: Store, accept: Callable[..., Card], finish: Callable[..., Path]
) -> None:
    finish("aa00", State.HELD)
    accept("bb00")
    assert [row.id for row in list_jobs(store.shop.root)] == ["aa00", "bb00"]
    assert [row.id for row in list_jobs(store.shop.root, "queued")] == ["bb00"]
    with pytest.raises(UsageError, match="no state 'waiting'"):
        list_jobs(store.shop.root, "waiting")
