"""Kill the server at commit points and at random instants: nothing is lost, doubled or half-delivered."""

from __future__ import annotations

import random
import shutil
import time
from collections.abc import Callable
from pathlib import Path

import drills
import performers
import pytest
from fettlebox.jobs import faults
from fettlebox.jobs.audit import audit_shop

MakeShop = Callable[..., Path]
SCANS = 5
ELSEWHERE = ("cleared", "trashed", "forgotten")  # points that an undisturbed run of new scans does not reach


def fill(shop: Path, mark: str = "") -> tuple[set[str], int]:
    """Put scans into the inbox, two with tickets and one in a recipe's folder. Returns contents, tickets."""
    inbox = shop / "inbox"
    scans = set()
    for number in range(SCANS):
        folder = inbox / "fancy" if number == 0 else inbox
        folder.mkdir(exist_ok=True)
        text = f"scan {mark}{number}"
        (folder / f"bust {number}.stl").write_text(text)
        scans.add(text)
        if number in (1, 2):
            (folder / f"bust {number}.stl.ticket.yaml").write_text(f"order: A-{number}\n")
    return scans, 2


@pytest.mark.parametrize("nth", [1, 3])
@pytest.mark.parametrize("point", [point for point in faults.POINTS if point not in ELSEWHERE])
def test_a_stop_at_a_commit_point_loses_nothing(make_shop: MakeShop, point: str, nth: int) -> None:
    shop = make_shop(attempts=3)
    scans, tickets = fill(shop)
    if point == "ticket-claimed":
        nth = min(nth, tickets)
    assert drills.serve_until(shop, performers.succeed, stop_at=(point, nth)) == drills.KILLED
    drills.check_nothing_lost(shop, scans)
    assert drills.serve_until(shop, performers.succeed) == 0
    drills.check_all_delivered(shop, scans, tickets)


@pytest.mark.parametrize("point", faults.POINTS)
def test_a_stop_during_recovery_loses_nothing(make_shop: MakeShop, point: str) -> None:
    shop = make_shop(attempts=5)
    scans, tickets = fill(shop)
    for first, nth in (("started", 1), ("claimed", 2), ("sealed", 1)):
        drills.serve_until(shop, performers.succeed, stop_at=(first, nth))
    drills.serve_until(shop, performers.succeed, stop_at=(point, 1))
    drills.check_nothing_lost(shop, scans)
    assert drills.serve_until(shop, performers.succeed) == 0
    drills.check_all_delivered(shop, scans, tickets)


@pytest.mark.parametrize("nth", [1, 4])
@pytest.mark.parametrize("point", ["trashed", "entered", "forgotten"])
def test_a_stop_while_old_jobs_are_deleted_leaves_no_half(make_shop: MakeShop, point: str, nth: int) -> None:
    shop = make_shop(more="keep: 1 h\n")
    scans, _ = fill(shop)
    assert drills.serve_until(shop, performers.succeed) == 0
    nth = 1 if point == "forgotten" else nth  # once a round
    stopped = drills.serve_until(shop, performers.succeed, stop_at=(point, nth), before=drills.two_hours_on)
    assert stopped == drills.KILLED
    for _ in range(2):
        assert drills.serve_until(shop, performers.succeed, before=drills.two_hours_on) == 0
    assert drills.places_of(shop) == {}, "all are gone"
    audit = audit_shop(shop)
    assert audit.clean and (audit.jobs, audit.discarded, audit.entries) == (0, len(scans), 2 * len(scans))


def kill_at_random(shop: Path, kills: int, seed: int, *, inline: bool) -> int:
    """Kill again and again with new scans arriving; returns how many kills met a server at work."""
    chance = random.Random(seed)
    scans, tickets = fill(shop, f"{seed}/")
    started = time.monotonic()
    assert drills.serve_until(shop, performers.slow, inline=inline) == 0
    whole_run_s = time.monotonic() - started
    met = 0
    for number in range(kills):
        if number % 3 == 0:
            new, with_tickets = fill(shop, f"{seed}/{number}/")
            scans |= new
            tickets += with_tickets
        wait_s = chance.uniform(0, 0.9 * whole_run_s)
        status = drills.serve_until(shop, performers.slow, kill_after_s=wait_s, inline=inline)
        met += status == drills.KILLED
        drills.check_nothing_lost(shop, scans)
        if number % 3 == 2:
            assert drills.serve_until(shop, performers.succeed) == 0
            drills.check_all_delivered(shop, scans, tickets)
    assert drills.serve_until(shop, performers.succeed) == 0
    drills.check_all_delivered(shop, scans, tickets)
    return met


