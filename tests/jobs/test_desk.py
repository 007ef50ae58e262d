from __future__ import annotations

import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from fettlebox.errors import RecipeError, UsageError
from fettlebox.jobs import discard, list_jobs, reject, release, retry
from fettlebox.jobs.audit import audit_shop
from fettlebox.jobs.folders import Card, read_card
from fettlebox.jobs.recovery import recover
from fettlebox.jobs.spool import Row
from fettlebox.jobs.states import State
from fettlebox.jobs.store import Begun, Store
from fettlebox.traveler.ledger import Ledger
from fettlebox.traveler.record import JobRecord, Output
from fettlebox.traveler.writing import write_traveler

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


TICKET = "order: LY-7\nunit: m\n"


@pytest.mark.parametrize("where", ["given", "in the job's folder", "in original"])
def test_retry_takes_a_new_ticket(
    store: Store, finish: Callable[..., Path], tmp_path: Path, where: str
) -> None:
    folder = finish(state=State.HELD)
    places = {
        "given": tmp_path / "answer.yaml",
        "in the job's folder": folder / "bust.ticket.yaml",
        "in original": folder / "original" / "bust.ticket.yaml",
    }
    places[where].write_text(TICKET)
    retry(store.shop.root, JOB, places[where] if where == "given" else None)
    work = store.shop.work / JOB
    card = read_card(work)
    assert card is not None
    assert (card.ticket, card.order) == ("bust.ticket.yaml", "LY-7")
    assert (work / "original" / "bust.ticket.yaml").read_text() == TICKET
    assert sorted(path.name for path in work.iterdir()) == ["job.json", "original"]
    assert recover(store, 2) == []


def test_retry_keeps_the_ticket_that_came_with_the_scan(
    store: Store, finish: Callable[..., Path], tmp_path: Path
) -> None:
    folder = finish(state=State.HELD, ticket="bust.ticket.yaml")
    (folder / "original" / "bust.ticket.yaml").write_text("order: first\n")
    (tmp_path / "answer.yaml").write_text(TICKET)
    retry(store.shop.root, JOB, tmp_path / "answer.yaml")
    original = store.shop.work / JOB / "original"
    assert (original / "bust.ticket.yaml").read_text() == TICKET
    assert (original / "bust.earlier.ticket.yaml").read_text() == "order: first\n"


@pytest.mark.parametrize("text", ["order: [1, 2]\n", "unit: ell\n"])
def test_retry_with_a_wrong_ticket_changes_nothing(
    store: Store, finish: Callable[..., Path], text: str
) -> None:
    folder = finish(state=State.HELD)
    (folder / "bust.ticket.yaml").write_text(text)
    with pytest.raises(RecipeError, match=r"bust\.ticket\.yaml"):
        retry(store.shop.root, JOB)
    assert row_of(store).state is State.HELD
    assert (folder / "bust.ticket.yaml").read_text() == text


def test_two_new_tickets_are_one_too_many(store: Store, finish: Callable[..., Path]) -> None:
    folder = finish(state=State.HELD)
    for name in ("a.ticket.yaml", "b.ticket.yml"):
        (folder / name).write_text(TICKET)
    with pytest.raises(UsageError, match="more than one new ticket"):
        retry(store.shop.root, JOB)
    assert (folder / "a.ticket.yaml").exists()


def test_nothing_is_released_where_there_is_no_part(store: Store, finish: Callable[..., Path]) -> None:
    folder = finish(state=State.HELD)
    write_traveler(folder, JobRecord(JOB, "held", "units: not clear", {}, {}, None, {}))
    with pytest.raises(UsageError, match="has no part to hand over: because"):
        release(store.shop.root, JOB)
    assert row_of(store).state is State.HELD
    assert folder.is_dir()


def test_a_person_rejects_a_held_job_with_a_reason(store: Store, finish: Callable[..., Path]) -> None:
    finish(state=State.HELD)
    reject(store.shop.root, JOB, "the nose is\nmissing\x1b[31m", by="asha")
    row = row_of(store)
    assert row.state is State.REJECTED and row.folder.startswith("rejects/")
    assert row.reason == "the nose is missing\\x1b[31m"
    card = read_card(store.shop.root / row.folder)
    assert card is not None and (card.state, card.reason, card.by) == (State.REJECTED, row.reason, "asha")
    assert audit_shop(store.shop.root).clean
    with pytest.raises(UsageError, match="needs a reason"):
        reject(store.shop.root, JOB, "  ")


