"""The board follows: the ledger, the spool, its server; and tells what it saw in numbers.

The text format is that of OpenMetrics 1.0, read by the reference parser of `prometheus_client`.
"""

from __future__ import annotations

import asyncio
import json
import shutil
import statistics
import threading
import time
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from fettlebox.board.cabinet import Cabinet
from fettlebox.board.history import KINDS, history
from fettlebox.board.keys import May, Person
from fettlebox.board.ledger_index import LedgerIndex
from fettlebox.board.live import Live
from fettlebox.board.rates import Buckets
from fettlebox.jobs.states import State
from fettlebox.traveler.ledger import FILE, FOLDER, Ledger
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from .conftest import Bench


def test_the_index_says_what_the_ledger_says(bench: Bench) -> None:
    jobs = [bench.job(state) for state in (State.HELD, State.DONE, State.REJECTED, State.HELD)]
    bench.office.desk.release(jobs[0], Person("asha", May.DECIDE))
    bench.office.index.catch_up()
    entries = list(Ledger(bench.shop).entries())
    found = bench.office.index.before(None, 100)
    assert [(e.number, e.event, e.job, e.by, e.digest) for e in reversed(found)] == [
        (e.number, e.event, e.job, e.by, e.digest) for e in entries
    ]
    assert [e.event for e in bench.office.index.of_job(jobs[0])] == ["released", "held"]


def test_the_index_waits_for_the_end_of_a_line_and_forgets_another_ledger(bench: Bench) -> None:
    bench.job(), bench.job()
    path = bench.shop / FOLDER / FILE
    whole = path.read_bytes()
    first = whole.index(b"\n") + 1
    path.write_bytes(whole[: first + 40])
    index = LedgerIndex(bench.shop, bench.office.cabinet)
    bench.office.cabinet.set_mark("ledger", "")
    assert index.catch_up() == 1, "half a line is none"
    path.write_bytes(whole)
    assert index.catch_up() == 1
    copy = path.with_name("copy")
    shutil.copy(path, copy)
    copy.replace(path)  # as when a shop is brought back from a copy
    assert index.catch_up() == 2 and len(index.before(None, 10)) == 2


def test_history_counts_what_happened(bench: Bench) -> None:
    for state in (State.DONE, State.DONE, State.HELD, State.REJECTED):
        bench.job(state)
    bench.office.index.catch_up()
    told = history(bench.office.cabinet)
    assert KINDS == ("done", "held", "rejected") and told.days[-1][1] == (2, 1, 1)
    assert sum(sum(numbers) for _, numbers in told.days) == 4 and len(told.days) == 30
    assert ("held", "gate", 1) in told.stopped and sum(count for *_, count in told.stopped) == 2
    times = {each.step: each for each in told.steps}
    assert times["units"].count == 4 and times["units"].middle_s == 0.5 and times["units"].slow_s == 0.5


@pytest.mark.parametrize("count", [1, 2, 19, 20, 21, 100])
def test_percentiles_are_of_the_nearest_rank(tmp_path: Path, count: int) -> None:
    cabinet = Cabinet(tmp_path)  # without a clerk that brings it up to the ledger
    cabinet.each("INSERT INTO step_times VALUES (?, 'cut', ?)", [(i + 1, float(i + 1)) for i in range(count)])
    (found,) = history(cabinet, datetime.now(UTC)).steps
    values = sorted(float(i + 1) for i in range(count))
    # Nearest rank: the smallest value that at least p percent of all values do not exceed.
    assert found.middle_s == statistics.median_low(values)
    assert found.slow_s == min(v for v in values if sum(w <= v for w in values) * 100 >= 95 * count)
    cabinet.close()


def test_the_numbers_are_open_metrics(bench: Bench) -> None:
    job = bench.job(State.HELD)
    bench.job(State.DONE), bench.job(State.QUEUED)
    bench.office.index.catch_up()
    answer = bench.client.get("/metrics", headers=bench.headers("see"))
    assert answer.headers["content-type"].startswith("application/openmetrics-text; version=1.0.0")
    assert answer.text.endswith("# EOF\n")
    families = {family.name: family for family in text_string_to_metric_families(answer.text)}
    jobs = {(s.labels["state"], s.labels["recipe"]): s.value for s in families["fettlebox_jobs"].samples}
    assert jobs == {("held", "plain"): 1, ("done", "plain"): 1, ("queued", "plain"): 1}
    stopped = {s.labels["why"]: s.value for s in families["fettlebox_stopped_jobs"].samples}
    assert stopped == {"gate": 1}
    steps = {(s.name, s.labels["step"]): s.value for s in families["fettlebox_step_seconds"].samples}
    assert steps["fettlebox_step_seconds_sum", "units"] == 1.0
    assert families["fettlebox_queue_age_seconds"].samples[0].value >= 0
    assert job not in answer.text and "bust" not in answer.text


def test_it_is_ready_while_its_server_is_heard_of(bench: Bench) -> None:
    assert bench.client.get("/health/live").status_code == 200
    assert bench.client.get("/health/ready").status_code == 503
    bench.office.live.hear(b'{"at_work": {}}\n')
    assert bench.client.get("/health/ready").status_code == 200


def test_it_hears_what_workers_are_at_and_nothing_else(bench: Bench) -> None:
    clock = [0.0]
    live = Live(bench.office.spool, lambda: clock[0])
    for line in (b"not json\n", b"[]\n", b'{"at_work": 5}\n', b'"x"\n'):
        live.hear(line)
    assert live.at_work == {}
    live.hear(json.dumps({"at_work": {"a1": "repair"}}).encode())
    assert live.at_work == {"a1": "repair"} and live.news == 1
    live.hear(json.dumps({"at_work": {"a1": "repair"}}).encode())
    assert live.news == 1, "the same again is no news"
    clock[0] = 11.0
    assert not live.server_is_well


