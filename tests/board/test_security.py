"""Every route of the board, tried in every wrong way: refused, and nothing changed.

Held against the OWASP Application Security Verification Standard 4.0 (session, access control, files, HTTP
headers) and the OWASP cheat sheet on cross-site request forgery; both from memory, by topic.
"""

from __future__ import annotations

import hashlib
import re
import urllib.parse
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from fastapi.routing import APIRoute
from fettlebox.board.guard import COOKIE, OPEN
from fettlebox.board.keys import May, add_link, add_token, enter, form_token, remove_token
from fettlebox.jobs.states import State

from .conftest import ADDRESS, Bench, make_shop, opened

HOST = {"Host": "127.0.0.1:8311"}


def routes(bench: Bench) -> list[tuple[str, str]]:
    """Every method and path that the application answers."""
    found = []
    for route in walk(bench.app.routes):
        found += [(method, route.path) for method in sorted(route.methods - {"HEAD"})]
    assert len(found) > 40 and ("POST", "/api/v1/jobs/{job}/release") in found
    return sorted(set(found))


def walk(found: Any) -> Iterator[APIRoute]:
    for route in found:
        if isinstance(route, APIRoute):
            yield route
        inner = getattr(route, "original_router", None) or getattr(route, "router", None)
        if inner is not None:
            yield from walk(inner.routes)


def filled(path: str, job: str) -> str:
    """A path with real things in it, so that what is refused could have been done."""
    values = {
        "job": job, "act": "release", "path": "bust.stl", "name": "plain", "old": "plain", "new": "fancy",
        "kind": "ticket", "upload": "0" * 32, "delivery": "1", "path:path": "bust.stl",
    }  # fmt: skip
    return re.sub(r"\{([^}]+)\}", lambda match: values[match[1]], path)


def state_of(shop: Path) -> str:
    """A digest of all that a request could change in a shop; what the board itself remembers stays out."""
    sha = hashlib.sha256()
    for path in sorted(shop.rglob("*")):
        if path.is_file() and ".sqlite" not in path.name:
            sha.update(str(path.relative_to(shop)).encode() + path.read_bytes())
    return sha.hexdigest()


def is_open(path: str) -> bool:
    return path in OPEN or path.startswith("/static/")


def body_of(method: str, path: str) -> dict[str, Any]:
    if method == "GET":
        return {}
    if path.startswith("/api/"):
        given = {"reason": "no"} if path.endswith("/reject") else {}
        return {"json": given}
    return {"data": {"sure": "yes", "reason": "no"}}


STRANGERS = [
    HOST, {**HOST, "Accept": "text/html"}, {**HOST, "Authorization": "Bearer fbx_wrong"},
    {**HOST, "Cookie": f"{COOKIE}=wrong"}, {**HOST, "Authorization": "Basic YTpi"},
]  # fmt: skip


def test_nothing_is_answered_without_a_token(bench: Bench) -> None:
    job = bench.job()
    before = state_of(bench.shop)
    for method, path in routes(bench):
        if is_open(path):
            continue
        for headers in STRANGERS:
            answer = bench.client.request(
                method, filled(path, job), headers=headers, follow_redirects=False, **body_of(method, path)
            )
            to_door = answer.status_code == 303 and answer.headers["location"] == "/enter"
            assert answer.status_code in (401, 429) or to_door, (method, path, answer.status_code)
            assert job not in answer.text and "bust" not in answer.text
        bench.client.cookies.clear()
    assert state_of(bench.shop) == before


NEEDS = {
    "/api/v1/jobs/{job}/discard": May.ADMIN,
    "/api/v1/doctor": May.ADMIN,
    "/api/v1/hooks": May.ADMIN,
    "/api/v1/hooks/given-up/{delivery}/again": May.ADMIN,
    "/hooks/{delivery}/again": May.ADMIN,
    "/drop": May.DECIDE,
    "/api/v1/uploads/{upload}": May.DECIDE,
}
"""What needs more than its method says: reading needs `see`, a change `decide`."""


def test_a_token_may_do_what_it_says_and_no_more(bench: Bench) -> None:
    job = bench.job()
    before = state_of(bench.shop)
    for method, path in routes(bench):
        if is_open(path) or path == "/leave":
            continue
        needed = NEEDS.get(path, May.SEE if method == "GET" else May.DECIDE)
        for may in May:
            if may >= needed:
                continue
            answer = bench.client.request(
                method, filled(path, job), headers=bench.headers(may.word), **body_of(method, path)
            )
            assert answer.status_code == 403, (method, path, may, answer.status_code)
    assert state_of(bench.shop) == before


