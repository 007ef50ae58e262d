"""A shop served from end to end, with real children."""

from __future__ import annotations

import errno
import itertools
import json
import os
import signal
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import drills
import performers
import pytest
from fettlebox import server
from fettlebox.errors import FettleboxError, RecipeError, UsageError
from fettlebox.jobs import list_jobs, opening, release, retry
from fettlebox.jobs.audit import audit_shop
from fettlebox.jobs.events import Event
from fettlebox.jobs.folders import ShopFolders
from fettlebox.jobs.lock import shop_lock, wait_for_orphans
from fettlebox.server import serve
from fettlebox.workers import Answer

MakeShop = Callable[..., Path]
PATIENCE_S = 60.0


@pytest.fixture
def inline(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("fettlebox.pools.Workers", drills.InlineWorkers)


def drop(shop: Path, *names: str) -> None:
    for name in names:
        (shop / "inbox" / name).write_text(f"scan {name}")


def test_once_serves_what_is_there_and_says_how_each_job_ended(make_shop: MakeShop) -> None:
    shop = make_shop(workers=2)
    drop(shop, "good.stl", "hold.stl", "reject.stl", "segfault.stl", "once.stl")
    events: list[Event] = []

    def note(event: Event) -> None:
        events.append(event)
        started = [past.text for past in events if past.kind == "started" and past.job == event.job]
        if event.kind == "again" and started[0].endswith("once.stl"):
            (shop / "again").touch()

    summary = serve(shop, once=True, perform=performers.by_name, on_event=note)
    assert summary.counts == {"done": 2, "held": 1, "rejected": 2}
    ended = {result.scan: result for result in summary.results}
    assert ended["hold.stl"].reason == "somebody should look at this"
    assert "SIGSEGV" in (ended["segfault.stl"].reason or "") and ended["segfault.stl"].attempts == 2
    assert ended["once.stl"].state == "done" and ended["once.stl"].attempts == 2
    for result in summary.results:
        assert (result.folder / "original" / result.scan).read_text() == f"scan {result.scan}"
        assert (result.reason is None) == (result.state == "done")
        if result.reason:
            assert (result.folder / "reason.txt").read_text() == result.reason + "\n"
    assert (ended["good.stl"].folder / "part.bin").read_text() == "scan good.stl"
    assert not (ended["segfault.stl"].folder / "half").exists(), "what a failed attempt left is not delivered"
    assert not list((shop / "inbox").iterdir()) and not list((shop / ".fettlebox" / "work").iterdir())
    assert {event.kind for event in events} >= {"claimed", "started", "again", "done", "held", "rejected"}
    assert str(events[0]) == events[0].text


def test_a_worker_has_its_next_job_before_the_last_ones_result_is_put_away(make_shop: MakeShop) -> None:
    """One worker, so that each start but the first has to wait for an answer; and none waits longer."""
    shop = make_shop()
    drop(shop, *(f"{number}.stl" for number in range(4)))
    events: list[tuple[str, str | None]] = []
    summary = serve(
        shop,
        once=True,
        perform=performers.succeed,
        on_event=lambda event: events.append((event.kind, event.job)),
    )
    assert dict(summary.counts) == {"done": 4}
    began = [job for kind, job in events if kind == "started"]
    for one, following in itertools.pairwise(began):
        assert events.index(("started", following)) < events.index(("done", one))
    assert audit_shop(shop).clean


@pytest.mark.usefixtures("inline")
def test_an_empty_shop_is_served_at_once(make_shop: MakeShop) -> None:
    assert serve(make_shop(), once=True, perform=performers.succeed).counts == {}


@pytest.mark.usefixtures("inline")
def test_once_waits_for_what_is_settling(make_shop: MakeShop) -> None:
    shop = make_shop(settle="0.2 s")
    drop(shop, "good.stl")
    assert serve(shop, once=True, perform=performers.succeed).counts == {"done": 1}


@pytest.mark.usefixtures("inline")
def test_once_does_not_wait_for_what_never_becomes_a_job(make_shop: MakeShop) -> None:
    shop = make_shop()
    (shop / "inbox" / "link").symlink_to("/etc/passwd")
    os.mkfifo(shop / "inbox" / "pipe")
    (shop / "inbox" / "empty").mkdir()
    drop(shop, "lonely.stl.ticket.yaml", "half.part")
    events: list[Event] = []
    assert serve(shop, once=True, perform=performers.succeed, on_event=events.append).counts == {}
    assert sorted(event.text.split(":")[0] for event in events if event.kind == "left alone") == [
        "link",
        "pipe",
    ]
    assert len(list((shop / "inbox").iterdir())) == 5


@pytest.mark.usefixtures("inline")
def test_a_ticket_with_an_unknown_recipe_is_a_reject_with_the_sentence(make_shop: MakeShop) -> None:
    shop = make_shop()
    drop(shop, "bust.stl")
    (shop / "inbox" / "bust.stl.ticket.yaml").write_text("order: A-1\nrecipe: fancie\n")
    (result,) = serve(shop, once=True, perform=performers.succeed).results
    assert (result.state, result.recipe, result.order) == ("rejected", "fancie", "A-1")
    assert result.reason == (
        "bust.stl: ticket and recipe: this shop has no recipe 'fancie'; did you mean 'fancy'? "
        "Put the ticket or the recipe right and retry the job"
    )
    assert (result.folder / "original" / "bust.stl.ticket.yaml").exists()
    (shop / "recipes" / "fancie.yaml").write_text((shop / "recipes" / "fancy.yaml").read_text())
    retry(shop, result.job)
    (again,) = serve(shop, once=True, perform=performers.succeed).results
    assert (again.job, again.state) == (result.job, "done")


def test_a_held_job_is_released_as_it_is(make_shop: MakeShop) -> None:
    shop = make_shop()
    drop(shop, "hold.stl")
    (result,) = serve(shop, once=True, perform=performers.by_name).results
    release(shop, result.job)
    assert (shop / "outbox" / result.folder.name / "half").read_text() == "something half done"
    assert serve(shop, once=True, perform=performers.by_name).counts == {}, "nothing is done twice"


@pytest.mark.usefixtures("inline")
def test_a_second_server_is_told_who_the_first_is(make_shop: MakeShop) -> None:
    shop = make_shop()
    folders = ShopFolders(shop)
    folders.make()
    with (
        shop_lock(folders.private / "lock"),
        pytest.raises(UsageError, match=f"already being served, by process {os.getpid()}"),
    ):
        serve(shop, once=True, perform=performers.succeed)
    assert serve(shop, once=True, perform=performers.succeed).counts == {}


def test_wrong_use_is_a_sentence_and_makes_nothing(make_shop: MakeShop, tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="not a shop"):
        serve(tmp_path / "nowhere", once=True, perform=performers.succeed)
    assert not (tmp_path / "nowhere").exists()
    shop = make_shop()
    with pytest.raises(UsageError, match="at least 1"):
        serve(shop, once=True, workers=0, perform=performers.succeed)
    (shop / "shop.yaml").write_text("shop: x\nrecipe: nope\n")
    with pytest.raises(RecipeError):
        serve(shop, once=True, perform=performers.succeed)


def test_a_worker_that_outlived_its_server_is_not_worked_beside(
    make_shop: MakeShop, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(opening, "wait_for_orphans", lambda private: False)
    with pytest.raises(UsageError, match="still at work"):
        serve(make_shop(), once=True, perform=performers.succeed)


def test_a_disk_that_is_full_at_the_start_is_a_sentence(
    make_shop: MakeShop, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(folders: ShopFolders) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(opening, "open_spool", full)
    with pytest.raises(UsageError, match="the disk is full"):
        serve(make_shop(), once=True, perform=performers.succeed)


@pytest.mark.parametrize("where", ["claim", "seal", "spool", "runner"])
@pytest.mark.usefixtures("inline")
def test_a_full_disk_pauses_and_goes_on_by_itself(
    make_shop: MakeShop, monkeypatch: pytest.MonkeyPatch, where: str
) -> None:
    shop = make_shop()
    drop(shop, "a.stl", "b.stl", "c.stl")
    monkeypatch.setattr(server, "PAUSE_S", 0.05)
    left = [3]
    perform: Any = performers.succeed

    def full(real: Callable[..., Any]) -> Callable[..., Any]:
        def call(*args: Any, **kwargs: Any) -> Any:
            left[0] -= 1
            if left[0] in (0, 1):
                raise OSError(errno.ENOSPC, "No space left on device")
            return real(*args, **kwargs)

        return call

    from fettlebox.jobs import folders, spool, store

    if where == "claim":
        monkeypatch.setattr(folders, "write_whole", full(folders.write_whole))
    elif where == "seal":
        monkeypatch.setattr(store, "seal", full(store.seal))
    elif where == "spool":
        monkeypatch.setattr(spool.Spool, "move", full(spool.Spool.move))
    else:
        perform = full(performers.succeed)
    events: list[Event] = []
    summary = serve(shop, once=True, perform=perform, on_event=events.append)
    assert summary.counts == {"done": 3}
    drills.check_all_delivered(shop, {"scan a.stl", "scan b.stl", "scan c.stl"})
    kinds = [event.kind for event in events]
    assert "paused" in kinds and kinds.index("resumed") > kinds.index("paused")
    assert {row.attempts for row in list_jobs(shop)} == {1}, "the jobs are not to blame"


@pytest.mark.usefixtures("inline")
def test_the_log_holds_no_words_of_customers(make_shop: MakeShop) -> None:
    shop = make_shop()
    drop(shop, "bust.stl", "hold-\x1b[31m.stl")
    (shop / "inbox" / "bust.stl.ticket.yaml").write_text(
        "order: A-1\nnote: SECRET WORDS\nrecipe: SECRET-RECIPE\n"
    )
    serve(shop, once=True, perform=performers.by_name)
    log = (shop / ".fettlebox" / "log").read_bytes()
    assert b"SECRET" not in log and b"scan bust" not in log
    assert all(0x20 <= byte < 0x7F or byte == 0x0A for byte in log)
    assert {json.loads(line)["event"] for line in log.splitlines()} >= {
        "claimed",
        "started",
        "held",
        "stopped",
    }


@pytest.mark.usefixtures("inline")
def test_memory_does_not_grow_with_the_number_of_jobs(make_shop: MakeShop) -> None:
    """Resident memory from /proc/self/statm; watch events are off with `once`."""
    shop = make_shop()
    drop(shop, *(f"{count}.stl" for count in range(1200)))
    resident: list[int] = []

    def note(event: Event) -> None:
        if event.kind == "done":
            pages = int(Path("/proc/self/statm").read_text().split()[1])
            resident.append(pages * os.sysconf("SC_PAGE_SIZE"))

    assert serve(shop, once=True, perform=performers.succeed, on_event=note).counts == {"done": 1200}
    assert len(resident) == 1200 and max(resident[400:]) - min(resident[400:]) < 20e6


class NeverStarting(drills.InlineWorkers):
    """Workers whose processes cannot start, as with a broken installation."""

    def start(self, task: Any, needs: Any = None) -> None:
        self._running.add(task.job)
        self._on_answer(Answer(task.job, "stopped"))


def test_workers_that_cannot_start_stop_the_server_and_blame_no_job(
    make_shop: MakeShop, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("fettlebox.pools.Workers", NeverStarting)
    shop = make_shop()
    drop(shop, "a.stl", "b.stl")
    with pytest.raises(FettleboxError, match="workers cannot start"):
        serve(shop, once=True, perform=performers.succeed)
    assert [(str(row.state), row.attempts) for row in list_jobs(shop)] == [("queued", 0)] * 2


def test_children_stopped_together_with_the_server_are_no_failures(make_shop: MakeShop) -> None:
    """A service manager sends SIGTERM to every process of the service."""
    shop = make_shop(attempts=1)
    drop(shop, "hang.stl")
    child = start_server(shop, performers.by_name, own_group=True)
    wait_for(lambda: list((shop / ".fettlebox/work").glob("*/half")))
    os.killpg(child, signal.SIGTERM)
    os.waitpid(child, 0)
    assert json.loads((shop / "summary.json").read_text())[1] == 1
    assert [(str(row.state), row.attempts) for row in list_jobs(shop)] == [("queued", 0)]


# A server in a process of its own, to be sent signals.


def start_server(shop: Path, perform: Any, *, grace_s: float = 30.0, own_group: bool = False) -> int:
    child = os.fork()
    if child == 0:
        status = 1
        try:
            if own_group:
                os.setpgid(0, 0)
            server.GRACE_S = grace_s  # type: ignore[misc]
            summary = serve(shop, perform=perform)
            (shop / "summary.json").write_text(
                json.dumps([dict(summary.counts), summary.given_back, summary.stopped_by])
            )
            status = 0
        finally:
            os._exit(status)
    return child


def wait_for(condition: Callable[[], Any]) -> None:
    until = time.monotonic() + PATIENCE_S
    while not condition():
        assert time.monotonic() < until, "it did not happen"
        time.sleep(0.01)


def said(shop: Path) -> list[str]:
    log = shop / ".fettlebox" / "log"
    return [json.loads(line)["event"] for line in log.read_text().splitlines()] if log.exists() else []


def end(child: int, number: int = signal.SIGTERM) -> int:
    os.kill(child, number)
    _, status = os.waitpid(child, 0)
    return os.waitstatus_to_exitcode(status)


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_server_that_is_asked_to_stop_ends_the_jobs_at_hand(make_shop: MakeShop, number: int) -> None:
    shop = make_shop()
    child = start_server(shop, performers.slow)
    wait_for(lambda: "ready" in said(shop))
    drop(shop, *(f"{count}.stl" for count in range(200)))
    wait_for(lambda: "done" in said(shop))
    assert end(child, number) == 0
    counts, given_back, stopped_by = json.loads((shop / "summary.json").read_text())
    assert given_back == 0 and stopped_by == signal.Signals(number).name
    rows = list_jobs(shop)
    assert {str(row.state) for row in rows} <= {"done", "queued"}
    assert sum(row.state == "done" for row in rows) == counts["done"] < 200
    drills.check_nothing_lost(shop, {f"scan {count}.stl" for count in range(200)})


def test_a_job_that_does_not_end_in_time_is_given_back(make_shop: MakeShop) -> None:
    shop = make_shop()
    drop(shop, "hang.stl")
    child = start_server(shop, performers.by_name, grace_s=0.1)
    wait_for(lambda: list((shop / ".fettlebox/work").glob("*/half")))
    assert end(child) == 0
    assert json.loads((shop / "summary.json").read_text())[1] == 1
    (row,) = list_jobs(shop)
    assert (str(row.state), row.attempts) == ("queued", 0)
    assert sorted(path.name for path in (shop / row.folder).iterdir()) == ["job.json", "original"]


def test_a_second_signal_does_not_wait(make_shop: MakeShop) -> None:
    shop = make_shop()
    drop(shop, "hang.stl")
    child = start_server(shop, performers.by_name, grace_s=3600.0)
    wait_for(lambda: list((shop / ".fettlebox/work").glob("*/half")))
    os.kill(child, signal.SIGINT)
    wait_for(lambda: "stopping" in said(shop))
    assert end(child, signal.SIGINT) == 0
    (row,) = list_jobs(shop)
    assert str(row.state) == "queued"


def test_sighup_reads_the_shop_again_and_a_wrong_one_changes_nothing(make_shop: MakeShop) -> None:
    shop = make_shop()
    child = start_server(shop, performers.succeed)
    wait_for(lambda: "ready" in said(shop))
    good = (shop / "shop.yaml").read_text()
    (shop / "shop.yaml").write_text("recipe: [broken")
    os.kill(child, signal.SIGHUP)
    wait_for(lambda: "not reloaded" in said(shop))
    drop(shop, "a.stl")
    wait_for(lambda: list((shop / "outbox").glob("a.*")))
    (shop / "shop.yaml").write_text(good.replace("recipe: plain", "recipe: fancy"))
    os.kill(child, signal.SIGHUP)
    wait_for(lambda: "reloaded" in said(shop))
    drop(shop, "b.stl")
    wait_for(lambda: list((shop / "outbox").glob("b.*")))
    assert end(child) == 0
    assert {row.scan_name: row.recipe for row in list_jobs(shop)} == {"a.stl": "plain", "b.stl": "fancy"}


def test_children_die_with_a_server_that_is_killed(make_shop: MakeShop) -> None:
    shop = make_shop()
    drop(shop, "deaf.stl")
    child = start_server(shop, performers.by_name)
    wait_for(lambda: list((shop / ".fettlebox/work").glob("*/half")))
    assert end(child, signal.SIGKILL) == -signal.SIGKILL
    assert wait_for_orphans(shop / ".fettlebox", patience_s=PATIENCE_S)
    assert [str(row.state) for row in list_jobs(shop)] == ["working"]


def test_a_job_retried_beside_a_running_server_is_served(make_shop: MakeShop) -> None:
    shop = make_shop(attempts=1)
    drop(shop, "once.stl")
    child = start_server(shop, performers.by_name)
    wait_for(lambda: list((shop / "rejects").iterdir()) and "rejected" in said(shop))
    (row,) = list_jobs(shop)
    (shop / "again").touch()
    retry(shop, row.id)
    wait_for(lambda: list((shop / "outbox").iterdir()))
    assert end(child) == 0
