"""What a shop's standard locks holds at every door: `run`, `try`, a ticket beside the scan, a retry with a
new ticket, and what a person answers on the board.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
import trimesh
from fastapi.testclient import TestClient
from fettlebox.board.app import guarded, make_app
from fettlebox.board.keys import May, add_token
from fettlebox.board.office import make_office
from fettlebox.board.settings import Settings
from fettlebox.cli import app
from fettlebox.jobs import retry
from fettlebox.jobs.folders import Card, ShopFolders
from fettlebox.jobs.journal import utc_now
from fettlebox.jobs.spool import Spool
from fettlebox.jobs.states import State
from fettlebox.jobs.store import Store
from fettlebox.run_job import JobTask, perform
from typer.testing import CliRunner

STANDARD = """
recipe: standard
ask:
  size: {type: ratio, default: 50 %, min: 40 %, max: 60 %}
steps:
  - scale: {by: "${size}"}
    id: size
    locked: true
  - gate: {height: {below: 30 mm}}
    otherwise: hold
    locked: true
deliver: [stl]
"""
LOYAL = "recipe: bust\nextends: standard\n"
WEAKER = (
    "steps: [{gate: {height: {below: 900 mm}}}]\n",
    "steps: [{gate: , when: false}]\n",
    "steps: [{gate: , otherwise: skip}]\n",
    "ask: {size: {type: ratio, default: 50 %, max: 900 %}}\n",
    "deliver: [stl: {after: size}]\n",
)
BEYOND = ("size: 900 %", "gate: false", "locked: false", "height: 900 mm", "otherwise: skip")


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    folder = tmp_path / "shop"
    ShopFolders(folder).make()
    (folder / "shop.yaml").write_text("shop: S\nrecipe: bust\nstandard: standard\n")
    (folder / "recipes" / "standard.yaml").write_text(STANDARD)
    (folder / "recipes" / "bust.yaml").write_text(LOYAL)
    trimesh.creation.icosphere(3, 20.0).export(tmp_path / "ball.stl")  # 40 mm: 20 mm at half its size
    return folder


def task(shop: Path, folder: Path, recipe: str, ticket: str | None = None) -> JobTask:
    (folder / "original").mkdir(parents=True)
    (folder / "original" / "ball.stl").write_bytes((shop.parent / "ball.stl").read_bytes())
    made = JobTask("0123456789ab", folder, "ball.stl", recipe, "bust.yaml")
    if ticket is not None:
        (folder / "original" / "ball.ticket.yaml").write_text(ticket)
        made = replace(made, ticket_name="ball.ticket.yaml")
    return replace(made, recipe_name="bust", recipe_folder=shop / "recipes", standard="standard")


@pytest.mark.parametrize("command", ["run", "try"])
@pytest.mark.parametrize("beyond", BEYOND)
def test_no_setting_and_no_ticket_on_the_command_line(
    shop: Path, tmp_path: Path, command: str, beyond: str
) -> None:
    name, value = beyond.split(": ")
    recipe, scan, out = shop / "recipes" / "bust.yaml", tmp_path / "ball.stl", tmp_path / "out"
    ticket = tmp_path / "other.yaml"
    ticket.write_text(f"set: {{{beyond}}}\n")
    for words in (["--set", f"{name}={value}"], ["--ticket", str(ticket)]):
        done = CliRunner().invoke(app, [command, str(recipe), str(scan), "--out", str(out), *words])
        assert done.exit_code == 2, done.output
        assert "too large" in done.output or "does not ask for" in done.output
        assert not out.exists()


@pytest.mark.parametrize("command", ["run", "try"])
@pytest.mark.parametrize("weaker", WEAKER)
def test_no_child_on_the_command_line(shop: Path, tmp_path: Path, command: str, weaker: str) -> None:
    recipe = shop / "recipes" / "bust.yaml"
    recipe.write_text(LOYAL + weaker)
    done = CliRunner().invoke(
        app, [command, str(recipe), str(tmp_path / "ball.stl"), "--out", str(tmp_path / "o")]
    )
    assert done.exit_code == 2, done.output
    assert "lock" in done.output
    assert not (tmp_path / "o").exists()


@pytest.mark.parametrize("weaker", WEAKER)
def test_a_job_whose_recipe_was_weakened_after_it_came_delivers_nothing(
    shop: Path, tmp_path: Path, weaker: str
) -> None:
    result = perform(task(shop, tmp_path / "job", LOYAL + weaker))
    assert result.state == "rejected"
    assert "lock" in str(result.reason)
    assert not list((tmp_path / "job").glob("*.stl"))


@pytest.mark.parametrize("beyond", BEYOND)
def test_a_ticket_beside_the_scan_delivers_nothing_that_is_locked_away(
    shop: Path, tmp_path: Path, beyond: str
) -> None:
    result = perform(task(shop, tmp_path / "job", LOYAL, f"set: {{{beyond}}}\n"))
    assert result.state == "rejected"
    assert not list((tmp_path / "job").glob("*.stl"))


def test_the_same_within_bounds_is_done_and_past_the_gate_is_held(shop: Path, tmp_path: Path) -> None:
    """The ball is 40 mm high: 24 mm at 60 %. A gate of 23 mm holds that."""
    given = task(shop, tmp_path / "job", LOYAL, "set: {size: 60 %}\n")
    assert perform(given).state == "done"
    (shop / "recipes" / "standard.yaml").write_text(STANDARD.replace("30 mm", "23 mm"))
    assert perform(task(shop, tmp_path / "again", LOYAL, "set: {size: 60 %}\n")).state == "held"


@pytest.fixture
def held(shop: Path) -> Iterator[tuple[Path, str]]:
    """A shop with a job that waits for a person, and the job's id."""
    folders = ShopFolders(shop)
    spool = Spool(folders.spool)
    store = Store(folders, spool)
    job = "0123456789ab"
    card = Card(
        job=job, scan="ball.stl", came_from="ball.stl", digest="1" * 64, recipe="bust", recipe_text=LOYAL,
        ticket=None, order=None, arrived=utc_now(),
    )  # fmt: skip
    (folders.inbox / "ball.stl").write_bytes((shop.parent / "ball.stl").read_bytes())
    with spool.transaction():
        assert store.accept(card, folders.inbox / "ball.stl", None)
    row = spool.get(job)
    begun = store.begin(row) if row is not None else None
    assert begun is not None
    store.finish(begun, State.HELD, "a person has to look")
    yield shop, job
    spool.close()


