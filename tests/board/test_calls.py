"""Calls for programs. The shape of errors is that of RFC 9457, of the description OpenAPI 3.1; requests that
nobody would think of come from schemathesis.
"""

from __future__ import annotations

import hashlib
import shutil
from pathlib import Path
from typing import Any

import pytest
import yaml
from fettlebox.board.app import openapi_of
from fettlebox.board.calls import PROBLEMS
from fettlebox.cli import app as command_line
from fettlebox.jobs.audit import audit_shop
from fettlebox.jobs.states import State
from fettlebox.recipe import load_ticket
from fettlebox.traveler.ledger import Ledger
from typer.main import get_command

from .conftest import Bench, make_shop, opened

API = "/api/v1"


def test_jobs_come_in_pages_that_neither_repeat_nor_leave_out(bench: Bench) -> None:
    made = [bench.job(State.HELD if number % 2 else State.DONE) for number in range(12)]
    seen: list[str] = []
    cursor: str | None = None
    while True:
        params: dict[str, Any] = {"limit": 5} | ({"cursor": cursor} if cursor else {})
        page = bench.client.get(f"{API}/jobs", params=params, headers=bench.headers("see")).json()
        seen += [job["id"] for job in page["jobs"]]
        if len(seen) == 5:
            made.append(bench.job())  # one that comes meanwhile is on the first page, and moves nothing
        cursor = page["more"]
        if cursor is None:
            break
    assert seen == list(reversed(made[:12]))
    for bad in ("x", "c2VxIC0x", "c2VxIDE=", "ä"):
        answer = bench.client.get(f"{API}/jobs", params={"cursor": bad}, headers=bench.headers("see"))
        assert answer.status_code in (200, 400) and (bad == "c2VxIDE=" or answer.status_code == 400)


def test_jobs_are_found_by_order_name_id_and_digest(bench: Bench) -> None:
    one, other = bench.job(order="LY-1041"), bench.job(order="50%_off")
    found = {}
    for text in ("ly-10", "bust", one[:12], f"{1:064x}"[:64], "50%_", "%", "_", "\\", "' OR 1=1 --"):
        answer = bench.client.get(f"{API}/jobs", params={"find": text}, headers=bench.headers("see"))
        found[text] = {job["id"] for job in answer.json()["jobs"]}
    assert found["ly-10"] == found[one[:12]] == {one} and found["50%_"] == found["%"] == found["_"] == {other}
    assert found["bust"] == {one, other} and not found["\\"] and not found["' OR 1=1 --"]
    assert found[f"{1:064x}"] == {one}


def test_a_decision_is_carried_out_and_names_its_person(bench: Bench) -> None:
    released, rejected, again = bench.job(), bench.job(), bench.job()
    decide = bench.headers("decide")
    assert bench.client.post(f"{API}/jobs/{released}/release", json={}, headers=decide).status_code == 200
    answer = bench.client.post(f"{API}/jobs/{rejected}/reject", json={"reason": "no nose"}, headers=decide)
    assert answer.json()["job"]["state"] == "rejected" and answer.json()["job"]["reason"] == "no nose"
    answer = bench.client.post(
        f"{API}/jobs/{again}/retry", json={"set": {"size": "30 %"}, "unit": "cm"}, headers=decide
    )
    assert answer.status_code == 200 and answer.json()["job"]["state"] == "queued"
    ticket = load_ticket(bench.shop / ".fettlebox/work" / again / "original/bust.ticket.yaml")
    assert ticket.set == {"size": "30 %"} and ticket.unit == "cm" and ticket.recipe == "plain"
    entries = list(Ledger(bench.shop).entries())
    assert [(e.event, e.by) for e in entries[3:]] == [
        ("released", "decide"), ("rejected", "decide"), ("retried", "decide"),
    ]  # fmt: skip
    assert audit_shop(bench.shop).clean
    happened = bench.client.get(f"{API}/jobs/{rejected}/happened", headers=decide).json()["entries"]
    assert [(e["event"], e["by"]) for e in happened] == [("rejected", "decide"), ("held", None)]


def test_an_answer_that_does_not_suit_is_named_and_nothing_is_changed(bench: Bench) -> None:
    job = bench.job()
    given = {"set": {"size": "900 %", "colour": "red"}}
    answer = bench.client.post(f"{API}/jobs/{job}/retry", json=given, headers=bench.headers("decide"))
    assert answer.status_code == 422 and answer.headers["content-type"] == "application/problem+json"
    assert "at most 200 %" in answer.json()["errors"]["size"] and "colour" in answer.json()["errors"]
    row = bench.office.spool.job(job)
    assert row is not None and row.state is State.HELD


