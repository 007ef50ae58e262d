"""A board on a shop in a temporary folder: its application in this process, and a real server beside one."""

from __future__ import annotations

import json
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from unittest.mock import patch

import pytest
from fastapi import FastAPI
from fastapi.testclient import TestClient
from fettlebox.board.app import guarded, make_app
from fettlebox.board.keys import May, add_token
from fettlebox.board.office import Clerk, Office, make_office
from fettlebox.board.settings import Settings
from fettlebox.jobs.folders import Card, ShopFolders
from fettlebox.jobs.journal import utc_now
from fettlebox.jobs.spool import Spool
from fettlebox.jobs.states import State
from fettlebox.jobs.store import Store
from fettlebox.traveler.record import JobRecord, Output, StepRecord
from fettlebox.traveler.writing import write_traveler

RECIPE = """\
recipe: {name}
about: For tests.
ask:
  size: {{type: ratio, default: 25 %, min: 5 %, max: 200 %, about: Size of the print against life.}}
  mark: {{type: text, default: "", longest: 12}}
steps:
  - units
  - scale: {{by: "${{size}}"}}
deliver: [stl]
"""
PNG = bytes.fromhex(
    "89504e470d0a1a0a0000000d49484452000000010000000108060000001f15c4890000000d49444154789c63f8cfc0f01f00050001ff"
    "89993d1d0000000049454e44ae426082"
)
ADDRESS = "http://127.0.0.1:8311"


def make_shop(folder: Path) -> Path:
    shop = folder / "shop"
    ShopFolders(shop).make()
    (shop / "shop.yaml").write_text("shop: Test\nrecipe: plain\n")
    for name in ("plain", "fancy"):
        (shop / "recipes" / f"{name}.yaml").write_text(RECIPE.format(name=name))
    return shop


@dataclass
class Bench:
    """A board's application behind its door, the shop it shows, and tokens for it."""

    shop: Path
    office: Office
    app: FastAPI
    client: TestClient
    tokens: dict[str, str]
    store: Store
    made: int = field(default=0)

    def headers(self, who: str) -> dict[str, str]:
        return {"Authorization": f"Bearer {self.tokens[who]}"}

    def job(self, state: State = State.HELD, **given: str | None) -> str:
        """A job that ended so, with a part, pictures and a record; its id."""
        self.made += 1
        job = f"{self.made:012x}"
        card = Card(
            job=job, scan="bust.stl", came_from="bust.stl", digest=f"{self.made:064x}", recipe="plain",
            recipe_text="recipe: plain\n", ticket=None, order=given.get("order"), arrived=utc_now(),
        )  # fmt: skip
        (self.store.shop.inbox / card.scan).write_bytes(b"solid of a scan")
        with self.store.spool.transaction():
            assert self.store.accept(card, self.store.shop.inbox / card.scan, None)
        if state is State.QUEUED:
            return job
        row = self.store.spool.get(job)
        assert row is not None
        begun = self.store.begin(row)
        assert begun is not None
        if state is State.WORKING:
            return job
        reason = None if state is State.DONE else given.get("reason", "somebody should look at this")
        write_part(begun.folder, job, state, reason)
        self.store.finish(begun, state, reason)
        time.sleep(0.002)  # so that no two ends have the same time
        return job


def write_part(folder: Path, job: str, state: State, reason: str | None) -> None:
    (folder / "pictures").mkdir()
    (folder / "pictures" / "part.png").write_bytes(PNG)
    (folder / "secret.txt").write_text("no file of the record")
    outputs = ()
    if state is not State.REJECTED:
        (folder / "bust.stl").write_bytes(b"solid of a part")
        outputs = (Output("bust.stl", "stl", "0" * 64, 15),)
    record = JobRecord(
        job=job, state=str(state), reason=reason,  # type: ignore[arg-type]
        scan={"name": "bust.stl", "sha256": "1" * 64}, recipe={"name": "plain", "text": "recipe: plain"},
        ticket=None, versions={"fettlebox": "0"}, before={"triangles": 8}, after={"triangles": 4},
        steps=(StepRecord("units", "units", 1, {}, "done", "a", "b", seconds=0.5),
               StepRecord("gate", "gate", 1, {}, "done" if state is State.DONE else "held", "b", "b",
                          seconds=1.5)),
        outputs=outputs, pictures=("pictures/part.png",), timing={"seconds": 2.0},
    )  # fmt: skip
    write_traveler(folder, record)


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    with opened(make_shop(tmp_path)) as made:
        yield made