@pytest.mark.parametrize("act", ["release", "reject"])
def test_page_and_reason_say_what_was_decided_and_the_audit_stays_clean(
    store: Store, begin: Callable[..., Begun], act: str
) -> None:
    begun = begin()
    stl = Output("bust.stl", "stl", "0" * 64, 8)
    record = JobRecord(JOB, "held", "gate: too tall", {"name": "bust.stl"}, {}, None, {}, outputs=(stl,))
    write_traveler(begun.folder, record)
    waiting = (begun.folder / "traveler.html").read_text("utf-8")
    assert "Waits for a person" in waiting and "What to do now" in waiting
    store.finish(begun, State.HELD, "gate: too tall")
    assert audit_shop(store.shop.root).clean
    if act == "release":
        release(store.shop.root, JOB, by="asha")
    else:
        reject(store.shop.root, JOB, "the nose is missing", by="asha")
    row = row_of(store)
    folder = store.shop.root / row.folder
    page, reason = ((folder / name).read_text("utf-8") for name in ("traveler.html", "reason.txt"))
    word = "Released" if act == "release" else "Rejected"
    assert f"{word} by asha on {str(row.finished)[:10]}" in page
    assert "It had waited for a person: gate: too tall" in page
    assert "Waits for a person" not in page and "What to do now" not in page
    assert ("Released by asha" in reason) if act == "release" else (reason == "the nose is missing\n")
    audit = audit_shop(store.shop.root)
    assert audit.clean, audit.findings
    (folder / "traveler.html").write_text(waiting, "utf-8")
    assert [finding.file for finding in audit_shop(store.shop.root).findings] == [
        f"{row.folder}/traveler.html"
    ]


def test_the_ledger_names_who_decided(store: Store, finish: Callable[..., Path]) -> None:
    finish(state=State.HELD)
    retry(store.shop.root, JOB, by="asha")
    row = row_of(store)
    begun = store.begin(row)
    assert begun is not None
    store.finish(begun, State.HELD, "again")
    release(store.shop.root, JOB, by="ben")
    discard(store.shop.root, JOB, by="chris")
    said = [(entry.event, entry.by) for entry in Ledger(store.shop.root).entries()]
    assert said == [("held", None), ("retried", "asha"), ("held", None), ("released", "ben"),
                    ("discarded", "chris")]  # fmt: skip
    assert b'"by":null' not in Ledger(store.shop.root).path.read_bytes()
    assert audit_shop(store.shop.root).clean


def test_who_decided_outlives_a_kill_before_the_entry(
    store: Store, finish: Callable[..., Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    finish(state=State.HELD)
    with monkeypatch.context() as patch, pytest.raises(KeyboardInterrupt):
        patch.setattr("fettlebox.jobs.desk.enter_end", _cut_off)
        reject(store.shop.root, JOB, "no nose", by="asha")
    recover(store, 2)
    *_, last = Ledger(store.shop.root).entries()
    assert (last.event, last.by) == ("rejected", "asha")
    assert audit_shop(store.shop.root).clean


def test_a_decision_on_what_has_changed_since_is_refused(store: Store, finish: Callable[..., Path]) -> None:
    finish(state=State.HELD)
    seen = row_of(store).finished
    retry(store.shop.root, JOB)
    begun = store.begin(row_of(store))
    assert begun is not None
    time.sleep(0.002)  # times are kept to the millisecond
    store.finish(begun, State.HELD, "another reason")
    for decide in (release, retry, discard):
        with pytest.raises(UsageError, match="ended anew"):
            decide(store.shop.root, JOB, seen=seen)
    with pytest.raises(UsageError, match="ended anew"):
        reject(store.shop.root, JOB, "no", seen=seen)
    release(store.shop.root, JOB, seen=row_of(store).finished)


def test_of_two_who_decide_at_once_one_wins(store: Store, finish: Callable[..., Path]) -> None:
    finish(state=State.HELD)
    seen = row_of(store).finished
    start = threading.Barrier(2)
    told: dict[str, str] = {}

    def decide(name: str, act: Callable[..., str]) -> None:
        start.wait()
        try:
            act()
            told[name] = "done"
        except UsageError as error:
            told[name] = str(error)

    acts = {
        "asha": lambda: release(store.shop.root, JOB, by="asha", seen=seen),
        "ben": lambda: reject(store.shop.root, JOB, "no", by="ben", seen=seen),
    }
    threads = [threading.Thread(target=decide, args=pair) for pair in acts.items()]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    (winner,) = [name for name, said in told.items() if said == "done"]
    (refused,) = [said for said in told.values() if said != "done"]
    assert "this can be done to a job that is held" in refused
    decided = [entry.by for entry in Ledger(store.shop.root).entries() if entry.event != "held"]
    assert decided == [winner]