def test_pages_hear_of_changes_and_many_changes_are_one_message(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("fettlebox.board.live.GAP_S", 0.05)
    live = Live(bench.office.spool)

    async def follow() -> list[str]:
        messages: list[str] = []

        async def page() -> None:
            async for message in live.stream():
                messages.append(message)

        task = asyncio.create_task(page())
        await asyncio.sleep(0.02)
        for number in range(100):
            live.hear(json.dumps({"at_work": {"a": f"step {number}"}}).encode())
        await asyncio.sleep(0.2)
        live.close()
        await task
        return messages

    messages = asyncio.run(follow())
    news = [json.loads(m.split("data: ")[1]) for m in messages if "event: news" in m]
    assert messages[0].startswith("retry:") and 2 <= len(news) <= 3
    assert news[-1]["at_work"] == {"a": "step 99"} and live.streams == 0 and not live._waiting


def test_a_change_of_the_spool_is_news(bench: Bench) -> None:
    async def look() -> int:
        looking = asyncio.create_task(live.look())
        await asyncio.sleep(0.1)
        before = live.news
        bench.job()
        for _ in range(40):
            await asyncio.sleep(0.1)
            if live.news > before:
                break
        looking.cancel()
        return live.news - before

    live = Live(bench.office.spool)
    assert asyncio.run(look()) >= 1


def test_a_bucket_drips() -> None:
    buckets = Buckets(3.0, 0.5)
    assert [buckets.wait_s("a", 0.0) for _ in range(4)] == [0.0, 0.0, 0.0, 2.0]
    assert buckets.wait_s("b", 0.0) == 0.0, "each key has its own"
    assert buckets.wait_s("a", 1.9) == pytest.approx(0.1) and buckets.wait_s("a", 2.1) == 0.0
    assert buckets.wait_s("a", -5.0) > 0, "a clock that goes back gives nothing"


def test_the_audit_s_word_is_kept(bench: Bench) -> None:
    job = bench.job(State.DONE)
    folder = next((bench.shop / "outbox").iterdir())

    def audited() -> dict[str, Any]:
        bench.client.post("/api/v1/audit", headers=bench.headers("decide"))
        for _ in range(200):
            told: dict[str, Any] = bench.client.get("/api/v1/audit", headers=bench.headers("see")).json()
            if not told["running"] and told["last"]:
                break
        last: dict[str, Any] = told["last"]
        return last

    assert audited()["clean"]
    (folder / "bust.stl").write_bytes(b"another part")
    said = audited()
    assert not said["clean"] and any("bust.stl" in finding and job in finding for finding in said["findings"])
    assert "not as the ledger says" in bench.client.get("/ledger", headers=bench.headers("see")).text


@pytest.mark.parametrize(
    ("error", "said"), [(MemoryError(), "MemoryError()"), (KeyError("lamp"), "KeyError('lamp')")]
)
def test_an_audit_that_fails_says_so_and_may_be_begun_again(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, error: Exception, said: str
) -> None:
    def fail(shop: Path) -> None:
        raise error

    def no_thread(thread: threading.Thread) -> None:
        raise RuntimeError("can't start new thread")

    monkeypatch.setattr("fettlebox.board.auditing.audit_shop", fail)
    auditor = bench.office.auditor
    with monkeypatch.context() as patched, pytest.raises(RuntimeError, match="thread"):
        patched.setattr(threading.Thread, "start", no_thread)
        auditor.start()
    assert auditor.start()
    for thread in threading.enumerate():
        if thread.name == "board-audit":
            thread.join(60)
    assert not auditor.running
    told = auditor.last()
    assert told is not None and told["findings"] == [f"it could not be done: {said}"] and not told["clean"]


def test_what_many_pages_want_is_made_once(bench: Bench) -> None:
    from concurrent.futures import ThreadPoolExecutor

    from fettlebox.board.kept import Kept

    made: list[int] = []
    kept = Kept(2)

    def make() -> bytes:
        made.append(1)
        return b"x"

    with ThreadPoolExecutor(8) as pool:
        assert list(pool.map(lambda _: kept.get("a", make), range(50))) == [b"x"] * 50
    assert len(made) == 1
    for key in ("b", "c", "a"):
        kept.get(key, make)
    assert len(made) == 4, "the oldest is forgotten"


def test_the_list_that_pages_follow_is_never_an_old_one(bench: Bench) -> None:
    for number in range(3):
        job = bench.job()
        page = bench.client.get("/part/jobs", headers=bench.headers("see")).text
        assert job in page and page.count("<li data-key=") >= number
        bench.office.desk.release(job, Person("asha", May.DECIDE))
        page = bench.client.get("/part/jobs", headers=bench.headers("see")).text
        assert "Waits for a person <b>0</b>" in page
        assert "form_token" not in page and "asha" not in page, "it is the same for everybody"


def test_the_clerk_brings_the_index_up_by_itself(bench: Bench) -> None:
    from fettlebox.board.office import Clerk

    job = bench.job()
    clerk = Clerk(bench.office)
    clerk.start()
    for _ in range(500):
        if bench.office.index.of_job(job):
            break
        time.sleep(0.02)
    clerk.stop()
    assert [entry.event for entry in bench.office.index.of_job(job)] == ["held"] and not clerk.is_alive()