class NoClerk(Clerk):
    """In tests the index is brought up, and messages are sent, when the test says so."""

    def run(self) -> None:
        return


class opened:  # noqa: N801 - used as a context manager
    """A bench on a shop, with settings of the test's choice."""

    def __init__(self, shop: Path, **settings: object) -> None:
        self.shop = shop
        self.settings = Settings(shop, **{"burst": 1e6, **settings})  # type: ignore[arg-type]

    def __enter__(self) -> Bench:
        folders = ShopFolders(self.shop)
        self.spool = Spool(folders.spool)
        self.office = make_office(self.settings)
        app = make_app(self.office)
        tokens = {may.word: add_token(self.office.cabinet, may.word, may) for may in May}
        self.client = TestClient(guarded(app), base_url=ADDRESS, raise_server_exceptions=False)
        with patch("fettlebox.board.app.Clerk", NoClerk):
            self.client.__enter__()
        return Bench(self.shop, self.office, app, self.client, tokens, Store(folders, self.spool))

    def __exit__(self, *error: object) -> None:
        self.client.__exit__(None, None, None)
        self.office.spool.close()
        self.office.cabinet.close()
        self.spool.close()


@dataclass
class Served:
    """A real server with a board, as a shop runs it."""

    shop: Path
    port: int
    token: str
    process: subprocess.Popen[bytes] | None = None

    @property
    def address(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def start(self) -> None:
        log = (self.shop.parent / "serve.txt").open("wb")
        command = [sys.executable, "-m", "fettlebox", "serve", str(self.shop), "--board", str(self.port)]
        self.process = subprocess.Popen(command, stderr=log, start_new_session=True)
        for _ in range(600):
            if self.ready():
                return
            assert self.process.poll() is None, (self.shop.parent / "serve.txt").read_text()
            time.sleep(0.1)
        raise AssertionError((self.shop / ".fettlebox" / "board.txt").read_text())

    def ready(self) -> bool:
        try:
            with urllib.request.urlopen(f"{self.address}/health/ready", timeout=5) as answer:
                return bool(answer.status == 200)
        except OSError:
            return False

    def kill(self) -> None:
        assert self.process is not None
        self.process.send_signal(signal.SIGKILL)
        self.process.wait()

    def stop(self) -> None:
        if self.process is not None and self.process.poll() is None:
            self.process.terminate()
            self.process.wait(60)

    def ask(self, path: str) -> dict[str, object]:
        headers = {"Authorization": f"Bearer {self.token}"}
        with urllib.request.urlopen(urllib.request.Request(self.address + path, headers=headers)) as answer:
            told: dict[str, object] = json.load(answer)
            return told


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@pytest.fixture
def serve_shop(tmp_path: Path) -> Iterator[Callable[[], Served]]:
    """serve_shop() → a running server on a new shop."""
    started: list[Served] = []

    def serve() -> Served:
        shop = make_shop(tmp_path)
        (shop / "shop.yaml").write_text("shop: Test\nrecipe: looked-at\nsettle: 0.2 s\n")
        (shop / "recipes" / "looked-at.yaml").write_text(LOOKED_AT)
        office = make_office(Settings(shop))
        token = add_token(office.cabinet, "asha", May.ADMIN)
        office.cabinet.close()
        served = Served(shop, free_port(), token)
        started.append(served)
        served.start()
        return served

    yield serve
    for served in started:
        served.stop()


LOOKED_AT = """\
recipe: looked-at
about: For tests; no part passes its gate unless it is tiny, so that a person has to look.
ask:
  longest: {type: length, default: 60 mm, min: 10 mm, max: 300 mm, about: Longest side of the print.}
steps:
  - repair
  - seat
  - scale: {longest: "${longest}"}
  - gate: {height: {below: 5 mm}}
deliver: [stl]
"""
