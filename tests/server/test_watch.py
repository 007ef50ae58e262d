"""The inbox. Every test gives `look` its time; none sleeps."""

from __future__ import annotations

import errno
import hashlib
import os
import socket
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from fettlebox import watch
from fettlebox.choosing import choose_again
from fettlebox.jobs.folders import Card, ShopFolders, read_card
from fettlebox.jobs.recovery import recover
from fettlebox.jobs.rules import Rules, load_rules
from fettlebox.jobs.spool import Spool
from fettlebox.jobs.states import State
from fettlebox.jobs.store import Store
from fettlebox.watch import Intake, is_partial

SETTLE_S = 2.0


@pytest.fixture
def store(make_shop: Callable[..., Path]) -> Iterator[Store]:
    shop = ShopFolders(make_shop())
    shop.make()
    spool = Spool(shop.spool)
    yield Store(shop, spool)
    spool.close()


@pytest.fixture
def rules(store: Store) -> Rules:
    return replace(load_rules(store.shop.root), settle_s=SETTLE_S)


@pytest.fixture
def intake(store: Store, rules: Rules) -> Intake:
    return Intake(store, rules)


def put(store: Store, name: str, content: str = "a scan") -> Path:
    path = store.shop.inbox / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(content)
    return path


def claim_all(intake: Intake, now: float = 0.0) -> tuple[str, ...]:
    assert intake.look(now).claimed == ()
    return intake.look(now + SETTLE_S).claimed


def test_a_scan_becomes_a_job_when_it_has_settled(store: Store, intake: Intake) -> None:
    put(store, "bust.stl")
    first = intake.look(100.0)
    assert (first.claimed, first.settling) == ((), 1)
    assert intake.look(101.9).claimed == ()
    (job,) = intake.look(102.0).claimed
    assert not list(store.shop.inbox.iterdir())
    assert (store.shop.work / job / "original" / "bust.stl").read_text() == "a scan"
    row = store.spool.get(job)
    assert row is not None and (row.state, row.scan_name, row.recipe) == (State.QUEUED, "bust.stl", "plain")
    assert intake.look(103.0) == watch.Look()


def test_scans_that_settled_together_arrived_together(
    store: Store, intake: Intake, monkeypatch: pytest.MonkeyPatch
) -> None:
    """However long it takes to read the first of them: whose turn it is goes by how long they have waited."""
    for name in ("a.stl", "b.stl"):
        put(store, name, f"the scan {name}")
    seconds = iter(range(60))
    monkeypatch.setattr(watch, "utc_now", lambda: f"2026-01-01T00:00:{next(seconds):02}.000Z")
    assert len(claim_all(intake)) == 2
    first, second = store.spool.queued(2)
    assert first.scan_name == "a.stl" and first.arrived == second.arrived


def test_a_slow_copy_is_waited_for(store: Store, intake: Intake) -> None:
    path = put(store, "slow.stl", "")
    for second in range(60):
        with path.open("a") as file:
            file.write("more ")
        assert intake.look(float(second)).claimed == ()
    assert intake.look(60.9).claimed == ()
    (job,) = intake.look(61.0).claimed
    assert (store.shop.work / job / "original" / "slow.stl").stat().st_size == 60 * 5


def test_a_clock_that_jumps_back_only_delays(store: Store, intake: Intake) -> None:
    put(store, "bust.stl")
    assert intake.look(1_000_000.0).claimed == ()
    assert intake.look(5.0).claimed == ()
    assert intake.look(6.9).claimed == ()
    assert len(intake.look(7.0).claimed) == 1