@pytest.mark.parametrize(
    "host", ["evil.example", "127.0.0.1", "127.0.0.1:9", "127.0.0.1:8311.evil.example", ""]
)
def test_a_name_that_is_not_ours_is_refused(bench: Bench, host: str) -> None:
    """A page elsewhere may give its own name our address (DNS rebinding)."""
    job = bench.job()
    before = state_of(bench.shop)
    for method, path in routes(bench):
        headers = {**bench.headers("admin"), "Host": host}
        answer = bench.client.request(method, filled(path, job), headers=headers, **body_of(method, path))
        assert answer.status_code == 421, (method, path, answer.status_code)
    assert state_of(bench.shop) == before


def test_a_change_from_another_site_is_refused(bench: Bench) -> None:
    job = bench.job()
    before = state_of(bench.shop)
    session = enter(bench.office.cabinet, bench.tokens["admin"], 0.0)
    assert session is not None
    bench.office.cabinet.do("UPDATE sessions SET expires = 1e12")
    cookie = {"Cookie": f"{COOKIE}={session}"}
    right = {"X-Board-Form": form_token(session)}
    cases = [
        {**cookie},  # without the form's token
        {**cookie, "X-Board-Form": "0" * 64},
        {**cookie, **right, "Origin": "https://evil.example"},
        {**cookie, **right, "Origin": "null"},
        {**cookie, **right, "Sec-Fetch-Site": "cross-site"},
        {**cookie, **right, "Sec-Fetch-Site": "same-site"},
        {**bench.headers("admin"), "Origin": "https://evil.example"},
    ]
    for method, path in routes(bench):
        if method == "GET" or path == "/enter":
            continue
        for headers in cases:
            answer = bench.client.request(method, filled(path, job), headers=headers, **body_of(method, path))
            assert answer.status_code == 403, (method, path, headers, answer.status_code)
            bench.client.cookies.clear()
    assert state_of(bench.shop) == before
    for site in ("cross-site", "same-site"):
        answer = bench.client.post(
            "/enter", data={"secret": bench.tokens["see"]}, headers={"Sec-Fetch-Site": site}
        )
        assert answer.status_code == 403, "nobody is made to enter as somebody else"


OUT = [
    "../../../shop.yaml", "..%2f..%2f..%2fshop.yaml", "%2e%2e/%2e%2e/shop.yaml", "....//shop.yaml",
    "/etc/passwd", "%2fetc%2fpasswd", "..%5c..%5cshop.yaml", "original/../../../shop.yaml", "link",
    "linked/x", "secret.txt", "job.json", "", ".", "bust.stl/", "bust.stl%00.png", "pictures", "pictures/",
    "original", "%2e%2e",
]  # fmt: skip


@pytest.mark.parametrize("path", OUT)
def test_no_file_but_those_of_the_job_is_handed_out(bench: Bench, path: str) -> None:
    job = bench.job()
    folder = next((bench.shop / "hold").iterdir())
    (folder / "link").symlink_to(bench.shop / "shop.yaml")
    (folder / "linked").symlink_to(bench.shop)
    for start in (f"/jobs/{job}/files/", f"/api/v1/jobs/{job}/files/"):
        answer = bench.client.get(start + path, headers=bench.headers("admin"))
        assert answer.status_code in (404, 405, 422) or answer.url.path.endswith(("/files", job)), answer.text
        assert "recipe: plain" not in answer.text and "root:" not in answer.text
        assert "no file of the record" not in answer.text


def test_a_picture_that_became_a_link_is_not_followed(bench: Bench) -> None:
    job = bench.job()
    folder = next((bench.shop / "hold").iterdir())
    for name in ("bust.stl", "pictures/part.png", "traveler.html", "original/bust.stl"):
        (folder / name).unlink()
        (folder / name).symlink_to(bench.shop / "shop.yaml")
        answer = bench.client.get(f"/jobs/{job}/files/{name}", headers=bench.headers("admin"))
        assert answer.status_code == 404, name
    (folder / "pictures").rename(bench.shop / "elsewhere")
    (folder / "pictures").symlink_to(bench.shop / "elsewhere")
    answer = bench.client.get(f"/jobs/{job}/files/pictures/part.png", headers=bench.headers("admin"))
    assert answer.status_code == 404
    assert bench.client.get(f"/jobs/{job}", headers=bench.headers("admin")).status_code == 200


def test_assets_are_a_closed_list(bench: Bench) -> None:
    assert bench.client.get("/static/board.css").status_code == 200
    for name in ("../cabinet.py", "..%2fcabinet.py", "%2e%2e%2fcabinet.py", "", "board.py", ".", "templates"):
        answer = bench.client.get(f"/static/{name}", follow_redirects=False)
        assert answer.status_code in (401, 404), name


