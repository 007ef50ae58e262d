"""Scans that a ticket lists as takes wait for each other and become one job; none is lost on the way."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from fettlebox.jobs.folders import ShopFolders, read_card
from fettlebox.jobs.recovery import recover
from fettlebox.jobs.rules import load_rules
from fettlebox.jobs.spool import Spool
from fettlebox.jobs.store import Store
from fettlebox.watch import Intake

SETTLE_S = 2.0
NAMES = ("a.ply", "b.ply", "c.ply")
TICKET = "order 7.takes.ticket.yaml"
TEXT = "order: 7\ntakes: [a.ply, b.ply, c.ply]\n"


@pytest.fixture
def store(make_shop: Callable[..., Path]) -> Iterator[Store]:
    shop = ShopFolders(make_shop())
    shop.make()
    spool = Spool(shop.spool)
    yield Store(shop, spool)
    spool.close()


@pytest.fixture
def intake(store: Store) -> Intake:
    return Intake(store, replace(load_rules(store.shop.root), settle_s=SETTLE_S))


def put(store: Store, *names: str, text: str = TEXT) -> None:
    for name in names:
        content = text if name.endswith(".yaml") else f"scan {name}"
        (store.shop.inbox / name).write_text(content)


def everywhere(store: Store) -> list[str]:
    """Contents of all scans and tickets in the whole shop, each as often as it is there."""
    files = [path for path in store.shop.root.rglob("*") if path.is_file()]
    return sorted(path.read_text() for path in files if path.parent.name in ("original", "inbox"))


ALL = sorted([*(f"scan {name}" for name in NAMES), TEXT])


def test_takes_become_one_job_in_the_tickets_order(store: Store, intake: Intake) -> None:
    put(store, "c.ply", "a.ply", "b.ply", TICKET)
    assert intake.look(0.0).settling == 3
    (job,) = intake.look(SETTLE_S).claimed
    card = read_card(store.shop.work / job)
    assert card is not None
    assert (card.scan, card.takes, card.ticket, card.order) == ("a.ply", ("b.ply", "c.ply"), TICKET, "7")
    assert not list(store.shop.inbox.iterdir())
    assert everywhere(store) == ALL


def test_a_take_waits_for_its_siblings(store: Store, intake: Intake) -> None:
    put(store, "a.ply", TICKET)
    put(store, "b.ply")
    intake.look(0.0)
    put(store, "c.ply")
    assert intake.look(SETTLE_S).claimed == ()
    assert len(intake.look(2 * SETTLE_S).claimed) == 1
    assert everywhere(store) == ALL


def test_a_take_that_is_being_uploaded_is_waited_for(store: Store, intake: Intake) -> None:
    put(store, "a.ply", "b.ply", TICKET)
    (store.shop.inbox / "c.ply.part").write_text("sc")
    intake.look(0.0)
    assert intake.look(9.0).claimed == ()
    (store.shop.inbox / "c.ply.part").rename(store.shop.inbox / "c.ply")
    put(store, "c.ply")
    intake.look(10.0)
    assert len(intake.look(20.0).claimed) == 1
    assert everywhere(store) == ALL


def test_settled_scans_wait_for_a_ticket_that_came_later(store: Store, intake: Intake) -> None:
    put(store, *NAMES)
    intake.look(0.0)
    put(store, TICKET)
    assert intake.look(SETTLE_S).claimed == ()
    assert len(intake.look(2 * SETTLE_S).claimed) == 1


def test_without_one_take_the_others_go_together(store: Store, intake: Intake) -> None:
    """The worker then says which is missing; nothing is printed from less than was sent."""
    put(store, "a.ply", "c.ply", TICKET)
    intake.look(0.0)
    (job,) = intake.look(SETTLE_S).claimed
    card = read_card(store.shop.work / job)
    assert card is not None and (card.scan, card.takes) == ("a.ply", ("c.ply",))


def test_a_ticket_with_a_mistake_takes_its_scans_along(store: Store, intake: Intake) -> None:
    put(store, *NAMES, TICKET, text=TEXT + "recipy: x\n")
    intake.look(0.0)
    (job,) = intake.look(SETTLE_S).claimed
    card = read_card(store.shop.work / job)
    assert card is not None and card.takes == ("b.ply", "c.ply") and card.recipe_text is None


def test_names_that_lead_out_are_no_takes(store: Store, intake: Intake) -> None:
    (store.shop.root / "outside.ply").write_text("not a scan")
    put(store, "a.ply", TICKET, text="takes: [a.ply, ../outside.ply, ../shop.yaml]\n")
    intake.look(0.0)
    (job,) = intake.look(SETTLE_S).claimed
    assert (store.shop.root / "outside.ply").exists()
    assert sorted(p.name for p in (store.shop.work / job / "original").iterdir()) == ["a.ply", TICKET]


def test_other_scans_are_left_out_of_it(store: Store, intake: Intake) -> None:
    put(store, *NAMES, TICKET)
    put(store, "d.ply")
    intake.look(0.0)
    assert len(intake.look(SETTLE_S).claimed) == 2


def test_takes_beyond_the_watched_backlog_come_along(
    store: Store, intake: Intake, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("fettlebox.watch.MOST_SEEN", 1)
    put(store, *NAMES, TICKET)
    intake.look(0.0)
    (job,) = intake.look(SETTLE_S).claimed
    card = read_card(store.shop.work / job)
    assert card is not None and len(card.takes) == 2


class Stop(BaseException):
    """The power goes: nothing may catch this."""


@pytest.fixture
def stop_at_move(monkeypatch: pytest.MonkeyPatch) -> Callable[[int], None]:
    """stop_at_move(n): the n-th rename of a scan or ticket is the last thing that happens."""
    from fettlebox.jobs import folders

    rename, without_replacing = Path.rename, folders.move_without_replacing
    left = [0]

    def count(path: Path) -> None:
        if left[0] and (path.suffix == ".ply" or path.name == TICKET):
            left[0] -= 1
            if not left[0]:
                raise Stop

    def stopping_rename(self: Path, target: Path) -> Path:
        done = rename(self, target)
        count(self)
        return done

    def stopping_move(source: Path, target: Path) -> None:
        without_replacing(source, target)
        count(source)

    monkeypatch.setattr(Path, "rename", stopping_rename)
    monkeypatch.setattr(folders, "move_without_replacing", stopping_move)

    def set_stop(move: int) -> None:
        left[0] = move

    return set_stop


@pytest.mark.parametrize("move", [1, 2, 3, 4])
def test_stopped_in_a_claim_nothing_is_lost_or_doubled(
    store: Store, intake: Intake, stop_at_move: Callable[[int], None], move: int
) -> None:
    put(store, *NAMES, TICKET)
    intake.look(0.0)
    stop_at_move(move)
    with pytest.raises(Stop):
        intake.look(SETTLE_S)
    assert everywhere(store) == ALL
    finish_after_a_stop(store, intake)


@pytest.mark.parametrize("move", [5, 6, 7, 8])
def test_stopped_while_a_claim_is_undone_nothing_is_lost_or_doubled(
    store: Store,
    intake: Intake,
    stop_at_move: Callable[[int], None],
    move: int,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The check after the claim fails, as when a take was written to meanwhile: all goes back, or would."""
    put(store, *NAMES, TICKET)
    intake.look(0.0)
    stop_at_move(move)
    accept = store.accept
    with monkeypatch.context() as patched:
        patched.setattr(
            store, "accept", lambda card, scan, ticket, check: accept(card, scan, ticket, lambda _: False)
        )
        with pytest.raises(Stop):
            intake.look(SETTLE_S)
    assert everywhere(store) == ALL
    finish_after_a_stop(store, intake)


def finish_after_a_stop(store: Store, intake: Intake) -> None:
    recover(store, most_attempts=3)
    assert everywhere(store) == ALL
    intake.look(100.0)
    intake.look(200.0)
    assert everywhere(store) == ALL
    (row,) = store.spool.jobs()
    card = read_card(store.shop.root / row.folder)
    assert card is not None
    assert sorted((card.scan, *card.takes)) == list(NAMES)
    assert not list(store.shop.inbox.iterdir())