def test_a_file_changed_while_it_was_read_settles_again(
    store: Store, intake: Intake, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = put(store, "bust.stl")
    real = watch.digest

    def read_while_written(scan: Path) -> str:
        with path.open("a") as file:
            file.write("late")
        return real(scan)

    intake.look(0.0)
    with monkeypatch.context() as patch:
        patch.setattr(watch, "digest", read_while_written)
        look = intake.look(2.0)
    assert (look.claimed, look.settling) == ((), 1)
    assert path.read_text() == "a scanlate"
    assert len(claim_all(intake, 3.0)) == 1


def test_a_file_written_to_at_the_instant_of_the_claim_goes_back(
    store: Store, intake: Intake, monkeypatch: pytest.MonkeyPatch
) -> None:
    put(store, "bust.stl")
    put(store, "bust.stl.ticket.yaml", "order: 7\n")
    rename = Path.rename

    def late_writer(self: Path, target: Path) -> Path:
        moved = rename(self, target)
        if self.name == "bust.stl":
            with Path(target).open("a") as file:
                file.write("late")
        return moved

    intake.look(0.0)
    with monkeypatch.context() as patch:
        patch.setattr(Path, "rename", late_writer)
        assert intake.look(2.0).claimed == ()
    assert sorted(path.name for path in store.shop.inbox.iterdir()) == ["bust.stl", "bust.stl.ticket.yaml"]
    assert not list(store.shop.work.iterdir()) and store.spool.jobs() == []
    assert len(claim_all(intake, 5.0)) == 1


@pytest.mark.parametrize(
    "name",
    ["a.part", "a.stl.PART", "a.crdownload", "a.tmp", "a.filepart", "a~", ".a.stl", "~a.stl", ".nfs01"],
)
def test_partial_uploads_are_not_looked_at(store: Store, intake: Intake, name: str) -> None:
    assert is_partial(name)
    path = put(store, name)
    assert claim_all(intake) == ()
    path.rename(path.with_name("whole.stl"))
    assert len(claim_all(intake, 10.0)) == 1


@pytest.mark.parametrize("kind", ["link", "link to a folder", "pipe", "socket", "folder with a link"])
def test_what_is_no_file_is_left_alone_and_told_once(store: Store, intake: Intake, kind: str) -> None:
    path = store.shop.inbox / "odd"
    server = None
    if kind.startswith("link"):
        path.symlink_to("/etc/passwd" if kind == "link" else "/etc")
    elif kind == "pipe":
        os.mkfifo(path)
    elif kind == "socket":
        server = socket.socket(socket.AF_UNIX)
        here = Path.cwd()
        os.chdir(store.shop.inbox)  # a socket's path may be 107 bytes long at most
        server.bind("odd")
        os.chdir(here)
    else:
        path.mkdir()
        (path / "x.obj").symlink_to("/etc/passwd")
    put(store, "good.stl")
    looks = [intake.look(float(second)) for second in range(4)]
    assert [len(look.notes) for look in looks] == [1, 0, 0, 0]
    assert "left alone" in looks[0].notes[0][1]
    assert sum(len(look.claimed) for look in looks) == 1 and os.path.lexists(path)
    assert looks[-1].settling == 0, "nobody waits for what is left alone"
    if server:
        server.close()


def test_a_file_that_may_not_be_read_is_left_alone(
    store: Store, intake: Intake, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The superuser may read everything, so the refusal is simulated."""
    put(store, "secret.stl")
    put(store, "good.stl", "another")
    real = watch.digest

    def refuse(path: Path) -> str:
        if path.name == "secret.stl":
            raise PermissionError(errno.EACCES, "Permission denied")
        return real(path)

    intake.look(0.0)
    with monkeypatch.context() as patch:
        patch.setattr(watch, "digest", refuse)
        look = intake.look(2.0)
        again = intake.look(3.0)
    assert len(look.claimed) == 1 and "Permission denied" in look.notes[0][1]
    assert (again.notes, again.settling) == ((), 0)
    assert len(intake.look(4.0).claimed) == 1, "now it may be read"


def test_a_folder_of_the_inbox_on_another_disk_is_told_once_and_not_read_again(
    store: Store, intake: Intake, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = put(store, "fancy/far.stl")
    rename, reads = Path.rename, []

    def across(self: Path, target: Path) -> Path:
        if self.name == "far.stl":
            reads.append(self)
            raise OSError(errno.EXDEV, "Invalid cross-device link")
        return rename(self, target)

    monkeypatch.setattr(Path, "rename", across)
    notes = [note for second in range(6) for note in intake.look(float(second)).notes]
    assert len(notes) == 1 and "cross-device" in notes[0][1] and len(reads) == 1
    assert path.exists() and not list(store.shop.work.iterdir()) and store.spool.jobs() == []
    path.write_text("changed")
    assert [len(intake.look(10.0 + second).claimed) for second in range(4)] == [0] * 4
    assert len(reads) == 2, "it is tried again once it has changed"


def test_a_folder_is_one_scan(store: Store, intake: Intake) -> None:
    for name in ("head.obj", "head.mtl", "maps/skin.png"):
        put(store, f"head/{name}", name)
    intake.look(0.0)
    put(store, "head/maps/eyes.png")
    assert intake.look(2.0).claimed == (), "a file that came later starts the wait again"
    put(store, "head/more.part")
    assert intake.look(4.0).claimed == (), "something in it is still being uploaded"
    (store.shop.inbox / "head" / "more.part").unlink()
    (job,) = claim_all(intake, 10.0)
    assert (store.shop.work / job / "original" / "head" / "maps" / "skin.png").read_text() == "maps/skin.png"


def test_an_empty_folder_waits(store: Store, intake: Intake) -> None:
    (store.shop.inbox / "new").mkdir()
    assert claim_all(intake) == ()
    assert intake.look(50.0).settling == 0


@pytest.mark.parametrize(
    "ticket", ["bust.stl.ticket.yaml", "bust.ticket.yaml", "bust.stl.ticket.yml", "bust.ticket.yml"]
)
@pytest.mark.parametrize("order", ["ticket first", "ticket later"])
def test_a_ticket_goes_with_its_scan(store: Store, intake: Intake, ticket: str, order: str) -> None:
    if order == "ticket first":
        put(store, ticket, "order: A-7\nrecipe: fancy\n")
        assert intake.look(0.0) == intake.look(50.0) == watch.Look(), "a ticket alone waits, without a word"
        put(store, "bust.stl")
        intake.look(100.0)
    else:
        put(store, "bust.stl")
        intake.look(100.0)
        put(store, ticket, "order: A-7\nrecipe: fancy\n")
        intake.look(101.0)
        assert intake.look(102.5).claimed == (), "the ticket has to settle as well"
    (job,) = intake.look(103.0).claimed
    row = store.spool.get(job)
    assert row is not None and (row.order_no, row.recipe) == ("A-7", "fancy")
    card = read_card(store.shop.work / job)
    assert card is not None and card.ticket == ticket and card.recipe_text and "fancy" in card.recipe_text
    assert (store.shop.work / job / "original" / ticket).read_text().startswith("order: A-7")


def test_one_ticket_goes_with_one_scan(store: Store, intake: Intake) -> None:
    put(store, "bust.obj")
    put(store, "bust.stl", "another")
    put(store, "bust.ticket.yaml", "order: 1\n")
    jobs = claim_all(intake)
    tickets = [row.order_no for row in store.spool.jobs()]
    assert len(jobs) == 2 and sorted(map(str, tickets)) == ["1", "None"]


def test_the_folder_in_the_inbox_chooses_the_recipe_and_the_ticket_wins(store: Store, intake: Intake) -> None:
    put(store, "fancy/a.stl", "1")
    put(store, "fancy/b.stl", "2")
    put(store, "fancy/b.stl.ticket.yaml", "recipe: plain\n")
    put(store, "c.stl", "3")
    claim_all(intake)
    assert {row.scan_name: row.recipe for row in store.spool.jobs()} == {
        "a.stl": "fancy", "b.stl": "plain", "c.stl": "plain",
    }  # fmt: skip
    assert (store.shop.inbox / "fancy").is_dir(), "the folder stays for the next scan"


@pytest.mark.parametrize(
    ("ticket", "sentence"),
    [
        ("recipe: fancie\n", "this shop has no recipe 'fancie'; did you mean 'fancy'?"),
        ("recipe: [\n", "its ticket cannot be used"),
        ("colour: red\n", "its ticket cannot be used"),
        ("x" * 70_000, "larger than"),
        ("\0\xff", "its ticket cannot be used"),
    ],
)
def test_a_ticket_that_cannot_be_followed_is_refused(
    store: Store, intake: Intake, rules: Rules, ticket: str, sentence: str
) -> None:
    put(store, "bust.stl")
    put(store, "bust.stl.ticket.yaml", ticket)
    (job,) = claim_all(intake)
    card = read_card(store.shop.work / job)
    assert card is not None and card.recipe_text is None
    choice = choose_again(rules, card, store.shop.work / job)
    assert choice.text is None and choice.refusal is not None and sentence in choice.refusal


def test_a_ticket_that_stays_alone_is_told_once_with_the_nearest_name(store: Store, intake: Intake) -> None:
    put(store, "old kign.ticket.yaml", "order: 1\n")
    put(store, "old king.part")
    assert intake.look(0.0).notes == intake.look(59.0).notes == ()
    ((name, sentence),) = intake.look(61.0).notes
    assert name == "old kign.ticket.yaml" and "nothing here is called 'old kign'" in sentence
    assert intake.look(62.0).notes == ()
    put(store, "old king.stl")
    ((_, sentence),) = intake.look(63.0).notes
    assert "did you mean 'old king.ticket.yaml'?" in sentence
    (store.shop.inbox / "old kign.ticket.yaml").rename(store.shop.inbox / "old king.ticket.yaml")
    intake.look(64.0)
    (job,) = intake.look(67.0).claimed
    card = read_card(store.shop.work / job)
    assert card is not None and card.ticket == "old king.ticket.yaml"


def test_a_ticket_in_the_folder_of_a_scan_is_its_ticket(store: Store, intake: Intake) -> None:
    put(store, "head/head.obj")
    put(store, "head/order.ticket.yml", "order: A-9\nrecipe: fancy\n")
    (job,) = claim_all(intake)
    row = store.spool.get(job)
    assert row is not None and (row.order_no, row.recipe) == ("A-9", "fancy")
    card = read_card(store.shop.work / job)
    assert card is not None and card.ticket == "head/order.ticket.yml"
    assert (store.shop.work / job / "original" / card.ticket).is_file()


def test_the_same_scan_again_is_refused_with_the_number_of_the_first(store: Store, intake: Intake) -> None:
    put(store, "a.stl", "same")
    (first,) = claim_all(intake)
    put(store, "b.stl", "same")
    put(store, "c.stl", "other")
    put(store, "fancy/a.stl", "same")
    put(store, "d.stl", "same")
    put(store, "d.ticket.yaml", "order: 2\n")
    cards = {card.scan + card.recipe: card for card in map(card_of(store), claim_all(intake, 10.0))}
    again = cards.pop("b.stlplain")
    assert again.job == f"{first}-2" and again.refusal is not None
    assert f"as job {first}" in again.refusal and "it is queued" in again.refusal
    assert [card.refusal for card in cards.values()] == [None] * 3, "another scan, recipe or ticket"


def test_the_same_scan_again_is_done_again_if_shop_or_ticket_say_so(
    store: Store, intake: Intake, rules: Rules
) -> None:
    put(store, "a.stl", "same")
    put(store, "a.ticket.yaml", "again: redo\n")
    (first,) = claim_all(intake)
    put(store, "a.stl", "same")
    put(store, "a.ticket.yaml", "again: redo\n")
    (second,) = claim_all(intake, 10.0)
    assert second == f"{first}-2" and card_of(store)(second).refusal is None
    put(store, "b.stl", "same")
    put(store, "c.stl", "same")
    intake.rules = replace(rules, again="redo")
    assert [card_of(store)(job).refusal for job in claim_all(intake, 20.0)] == [None, None]


def test_what_was_rejected_or_discarded_may_come_again(store: Store, intake: Intake) -> None:
    from fettlebox.jobs import discard

    for number, state in enumerate((State.REJECTED, State.DONE)):
        put(store, "a.stl", "same")
        (job,) = claim_all(intake, 10.0 * number)
        assert card_of(store)(job).refusal is None
        row = store.spool.get(job)
        assert row is not None
        begun = store.begin(row)
        assert begun is not None
        store.finish(begun, state, "because" if state is State.REJECTED else None)
    put(store, "a.stl", "same")
    (job,) = claim_all(intake, 30.0)
    assert "it is in outbox/a." in (card_of(store)(job).refusal or "")
    discard(store.shop.root, row.id)
    put(store, "a.stl", "same")
    (job,) = claim_all(intake, 40.0)
    assert "it is queued" in (card_of(store)(job).refusal or ""), "the copy that was refused still waits"


def test_a_recipe_that_changed_above_makes_another_job(store: Store, intake: Intake) -> None:
    (store.shop.recipes / "child.yaml").write_text("recipe: child\nextends: fancy\n")
    intake.rules = replace(load_rules(store.shop.root), settle_s=SETTLE_S)
    for number, about in enumerate(("For tests.", "For others.", "For others.")):
        text = (store.shop.recipes / "fancy.yaml").read_text()
        (store.shop.recipes / "fancy.yaml").write_text(text.replace("For tests.", about))
        put(store, "child/a.stl", "same")
        (job,) = claim_all(intake, 10.0 * number)
        assert (card_of(store)(job).refusal is not None) == (number == 2)


def test_a_misspelt_folder_of_a_recipe_is_no_scan(store: Store, intake: Intake) -> None:
    put(store, "fanci/a.stl", "1")
    put(store, "head/a.stl", "2")
    cards = {card.scan: card for card in map(card_of(store), claim_all(intake))}
    assert "did you mean 'fancy'?" in (cards["fanci"].refusal or "") and cards["head"].refusal is None


def test_a_copy_that_stalled_is_known_by_what_it_became(store: Store, intake: Intake) -> None:
    """The writer holds the file open across our rename, as a copy over a network that stalls does."""
    writer = (store.shop.inbox / "slow.stl").open("w")
    writer.write("half ")
    writer.flush()
    (job,) = claim_all(intake)
    writer.write("and half")
    writer.flush()
    row = store.spool.get(job)
    assert row is not None and row.digest == hashlib.sha256(b"half ").hexdigest()
    begun = store.begin(row)
    assert begun is not None and not store.has_changed(begun)
    whole = hashlib.sha256(b"half and half").hexdigest()
    assert begun.card.digest == card_of(store)(job).digest == whole
    row = store.spool.get(job)
    assert row is not None and row.digest == whole
    writer.write(", and more")
    writer.close()
    assert store.has_changed(begun)


def card_of(store: Store) -> Callable[[str], Card]:
    def card(job: str) -> Card:
        found = read_card(store.shop.work / job)
        assert found is not None
        return found

    return card


def test_ids_are_the_same_in_another_shop_and_at_another_time(store: Store, intake: Intake) -> None:
    put(store, "any name.stl", "same")
    assert claim_all(intake, 1e9)[0] == watch.job_base(
        "0967115f2813a3541eaef77de9d9d5773f1c0c04314b0bbfe4ff3b3b1c55b5d5",  # printf same | sha256sum
        __import__("hashlib").sha256((store.shop.recipes / "plain.yaml").read_bytes()).hexdigest(),
        "-",
    )


@pytest.mark.parametrize(
    "name",
    [
        b"with space and 'quote'.stl",
        "Büste ☃ 頭.stl".encode(),
        b"n" * 251 + b".stl",
        "ü".encode() * 125 + b".obj",
        b"a" * 255,
        b"\xff\xfe.stl",
        b"\x1b[2J.stl",
        b"new\nline.stl",
        b"-rf",
        b"%s{0}$HOME",
    ],
)
def test_any_name_is_safe(store: Store, intake: Intake, name: bytes) -> None:
    path = Path(os.fsdecode(bytes(store.shop.inbox) + b"/" + name))
    path.write_text("a scan")
    (job,) = claim_all(intake)
    row = store.spool.get(job)
    assert row is not None and row.scan_name.isprintable()
    begun = store.begin(row)
    assert begun is not None
    ended = store.finish(begun, State.DONE, None)
    assert (ended.folder / "original" / os.fsdecode(name)).read_text() == "a scan"
    assert ended.folder.parent == store.shop.place(State.DONE) and ended.folder.name.encode()
    assert recover(store, 2) == []


def test_a_full_disk_leaves_the_inbox_as_it_is_and_keeps_what_was_claimed(
    store: Store, intake: Intake, monkeypatch: pytest.MonkeyPatch
) -> None:
    for number in range(5):
        put(store, f"{number}.stl", str(number))
    from fettlebox.jobs import folders

    real, left = folders.write_whole, [2]

    def until_full(path: Path, data: bytes) -> None:
        if not left[0]:
            raise OSError(errno.ENOSPC, "No space left on device")
        left[0] -= 1
        real(path, data)

    intake.look(0.0)
    with monkeypatch.context() as patch:
        patch.setattr(folders, "write_whole", until_full)
        with pytest.raises(OSError, match="No space"):
            intake.look(2.0)
    assert len(store.spool.jobs()) == 2 and len(list(store.shop.inbox.iterdir())) == 3
    assert len(list(store.shop.work.iterdir())) == 2
    assert len(intake.look(3.0).claimed) == 3


def test_a_scan_of_no_bytes_settles_and_is_the_runners_to_judge(store: Store, intake: Intake) -> None:
    put(store, "empty.stl", "")
    assert len(claim_all(intake)) == 1


def test_two_thousand_scans_at_once(store: Store, intake: Intake, monkeypatch: pytest.MonkeyPatch) -> None:
    """Work grows with the number of scans, not with its square: the folder is listed once a look."""
    for number in range(2000):
        put(store, f"{number}.stl", str(number))
    calls = [0]
    real = watch.signature

    def counted(path: Path, found: os.stat_result | None = None) -> object:
        calls[0] += 1
        return real(path, found)

    monkeypatch.setattr(watch, "signature", counted)
    intake.look(0.0)
    looks, claimed, now = 1, 0, SETTLE_S
    while (look := intake.look(now)).claimed:
        looks += 1
        now += SETTLE_S
        claimed += len(look.claimed)
        assert len(look.claimed) <= watch.MOST_CLAIMS and len(intake._seen) <= watch.MOST_SEEN
    assert claimed == 2000 and not list(store.shop.inbox.iterdir())
    assert calls[0] <= watch.MOST_SEEN * looks + 2 * 2000
    assert looks <= 2000 / watch.MOST_CLAIMS + 2
    assert intake._seen == {}, "nothing is remembered of scans that are gone"


def test_what_is_left_alone_takes_no_room_from_what_arrives(
    store: Store, intake: Intake, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(watch, "MOST_SEEN", 3)
    for number in range(10):
        (store.shop.inbox / f"link {number}").symlink_to("/etc/passwd")
        put(store, f"lonely {number}.ticket.yaml")
        put(store, f"{number}.stl", str(number))
        put(store, f"{number}.stl.ticket.yaml", f"order: {number}\n")
    claimed = [job for second in range(40) for job in intake.look(float(second)).claimed]
    assert len(claimed) == 10
    assert {row.scan_name: row.order_no for row in store.spool.jobs()} == {
        f"{n}.stl": str(n) for n in range(10)
    }
    assert len(list(store.shop.inbox.iterdir())) == 20


def test_events_are_hints_only(store: Store) -> None:
    import threading

    hinted = threading.Event()
    with watch.hints(store.shop.inbox, hinted.set) as trouble:
        put(store, "bust.stl")
        assert trouble is None and hinted.wait(10)