@pytest.mark.parametrize("beyond", BEYOND)
def test_a_retry_with_a_new_ticket_delivers_nothing_that_is_locked_away(
    held: tuple[Path, str], tmp_path: Path, beyond: str
) -> None:
    shop, job = held
    ticket = tmp_path / "new.ticket.yaml"
    ticket.write_text(f"set: {{{beyond}}}\n")
    retry(shop, job, ticket, by="someone")
    folder = shop / ".fettlebox" / "work" / job
    name = next((folder / "original").glob("*.ticket.yaml")).name
    given = JobTask(job, folder, "ball.stl", LOYAL, "bust.yaml", ticket_name=name)
    result = perform(replace(given, recipe_name="bust", recipe_folder=shop / "recipes", standard="standard"))
    assert result.state == "rejected"
    assert "too large" in str(result.reason) or "does not ask for" in str(result.reason)
    assert not list(folder.glob("*.stl"))


def test_no_answer_on_the_board(held: tuple[Path, str]) -> None:
    shop, job = held
    office = make_office(Settings(shop, burst=1e6))
    token = add_token(office.cabinet, "decider", May.DECIDE)
    headers = {"Authorization": f"Bearer {token}"}
    with TestClient(guarded(make_app(office)), base_url="http://127.0.0.1:8311") as client:
        for name, value in (one.split(": ") for one in BEYOND):
            sent = client.post(f"/api/v1/jobs/{job}/retry", json={"set": {name: value}}, headers=headers)
            assert sent.status_code == 422, sent.text
            assert name in sent.json()["errors"]
        for key in ("steps", "locked", "extends", "gate"):
            sent = client.post(f"/api/v1/jobs/{job}/retry", json={key: "none"}, headers=headers)
            assert sent.status_code == 422, sent.text
        row = office.spool.job(job)
        assert row is not None and row.state is State.HELD
        sent = client.post(f"/api/v1/jobs/{job}/retry", json={"set": {"size": "60 %"}}, headers=headers)
        assert sent.status_code == 200, sent.text
    office.spool.close()
    office.cabinet.close()


def test_no_ticket_takes_another_recipe_past_the_standard(shop: Path, tmp_path: Path) -> None:
    stray = "recipe: stray\nsteps: [seat]\ndeliver: [stl]\n"
    (shop / "recipes" / "stray.yaml").write_text(stray)
    made = task(shop, tmp_path / "job", stray, "recipe: stray\n")
    result = perform(replace(made, recipe_name="stray"))
    assert result.state == "rejected"
    assert "the shop's standard is 'standard'" in str(result.reason)
