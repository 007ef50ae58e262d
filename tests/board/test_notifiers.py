"""Plugins that are told of jobs. The mail of the notifiers' page goes to a server that speaks RFC 5321."""

from __future__ import annotations

import email
import os
import random
import re
import socketserver
import subprocess
import sys
import threading
from collections.abc import Iterator, Mapping
from importlib import metadata
from pathlib import Path
from typing import Any, ClassVar

import numpy as np
import pytest
from fettlebox.api import Notifier
from fettlebox.board.office import Clerk
from fettlebox.board.postman import FULL, OUT_OF_MEMORY, PAUSES_S, Postman, given_up, hooks
from fettlebox.catalog import find_steps
from fettlebox.jobs.states import State
from fettlebox.observing import MOST_MEMORY_BYTES
from fettlebox.turns import room_beside_bytes

from .conftest import Bench

PAGE = (Path(__file__).resolve().parents[2] / "plugins" / "hooks" / "notifier.md").read_text("utf-8")


class Mailbox(socketserver.StreamRequestHandler):
    """The least of a mail server: takes what it is given (RFC 5321, section 4.5.1)."""

    received: ClassVar[list[bytes]] = []

    def handle(self) -> None:
        self.wfile.write(b"220 here\r\n")
        while line := self.rfile.readline():
            verb = line[:4].upper()
            if verb == b"DATA":
                self.wfile.write(b"354 go on\r\n")
                data = b""
                while (part := self.rfile.readline()) != b".\r\n":
                    data += part
                self.received.append(data)
            self.wfile.write(b"221 bye\r\n" if verb == b"QUIT" else b"250 fine\r\n")
            if verb == b"QUIT":
                return


@pytest.fixture
def mail_server() -> Iterator[int]:
    Mailbox.received.clear()
    with socketserver.ThreadingTCPServer(("127.0.0.1", 0), Mailbox) as server:
        threading.Thread(target=server.serve_forever, daemon=True).start()
        yield server.server_address[1]
        server.shutdown()


def postman(bench: Bench, notifier: Notifier, now: list[float]) -> Postman:
    return Postman(
        bench.shop,
        bench.office.cabinet,
        bench.office.spool,
        clock=lambda: now[0],
        notifiers=lambda: [notifier],
    )


def test_the_mail_of_the_page_arrives(bench: Bench, mail_server: int) -> None:
    code = re.findall(r"```python\n(.*?)```", PAGE, re.DOTALL)[0]
    names: dict[str, Any] = {}
    exec(code, names)
    names["PORT"], names["SERVER"] = mail_server, "127.0.0.1"
    man = postman(bench, names["mail"], [1e9])
    man.round()
    job = bench.job(State.HELD, order="LY-9")
    bench.job(State.DONE)
    bench.office.index.catch_up()
    assert man.round() == 2
    (received,) = Mailbox.received
    mail = email.message_from_bytes(received)
    assert job in mail["Subject"] and mail["To"] == "bench@example.org"
    assert "LY-9" in mail.get_payload() and "bust" not in received.decode()


def test_a_notifier_that_fails_is_asked_again_and_harms_nobody(bench: Bench) -> None:
    told: list[str] = []

    def tell(event: Mapping[str, Any]) -> None:
        told.append(event["id"])
        raise RuntimeError("the lamp is broken")

    now = [1e9]
    man = postman(bench, Notifier("lamp", tell), now)
    man.round()
    bench.job()
    bench.office.index.catch_up()
    for pause in (0, *PAUSES_S):
        now[0] += pause
        man.round()
    assert len(told) == len(PAUSES_S) + 1 and len(set(told)) == 1
    (lost,) = given_up(bench.office.cabinet)
    assert "the lamp is broken" in lost["said"] and hooks(bench.office.cabinet)[0]["url"] == "plugin:lamp"


def after(bench: Bench, tell: Any) -> tuple[int, Any]:
    """One job, told once: how many were taken, and what is kept of the telling (tries, said)."""
    man = postman(bench, Notifier("lamp", tell), [1e9])
    man.round()
    bench.job()
    bench.office.index.catch_up()
    return man.round(), bench.office.cabinet.one("SELECT tries, said FROM deliveries")


def leave(event: Mapping[str, Any]) -> None:
    raise SystemExit(3)


def test_one_that_leaves_keeps_the_board_s_clerk_at_work(bench: Bench) -> None:
    assert after(bench, leave) == (0, (1, "SystemExit: 3"))