def test_kills_at_random_instants(make_shop: MakeShop) -> None:
    assert kill_at_random(make_shop(attempts=10), 30, seed=1, inline=True) > 10


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(4))
def test_many_kills_at_random_instants(make_shop: MakeShop, seed: int) -> None:
    assert kill_at_random(make_shop(attempts=10), 100, seed=10 + seed, inline=True) > 40


def test_kills_of_a_server_with_real_workers(make_shop: MakeShop) -> None:
    assert kill_at_random(make_shop(attempts=10, workers=2), 4, seed=2, inline=False) >= 1


@pytest.mark.slow
def test_many_kills_of_a_server_with_real_workers(make_shop: MakeShop) -> None:
    assert kill_at_random(make_shop(attempts=10, workers=2), 100, seed=3, inline=False) > 40


def test_a_job_that_stops_the_server_every_time_is_rejected_in_the_end(make_shop: MakeShop) -> None:
    shop = make_shop(attempts=2)
    (shop / "inbox" / "bad.stl").write_text("bad")
    for _ in range(2):
        assert drills.serve_until(shop, performers.succeed, stop_at=("returned", 1)) == drills.KILLED
    assert drills.serve_until(shop, performers.succeed) == 0
    (folder,) = (shop / "rejects").iterdir()
    assert "begun 2 times and never finished" in (folder / "reason.txt").read_text()
    assert (folder / "original" / "bad.stl").read_text() == "bad"


@pytest.mark.parametrize("damage", ["deleted", "garbage", "cut", "empty", "wal"])
@pytest.mark.parametrize("point", ["claimed", "started", "sealed", "delivered"])
def test_the_spool_is_rebuilt_from_the_folders(make_shop: MakeShop, point: str, damage: str) -> None:
    shop = make_shop(attempts=5)
    scans, tickets = fill(shop)
    drills.serve_until(shop, performers.succeed, stop_at=(point, 3))
    spoil(shop / ".fettlebox" / "spool.sqlite", damage)
    drills.check_nothing_lost(shop, scans)
    assert drills.serve_until(shop, performers.succeed) == 0
    drills.check_all_delivered(shop, scans, tickets)


def spoil(spool: Path, damage: str) -> None:
    """Do to the spool's file what bad disks and people do."""
    wal = spool.with_name("spool.sqlite-wal")
    if damage == "deleted":
        for path in (spool, wal, spool.with_name("spool.sqlite-shm")):
            path.unlink(missing_ok=True)
    elif damage == "garbage":
        wal.unlink(missing_ok=True)
        spool.write_bytes(b"this is no database " * 500)
    elif damage == "cut":
        spool.write_bytes(spool.read_bytes()[:5000])
    elif damage == "empty":
        spool.write_bytes(b"")
    elif damage == "wal" and wal.exists():
        wal.write_bytes(wal.read_bytes()[: wal.stat().st_size // 2])


@pytest.mark.parametrize("content", [b"", b"{", b'{"job": 3}', b"\xff\xfe", b"[]", None])
def test_a_torn_card_sends_the_scan_back_to_the_inbox(make_shop: MakeShop, content: bytes | None) -> None:
    shop = make_shop()
    scans, _ = fill(shop)
    drills.serve_until(shop, performers.succeed, stop_at=("started", 1))
    for folder in (shop / ".fettlebox" / "work").iterdir():
        if content is None:
            (folder / "job.json").unlink()
        else:
            (folder / "job.json").write_bytes(content)
        (folder / "job.json.tmp").write_bytes(b"{")
    assert drills.serve_until(shop, performers.succeed) == 0
    check_scans_in_outbox(shop, scans)


def check_scans_in_outbox(shop: Path, scans: set[str]) -> None:
    drills.check_nothing_lost(shop, scans)
    assert all(where[0].startswith("outbox/") for where in drills.places_of(shop).values())


def test_a_work_folder_that_somebody_deleted_is_reported(make_shop: MakeShop) -> None:
    from fettlebox.jobs import list_jobs

    shop = make_shop()
    fill(shop)
    drills.serve_until(shop, performers.succeed, stop_at=("started", 1))
    for folder in (shop / ".fettlebox" / "work").iterdir():
        shutil.rmtree(folder)
    assert drills.serve_until(shop, performers.succeed) == 0
    reasons = {row.reason for row in list_jobs(shop, "rejected")}
    assert len(reasons) == 1 and "gone from the work folder" in reasons.pop()  # type: ignore[operator]
