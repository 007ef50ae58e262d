"""Events: CloudEvents 1.0.2 in the JSON format, signed as the Standard Webhooks specification says.

The signature's check value is the example in that specification's reference libraries (secret, id, time, body
and signature, from memory); openssl computes another one a second time.
"""

from __future__ import annotations

import base64
import json
import shutil
import subprocess
from collections.abc import Mapping
from datetime import datetime
from typing import Any

import pytest
from fettlebox.board.postman import (
    PAUSES_S,
    Postman,
    add_hook,
    given_up,
    hooks,
    remove_hook,
    signature,
    try_again,
)
from fettlebox.errors import UsageError
from fettlebox.jobs.states import State

from .conftest import Bench

URL = "https://orders.example/fettlebox"


class Post:
    """Where messages go in tests: keeps them, and answers as it is told."""

    def __init__(self) -> None:
        self.sent: list[tuple[str, bytes, Mapping[str, str]]] = []
        self.answer: int | Exception = 204

    def __call__(self, url: str, body: bytes, headers: Mapping[str, str]) -> int:
        self.sent.append((url, body, headers))
        if isinstance(self.answer, Exception):
            raise self.answer
        return self.answer


def postman(bench: Bench, post: Post, now: list[float]) -> Postman:
    return Postman(bench.shop, bench.office.cabinet, bench.office.spool, post, lambda: now[0])


def test_a_signature_is_that_of_the_specification() -> None:
    secret = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"
    body = b'{"test": 2432232314}'
    found = signature(secret, "msg_p5jXN8AQM9LWM0D4loKWxJek", 1614265330, body)
    assert found == "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE="


@pytest.mark.skipif(shutil.which("openssl") is None, reason="there is no openssl to compute it a second time")
def test_a_signature_is_what_openssl_says() -> None:
    key = bytes(range(32))
    done = subprocess.run(
        ["openssl", "dgst", "-sha256", "-mac", "HMAC", "-macopt", f"hexkey:{key.hex()}", "-binary"],
        input=b"5.abc.1700000000.{}", capture_output=True, check=True,
    )  # fmt: skip
    found = signature("whsec_" + base64.b64encode(key).decode(), "5.abc", 1700000000, b"{}")
    assert found == "v1," + base64.b64encode(done.stdout).decode()


def test_what_happens_is_told_once_in_order_and_names_no_scan(bench: Bench) -> None:
    bench.job(order="before")
    bench.office.index.catch_up()
    hook, secret = add_hook(bench.office.cabinet, URL)
    post, now = Post(), [1_700_000_000.0]
    man = postman(bench, post, now)
    job = bench.job(order="LY-1")
    bench.office.desk.release(job, _person())
    bench.office.index.catch_up()
    man.round()
    man.round()
    assert len(post.sent) == 2, "what was before the hook is not told, and nothing twice"
    events = [json.loads(body) for _, body, _ in post.sent]
    for event in events:  # the required attributes of CloudEvents 1.0.2, section "Required Attributes"
        assert event["specversion"] == "1.0" and event["id"] and event["source"] and event["type"]
        assert datetime.fromisoformat(event["time"]).tzinfo is not None, "RFC 3339"
        assert event["subject"] == job and event["data"]["order"] == "LY-1"
    assert [event["type"] for event in events] == ["fettlebox.job.held", "fettlebox.job.released"]
    assert events[1]["data"]["by"] == "asha" and events[0]["id"] != events[1]["id"]
    for url, body, headers in post.sent:
        assert url == URL and headers["Content-Type"] == "application/cloudevents+json"
        assert b"bust" not in body and str(bench.shop).encode() not in body
        again = signature(secret, headers["webhook-id"], int(headers["webhook-timestamp"]), body)
        assert headers["webhook-signature"] == again
    assert hook in post.sent[0][2]["webhook-id"]


def _person() -> Any:
    from fettlebox.board.keys import May, Person

    return Person("asha", May.ADMIN)


def test_what_is_not_taken_is_tried_ever_later_then_kept_aside(bench: Bench) -> None:
    add_hook(bench.office.cabinet, URL)
    post, now = Post(), [1_700_000_000.0]
    post.answer = ConnectionRefusedError(111, "Connection refused")
    man = postman(bench, post, now)
    bench.job()
    bench.office.index.catch_up()
    man.round()
    for tries, pause in enumerate(PAUSES_S, 1):
        assert len(post.sent) == tries
        now[0] += pause - 1
        man.round()
        assert len(post.sent) == tries, "not before its time"
        now[0] += 1
        man.round()
    assert len({headers["webhook-id"] for _, _, headers in post.sent}) == 1, "a try again is the same message"
    now[0] += 1e9
    man.round()
    assert len(post.sent) == len(PAUSES_S) + 1
    (lost,) = given_up(bench.office.cabinet)
    assert "refused" in lost["said"] and lost["tries"] == len(PAUSES_S) + 1
    assert hooks(bench.office.cabinet)[0]["given_up"] == 1
    post.answer = 200
    assert try_again(bench.office.cabinet, lost["id"], now[0])
    assert man.round() == 1 and not given_up(bench.office.cabinet)


def test_what_was_given_up_is_shown_to_whoever_may_send_it_again(bench: Bench) -> None:
    add_hook(bench.office.cabinet, URL)
    bench.job()
    bench.office.index.catch_up()
    post = Post()
    post.answer = 500
    postman(bench, post, [0.0]).round()
    bench.office.cabinet.do("UPDATE deliveries SET due = NULL")
    page = bench.client.get("/health", headers=bench.headers("admin")).text
    assert URL in page and "answered with status 500" in page
    assert URL not in bench.client.get("/health", headers=bench.headers("decide")).text
    (lost,) = given_up(bench.office.cabinet)
    path = f"/hooks/{lost['id']}/again"
    assert bench.client.post(path, headers=bench.headers("admin"), follow_redirects=False).status_code == 303
    assert not given_up(bench.office.cabinet)
    assert bench.client.post(path, headers=bench.headers("admin")).status_code == 404


def test_one_that_is_deaf_holds_up_no_other(bench: Bench) -> None:
    add_hook(bench.office.cabinet, "http://deaf.example/")
    add_hook(bench.office.cabinet, URL)
    heard: list[str] = []

    def send(url: str, body: bytes, headers: Mapping[str, str]) -> int:
        heard.append(url)
        return 500 if "deaf" in url else 200

    man = Postman(bench.shop, bench.office.cabinet, bench.office.spool, send, lambda: 1e9)
    for _ in range(4):
        bench.job(State.DONE)
    bench.office.index.catch_up()
    assert man.round() == 4
    assert heard.count("http://deaf.example/") == 1 and heard.count(URL) == 4


@pytest.mark.parametrize(
    "url", ["orders.example", "ftp://x/", "file:///etc/passwd", "https://a:b@x/", "http:///"]
)
def test_an_address_that_is_none_is_refused(bench: Bench, url: str) -> None:
    with pytest.raises(UsageError, match="expected an address"):
        add_hook(bench.office.cabinet, url)


def test_a_hook_that_was_removed_is_told_nothing(bench: Bench) -> None:
    hook, _ = add_hook(bench.office.cabinet, URL)
    bench.job()
    bench.office.index.catch_up()
    remove_hook(bench.office.cabinet, hook)
    post = Post()
    postman(bench, post, [0.0]).round()
    assert not post.sent and not hooks(bench.office.cabinet)
    with pytest.raises(UsageError, match="no hook"):
        remove_hook(bench.office.cabinet, hook)