def test_a_body_that_is_too_large_is_refused_whatever_it_says_of_its_length(bench: Bench) -> None:
    job = bench.job()
    before = state_of(bench.shop)

    def endless() -> Iterator[bytes]:
        for _ in range(400):
            yield b"x" * 1000

    for method, path in routes(bench):
        if method == "GET":
            continue
        many = 17_000 if method == "PUT" else 70
        for content in (b"x" * (many * 1024), None):
            if content is None and (method == "PUT" or path.endswith(("/audit", "/again", "/leave"))):
                continue  # a body that nobody reads does no harm
            answer = bench.client.request(
                method, filled(path, job), content=content or endless(),
                headers={**bench.headers("admin"), "Content-Type": "application/json"},
            )  # fmt: skip
            assert answer.status_code in (400, 413, 422, 404), (method, path, answer.status_code)
            if content is not None:
                assert answer.status_code == 413, (method, path)
    assert state_of(bench.shop) == before


def test_every_answer_carries_the_headers_of_a_closed_house(bench: Bench) -> None:
    job = bench.job()
    for path in (
        "/",
        f"/jobs/{job}",
        "/enter",
        "/nowhere",
        f"/jobs/{job}/files/pictures/part.png",
        "/api/v1/jobs",
    ):
        headers = bench.client.get(path, headers=bench.headers("see")).headers
        policy = headers["content-security-policy"]
        assert "default-src 'none'" in policy and "unsafe-eval" not in policy
        assert "script-src 'self'" in policy or "script-src" not in policy
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["referrer-policy"] == "same-origin" and headers["x-frame-options"] == "DENY"
        assert headers["cache-control"] == "no-store", path
        assert "server" not in headers


def test_pages_have_no_script_or_style_of_their_own(bench: Bench) -> None:
    job = bench.job()
    session = enter(bench.office.cabinet, bench.tokens["admin"], 0.0)
    bench.office.cabinet.do("UPDATE sessions SET expires = 1e12")
    bench.client.cookies.set(COOKIE, session or "")
    for path in (
        "/",
        f"/jobs/{job}",
        "/drop",
        "/recipes",
        "/recipes/plain",
        "/ledger",
        "/history",
        "/health",
    ):
        page = bench.client.get(path).text
        assert not re.search(r"<script(?![^>]*\ssrc=)", page), path
        assert not re.search(r"\son\w+=|\sstyle=|<style|javascript:", page), path
        assert not re.search(r"(?:src|href|action)=\"(?:https?:)?//", page), f"{path} reaches out"


EVIL = '"><script>alert(1)</script>{{7*7}}\u202egpj.ylp'


def test_names_from_outside_are_text_and_nothing_else(bench: Bench) -> None:
    job = bench.job(order=EVIL, reason=f"found {EVIL}")
    for path in ("/", f"/jobs/{job}", f"/?find={urllib.parse.quote(EVIL)}", "/ledger", "/part/jobs"):
        page = bench.client.get(path, headers=bench.headers("see")).text
        assert "<script>alert" not in page and "49gpj" not in page and "\u202e" not in page, path


def test_a_traveler_that_a_plugin_wrote_runs_in_nobody_s_name(bench: Bench) -> None:
    job = bench.job()
    folder = next((bench.shop / "hold").iterdir())
    (folder / "traveler.html").write_text("<script>parent.document.cookie</script>")
    answer = bench.client.get(f"/jobs/{job}/files/traveler.html", headers=bench.headers("see"))
    policy = answer.headers["content-security-policy"]
    assert policy.startswith("sandbox allow-scripts;") and "allow-same-origin" not in policy
    assert "script-src 'sha256-" in policy, "no script but the one we know"
    for name in ("original/bust.stl", "bust.stl"):
        answer = bench.client.get(f"/jobs/{job}/files/{name}", headers=bench.headers("see"))
        assert answer.headers["content-type"] == "application/octet-stream"
        assert answer.headers["content-disposition"].startswith("attachment")


def test_a_session_s_cookie_is_strict_and_ends(bench: Bench, tmp_path: Path) -> None:
    answer = bench.client.post("/enter", data={"secret": bench.tokens["see"]}, follow_redirects=False)
    cookie = answer.headers["set-cookie"]
    assert "HttpOnly" in cookie and "SameSite=strict" in cookie and "Path=/" in cookie
    assert bench.tokens["see"] not in cookie
    assert bench.client.get("/").status_code == 200
    page = bench.client.get("/").text
    token = re.search(r'name="form_token" value="([0-9a-f]+)"', page)
    assert token is not None
    bench.client.post("/leave", data={"form_token": token[1]})
    bench.client.cookies.set(COOKIE, cookie.split("=", 1)[1].split(";")[0])
    assert bench.client.get("/").status_code == 401, "left means left"
    (tmp_path / "tls").mkdir()
    with opened(make_shop(tmp_path / "tls"), url="https://board.example") as behind:
        answer = behind.client.post(
            "/enter", data={"secret": behind.tokens["see"]}, headers={"Host": "board.example"},
            follow_redirects=False,
        )  # fmt: skip
        assert "Secure" in answer.headers["set-cookie"]
        assert "max-age" in answer.headers["strict-transport-security"]