def test_who_comes_second_is_told_who_was_quicker(bench: Bench) -> None:
    job = bench.job()
    bench.client.post(f"{API}/jobs/{job}/release", json={}, headers=bench.headers("admin"))
    answer = bench.client.post(
        f"{API}/jobs/{job}/reject", json={"reason": "x"}, headers=bench.headers("decide")
    )
    assert answer.status_code == 409
    assert "admin was quicker: it was released" in answer.json()["detail"]
    stale = bench.job()
    answer = bench.client.post(
        f"{API}/jobs/{stale}/release", json={"seen": "x"}, headers=bench.headers("decide")
    )
    assert answer.status_code == 409 and "ended anew" in answer.json()["detail"]


def test_errors_are_problem_details(bench: Bench) -> None:
    for path, headers, status in (
        (f"{API}/jobs/nobody", bench.headers("see"), 404),
        (f"{API}/jobs", {}, 401),
        (f"{API}/doctor", bench.headers("see"), 403),
        (f"{API}/jobs?limit=0", bench.headers("see"), 422),
        (f"{API}/nothing", bench.headers("see"), 404),
        ("/jobs/nobody", bench.headers("see"), 404),
    ):
        answer = bench.client.get(path, headers=headers)
        assert answer.status_code == status, path
        assert answer.headers["content-type"] == "application/problem+json"
        told = answer.json()
        assert told["status"] == status and told["title"] and told["detail"], "RFC 9457, section 3.1"
    assert (
        bench.client.get("/jobs/nobody", headers={**bench.headers("see"), "Accept": "text/html"}).text[:2]
        == "<!"
    )


def test_the_same_key_is_done_once(bench: Bench) -> None:
    job = bench.job()
    headers = {**bench.headers("decide"), "Idempotency-Key": "abc"}
    first = bench.client.post(f"{API}/jobs/{job}/release", json={}, headers=headers)
    again = bench.client.post(f"{API}/jobs/{job}/release", json={}, headers=headers)
    assert first.status_code == again.status_code == 200 and first.json() == again.json()
    assert again.headers["idempotency-replayed"] == "true"
    other = bench.client.post(f"{API}/jobs/{job}/release", json={"seen": "x"}, headers=headers)
    assert other.status_code == 422, "the key of one request does not do for another"
    foreign = bench.client.post(
        f"{API}/jobs/{job}/release", json={}, headers={**bench.headers("admin"), "Idempotency-Key": "abc"}
    )
    assert foreign.status_code == 409, "another person's key is another key"
    failed = {**headers, "Idempotency-Key": "xyz"}
    assert bench.client.post(f"{API}/jobs/{job}/release", json={}, headers=failed).status_code == 409
    assert bench.client.post(f"{API}/jobs/{job}/release", json={}, headers=failed).status_code == 409


def announce(bench: Bench, name: str, data: bytes, **more: Any) -> Any:
    asked = {"name": name, "bytes": len(data), "recipe": "plain", **more}
    return bench.client.post(f"{API}/uploads", json=asked, headers=bench.headers("decide"))


def send(bench: Bench, upload: str, at: int, data: bytes, who: str = "decide") -> Any:
    return bench.client.put(f"{API}/uploads/{upload}?at={at}", content=data, headers=bench.headers(who))


def visible(shop: Path) -> list[str]:
    return sorted(path.name for path in (shop / "inbox").iterdir() if not path.name.startswith("."))


def test_a_scan_is_in_the_inbox_whole_or_not_at_all(bench: Bench) -> None:
    data = hashlib.sha256(b"scan").digest() * 1000
    begun = announce(bench, "bust.ply", data, order="LY-7", set={"size": "30 %"}, unit="cm", note="soon")
    assert begun.status_code == 201
    upload = begun.json()["id"]
    assert visible(bench.shop) == []
    assert send(bench, upload, 0, data[:10_000]).json()["has"] == 10_000
    assert visible(bench.shop) == [], "a part of it is nobody's scan"
    wrong = send(bench, upload, 5_000, data[5_000:])
    assert wrong.status_code == 409 and wrong.json()["has"] == 10_000
    assert send(bench, upload, 10_000, data[10_000:] + b"x").status_code == 413, "more than was announced"
    has = bench.client.get(f"{API}/uploads/{upload}", headers=bench.headers("decide")).json()["has"]
    ended = send(bench, upload, has, data[has:])
    assert ended.json()["complete"] and visible(bench.shop) == ["bust.ply", "bust.ply.ticket.yaml"]
    assert (bench.shop / "inbox/bust.ply").read_bytes() == data
    ticket = load_ticket(bench.shop / "inbox/bust.ply.ticket.yaml")
    assert (ticket.order, ticket.recipe, ticket.set, ticket.unit, ticket.note) == (
        "LY-7", "plain", {"size": "30 %"}, "cm", "soon",
    )  # fmt: skip
    assert send(bench, upload, 0, data).status_code == 404, "it is complete and can be sent no more"
    again = announce(bench, "bust.ply", b"other").json()["id"]
    assert send(bench, again, 0, b"other").json()["name"] == "bust (2).ply", "nothing is written over"


