"""The command line's part: tokens, hooks, a board that cannot be."""

from __future__ import annotations

import json
import socket
from pathlib import Path

import pytest
from fettlebox.board.cabinet import Cabinet
from fettlebox.board.keys import bearer
from fettlebox.cli import app
from fettlebox.jobs.states import State
from typer.testing import CliRunner

from .conftest import Bench, make_shop


def call(*arguments: object) -> tuple[int, str]:
    done = CliRunner().invoke(app, [str(each) for each in arguments])
    assert done.exception is None or isinstance(done.exception, SystemExit), done.exception
    return done.exit_code, done.output


def test_a_token_is_shown_once_and_taken_back(tmp_path: Path) -> None:
    shop = make_shop(tmp_path)
    status, token = call("token", "add", shop, "asha", "--may", "decide")
    assert status == 0
    cabinet = Cabinet(shop / ".fettlebox")
    person = bearer(cabinet, token.strip())
    assert person is not None and (person.name, person.may.word) == ("asha", "decide")
    status, listed = call("token", "list", shop, "--json")
    assert json.loads(listed)["name"] == "asha" and token.strip() not in listed
    assert call("token", "add", shop, "asha")[0] == 2, "the name is in use"
    assert call("token", "add", shop, "ben", "--may", "everything")[0] == 2
    for name in ("", "console", "a/b", "x" * 41, "\x1b[31m"):
        assert call("token", "add", shop, name)[0] == 2, name
    assert call("token", "remove", shop, "asha")[0] == 0
    assert bearer(cabinet, token.strip()) is None
    assert call("token", "remove", shop, "asha")[0] == 2
    cabinet.close()


def test_a_hook_is_added_listed_and_removed(tmp_path: Path) -> None:
    shop = make_shop(tmp_path)
    status, said = call("hook", "add", shop, "https://orders.example/x")
    assert status == 0 and "whsec_" in said
    status, listed = call("hook", "list", shop, "--json")
    told = json.loads(listed)
    assert told["url"] == "https://orders.example/x" and told["waiting"] == 0 and "whsec_" not in listed
    assert call("hook", "add", shop, "orders.example")[0] == 2
    assert call("hook", "remove", shop, told["id"])[0] == 0 and call("hook", "list", shop) == (0, "")


@pytest.mark.parametrize("verb", [("token", "list"), ("hook", "list"), ("token", "add")])
def test_where_there_is_no_shop_none_is_made(tmp_path: Path, verb: tuple[str, str]) -> None:
    status, said = call(*verb, tmp_path / "nowhere", *(["x"] if "add" in verb else []))
    assert (status == 2 and "is not a shop" in said) or status == 2
    assert not (tmp_path / "nowhere").exists()


def test_reject_names_its_reason_and_its_person(bench: Bench) -> None:
    job = bench.job()
    assert call("reject", bench.shop, job, "--reason", " ")[0] == 2
    assert call("reject", bench.shop, job, "--reason", "no nose", "--by", "asha")[0] == 0
    row = bench.office.spool.job(job)
    assert row is not None and (row.state, row.reason) == (State.REJECTED, "no nose")
    bench.office.index.catch_up()
    assert bench.office.index.of_job(job, 1)[0].by == "asha"


def test_a_board_that_cannot_be_is_said_before_anything_is_served(tmp_path: Path) -> None:
    shop = make_shop(tmp_path)
    assert call("serve", shop, "--once", "--board-url", "https://board.example")[0] == 2
    assert call("serve", shop, "--once", "--board", "nonsense:x")[0] == 2
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        assert call("serve", shop, "--once", "--board", taken.getsockname()[1])[0] == 2