def test_a_token_that_was_taken_back_opens_nothing_and_ends_its_sessions(bench: Bench) -> None:
    bench.client.post("/enter", data={"secret": bench.tokens["decide"]})
    assert bench.client.get("/api/v1/jobs").status_code == 200
    remove_token(bench.office.cabinet, "decide")
    assert bench.client.get("/api/v1/jobs").status_code == 401
    assert bench.client.get("/api/v1/jobs", headers=bench.headers("decide")).status_code == 401


def test_secrets_are_nowhere_at_rest(bench: Bench) -> None:
    code = add_link(bench.office.cabinet, 0.0)
    session = enter(bench.office.cabinet, bench.tokens["see"], 0.0)
    assert session is not None
    bench.office.cabinet.do("PRAGMA wal_checkpoint(TRUNCATE)")
    kept = b"".join(path.read_bytes() for path in (bench.shop / ".fettlebox").iterdir() if path.is_file())
    for secret in (*bench.tokens.values(), code, session):
        assert secret.encode() not in kept
        assert hashlib.sha256(secret.encode()).hexdigest().encode() in kept
    assert (bench.shop / ".fettlebox" / "board.sqlite").stat().st_mode & 0o077 == 0


def test_a_link_opens_once_and_not_for_long(bench: Bench) -> None:
    cabinet = bench.office.cabinet
    code = add_link(cabinet, 1000.0)
    assert enter(cabinet, code, 1000.0) is not None
    assert enter(cabinet, code, 1000.0) is None
    late = add_link(cabinet, 1000.0)
    assert enter(cabinet, late, 1000.0 + 15 * 60 + 1) is None


def test_guessing_and_asking_too_often_have_to_wait(tmp_path: Path) -> None:
    with opened(make_shop(tmp_path), failures=3.0, burst=20.0, requests_a_second=1.0) as bench:
        codes = [
            bench.client.get("/api/v1/jobs", headers={"Authorization": "Bearer fbx_x"}).status_code
            for _ in range(5)
        ]
        assert codes == [401, 401, 401, 429, 429]
        codes = [
            bench.client.get("/api/v1/jobs", headers=bench.headers("see")).status_code for _ in range(25)
        ]
        assert codes[:20] == [200] * 20 and set(codes[21:]) == {429}
        answer = bench.client.get("/api/v1/jobs", headers=bench.headers("see"))
        assert int(answer.headers["retry-after"]) >= 1
    (tmp_path / "b").mkdir()
    with opened(make_shop(tmp_path / "b"), failures=3.0) as bench:
        codes = [bench.client.post("/enter", data={"secret": "fbx_x"}).status_code for _ in range(5)]
        assert codes == [403, 403, 403, 429, 429]


def test_what_was_deleted_is_not_shown(bench: Bench) -> None:
    job = bench.job()
    bench.client.post(f"/api/v1/jobs/{job}/discard", json={}, headers=bench.headers("admin"))
    for path in ("files/bust.stl", "small.png", "files/traveler.html"):
        assert bench.client.get(f"/jobs/{job}/{path}", headers=bench.headers("admin")).status_code == 404


def test_the_board_is_only_on_this_machine_unless_somebody_has_a_token(tmp_path: Path) -> None:
    from fettlebox.board.beside import board_beside
    from fettlebox.board.cabinet import Cabinet
    from fettlebox.board.settings import settings_for
    from fettlebox.errors import UsageError

    shop = make_shop(tmp_path)
    assert settings_for(shop, "8311", None, None, None).host == "127.0.0.1"
    with (
        pytest.raises(UsageError, match="nobody has a token"),
        board_beside(settings_for(shop, "192.0.2.1:8399", None, None, None), print),
    ):
        pass
    cabinet = Cabinet(shop / ".fettlebox")
    token = add_token(cabinet, "asha", May.SEE)
    assert len(token) > 40
    cabinet.close()


def test_every_state_of_a_job_has_a_page(bench: Bench) -> None:
    for state in (State.QUEUED, State.WORKING, State.DONE, State.HELD, State.REJECTED):
        job = bench.job(state)
        answer = bench.client.get(f"{ADDRESS}/jobs/{job}", headers=bench.headers("admin"))
        assert answer.status_code == 200, answer.text