def test_the_intake_takes_what_came_through_the_browser(bench: Bench) -> None:
    from fettlebox.jobs.rules import load_rules
    from fettlebox.watch import Intake

    upload = announce(bench, "bust.stl", b"solid", order="A-1").json()["id"]
    intake = Intake(bench.store, load_rules(bench.shop))
    for now in (0.0, 100.0, 200.0):
        look = intake.look(now)
        assert not look.claimed and not look.settling, "half of a scan is passed over, however long it lies"
    send(bench, upload, 0, b"solid")
    intake.look(300.0)
    (job,) = intake.look(400.0).claimed
    row = bench.office.spool.job(job)
    assert row is not None and (row.order_no, row.recipe, row.scan_name) == ("A-1", "plain", "bust.stl")


@pytest.mark.parametrize(
    ("name", "becomes"),
    [
        ("../../shop.yaml", None), ("x.exe", None), ("noending", None), (".stl", None), ("", None),
        ("../bust.stl", "bust.stl"), ("C:\\scans\\bust.stl", "bust.stl"), (".hidden.stl", "hidden.stl"),
        ("a\x00b.stl", "a_b.stl"), ("a\u202eb.stl", "a_b.stl"), ("x" * 240 + ".ply", "x" * 150 + ".ply"),
        ("Jäger.STL", "Jäger.stl"), ("bust.takes.ticket.yaml", None), ("~bust.stl", "bust.stl"),
    ],
)  # fmt: skip
def test_a_name_is_made_plain_or_refused(bench: Bench, name: str, becomes: str | None) -> None:
    begun = announce(bench, name, b"x")
    if becomes is None:
        assert begun.status_code == 422
    else:
        assert begun.json()["name"] == becomes
        assert send(bench, begun.json()["id"], 0, b"x").json()["complete"]
        assert visible(bench.shop) == [becomes, f"{becomes}.ticket.yaml"]


def test_what_cannot_be_taken_is_said_before_a_byte_was_sent(tmp_path: Path) -> None:
    with opened(make_shop(tmp_path), most_upload_bytes=1000, most_uploads=2) as bench:
        assert announce(bench, "a.stl", b"x" * 1001).status_code == 413
        assert announce(bench, "a.stl", b"x", set={"size": "huge"}).status_code == 422
        assert announce(bench, "a.stl", b"x", recipe="unknown").status_code == 404
        one = announce(bench, "a.stl", b"x").json()["id"]
        announce(bench, "b.stl", b"x")
        assert announce(bench, "c.stl", b"x").status_code == 503
        assert send(bench, one, 0, b"x", who="admin").status_code == 404, "another person's upload"
        bench.client.delete(f"{API}/uploads/{one}", headers=bench.headers("decide"))
        assert announce(bench, "c.stl", b"x").status_code == 201
        bench.office.cabinet.do("UPDATE uploads SET at = 0")
        bench.office.uploads.forget_old()
        assert not list((bench.shop / "inbox").iterdir()), "what was never ended is taken away"


def test_uploads_leave_room_on_the_disk(tmp_path: Path) -> None:
    free = shutil.disk_usage(tmp_path).free
    with opened(make_shop(tmp_path), room_left_bytes=free + (1 << 30)) as bench:
        answer = announce(bench, "a.stl", b"x")
        assert answer.status_code == 507 and "no room" in answer.json()["detail"]
        assert not list((bench.shop / "inbox").iterdir())