def test_one_that_hangs_holds_nobody_up(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("fettlebox.board.postman.PLUGIN_PATIENCE_S", 0.05)
    over, begun = threading.Event(), []

    def hang(event: Mapping[str, Any]) -> None:
        begun.append(event["id"])
        over.wait(60)

    now = [1e9]
    man = postman(bench, Notifier("lamp", hang), now)
    man.round()
    bench.job()
    bench.office.index.catch_up()
    for said in ("it took longer than 0.05 s", "it is still busy with an event before this one"):
        assert man.round() == 0
        assert bench.office.cabinet.one("SELECT said FROM deliveries")[0] == said
        now[0] += PAUSES_S[0] + 1
    assert len(begun) == 1
    over.set()


def test_one_that_takes_the_process_with_it_has_had_its_try(bench: Bench) -> None:
    """What is kept while it is told is what is kept if the process ends there."""
    kept = []

    def tell(event: Mapping[str, Any]) -> None:
        kept.append(bench.office.cabinet.one("SELECT tries, said FROM deliveries"))

    assert after(bench, tell)[0] == 1
    assert kept == [(1, "the board's process ended while it was told")]


def test_one_that_takes_all_memory_has_had_its_try_before_the_board_ends(bench: Bench) -> None:
    kept: list[Any] = []

    def grow(event: Mapping[str, Any]) -> None:
        raise MemoryError

    def ended() -> None:
        kept.append(bench.office.cabinet.one("SELECT tries, due, said FROM deliveries"))

    now = [1e9]
    man = Postman(bench.shop, bench.office.cabinet, bench.office.spool, clock=lambda: now[0],
                  notifiers=lambda: [Notifier("lamp", grow)], out_of_memory=ended)  # fmt: skip
    man.round()
    assert not kept
    bench.job()
    bench.office.index.catch_up()
    man.round()
    assert kept == [(1, 1e9 + PAUSES_S[0], FULL)]


def test_a_board_without_memory_ends_to_be_begun_again(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    script = "from fettlebox.board.postman import end_the_board\nend_the_board()\nprint('alive')"
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, encoding="utf-8", timeout=120)
    assert (done.returncode, done.stdout) == (OUT_OF_MEMORY, "") and "no memory left" in done.stderr

    def full(most: int) -> int:
        raise MemoryError

    clerk, ended = Clerk(bench.office), threading.Event()
    monkeypatch.setattr("fettlebox.board.office.end_the_board", ended.set)
    monkeypatch.setattr(bench.office.index, "catch_up", full)
    clerk.start()
    assert ended.wait(60)
    clerk.stop()


def test_what_it_changes_for_the_whole_board_is_put_back(
    bench: Bench, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = Path.cwd(), dict(os.environ), np.geterr(), random.getstate()

    def vandal(event: Mapping[str, Any]) -> None:
        os.chdir(tmp_path)
        os.environ["FETTLE_TEST"] = "x"
        np.seterr(all="raise")
        random.seed(3)
        print("told")

    assert after(bench, vandal)[0] == 1
    assert (Path.cwd(), dict(os.environ), np.geterr(), random.getstate()) == before
    assert capsys.readouterr() == ("", "told\n")


def test_a_plugin_brings_a_notifier(monkeypatch: pytest.MonkeyPatch) -> None:
    import sys
    import types

    module = types.ModuleType("some_lamp")
    module.lamp = Notifier("lamp", lambda event: None)  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "some_lamp", module)
    entry = metadata.EntryPoint("lamp", "some_lamp:lamp", "fettlebox.steps")
    found = find_steps([entry])
    assert [each.name for each in found.notifiers] == ["lamp"] and not found.quarantined


@pytest.mark.skipif(sys.platform != "linux", reason="data is bounded by the system on Linux only")
def test_a_notifier_that_grows_takes_no_more_than_the_board_may() -> None:
    """The limit is what the system says of the process itself (proc(5), /proc/PID/limits)."""
    bound = room_beside_bytes(MOST_MEMORY_BYTES)
    script = (
        "import sys\n"
        "import fettlebox.board.__main__ as board\n"
        "class Asked(Exception): pass\n"
        "class Input:\n"
        "    @property\n"
        "    def buffer(self): raise Asked\n"
        "sys.stdin = Input()\n"
        "try:\n"
        "    board.main()\n"
        "except Asked:\n"
        "    limits = open('/proc/self/limits').read()\n"
        "    print(limits.split('Max data size')[1].split()[0])\n"
        "    try:\n"
        f"        bytearray({bound})\n"
        "    except MemoryError:\n"
        "        print('refused')\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, encoding="utf-8", check=True, timeout=120
    )
    assert done.stdout.split() == [str(bound), "refused"]