def test_a_ticket_that_waits_in_the_inbox_is_not_written_over(bench: Bench) -> None:
    (bench.shop / "inbox/bust.stl.ticket.yaml").write_text("order: theirs\n")
    upload = announce(bench, "bust.stl", b"x", order="ours").json()["id"]
    name = send(bench, upload, 0, b"x").json()["name"]
    assert name != "bust.stl"
    assert yaml.safe_load((bench.shop / "inbox/bust.stl.ticket.yaml").read_text()) == {"order": "theirs"}
    assert yaml.safe_load((bench.shop / f"inbox/{name}.ticket.yaml").read_text())["order"] == "ours"


def test_two_lines_cannot_write_one_scan(bench: Bench) -> None:
    upload = announce(bench, "bust.stl", b"x" * 100).json()["id"]
    with bench.office.uploads._alone(upload):  # as while the other line is being read
        answer = send(bench, upload, 0, b"x" * 100)
    assert answer.status_code == 409 and "another line" in answer.json()["detail"]
    assert send(bench, upload, 0, b"x" * 100).json()["complete"]


MEANS = {
    "jobs": "/jobs", "release": "/jobs/{job}/release", "retry": "/jobs/{job}/retry",
    "reject": "/jobs/{job}/reject", "discard": "/jobs/{job}/discard", "audit": "/audit", "check": "/check",
    "explain": "/recipes/{name}", "steps": "/steps", "schema": "/schema/{kind}", "doctor": "/doctor",
    "recipe": "/recipes/{old}/difference/{new}", "hook": "/hooks",
}  # fmt: skip
NOT_HERE = {"run", "try", "serve", "init", "demo", "replay", "plugin", "token", "shop"}
"""They work on files of whoever calls them or that lie in no job, make shops or plugins, or hand out keys."""


def test_every_command_has_its_call(bench: Bench) -> None:
    commands = set(get_command(command_line).commands)  # type: ignore[attr-defined]
    described = {path.removeprefix(API) for path in openapi_of(bench.app)["paths"]}
    assert set(MEANS.values()) <= described
    assert commands - set(MEANS) - NOT_HERE == set(), "a new command wants a call, or a word why it has none"


def test_what_may_go_wrong_is_described(bench: Bench) -> None:
    for path, methods in openapi_of(bench.app)["paths"].items():
        for method, operation in methods.items():
            assert operation["summary"], (path, method)
            assert {str(status) for status in PROBLEMS} <= set(operation["responses"])


@pytest.mark.slow
def test_no_request_breaks_it(tmp_path: Path) -> None:
    """schemathesis makes requests from the description, good and bad; none may end in an error of ours."""
    import schemathesis
    from hypothesis import HealthCheck, given, settings
    from schemathesis import GenerationMode

    with opened(make_shop(tmp_path)) as bench:
        jobs = [bench.job(state) for state in (State.HELD, State.DONE, State.REJECTED, State.QUEUED) * 3]
        document = openapi_of(bench.app)
        schema = schemathesis.openapi.from_dict(document)
        statuses: dict[int, int] = {}

        for result in schema.get_all_operations():
            operation = result.ok()
            if operation.path.endswith("/doctor"):
                continue  # it looks at this machine, and takes nothing from the request

            right, wrong = (operation.as_strategy(generation_mode=mode) for mode in GenerationMode)
            strategy = right | wrong

            @settings(max_examples=20, deadline=None, database=None, derandomize=True,
                      suppress_health_check=list(HealthCheck))  # fmt: skip
            @given(case=strategy)
            def ask(case: Any) -> None:
                sent = case.as_transport_kwargs(base_url="http://127.0.0.1:8311")
                headers = {str(k): v for k, v in (sent.get("headers") or {}).items()}
                url = sent["url"]
                if "/jobs/" in url and case.path_parameters:  # now and then a job that there is
                    name = str(case.path_parameters.get("job", ""))
                    url = url.replace(f"/jobs/{name}", f"/jobs/{jobs[len(name) % len(jobs)]}", 1)
                answer = bench.client.request(
                    sent["method"], url, params=sent.get("params"), json=sent.get("json"),
                    content=sent.get("data") if isinstance(sent.get("data"), bytes) else None,
                    headers={**headers, **bench.headers("admin")},
                )  # fmt: skip
                statuses[answer.status_code] = statuses.get(answer.status_code, 0) + 1
                assert answer.status_code < 500 or answer.status_code in (503, 507), (sent, answer.text)
                if answer.status_code >= 400 and "json" in answer.headers.get("content-type", ""):
                    assert answer.headers["content-type"] == "application/problem+json"

            ask()
        assert statuses.get(200, 0) > 50 and statuses.get(422, 0) > 20, statuses
        assert audit_shop(bench.shop).clean
