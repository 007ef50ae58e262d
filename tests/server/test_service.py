"""What a service manager hears, on a socket of ours in its place. Protocol: sd_notify(3)."""

from __future__ import annotations

import os
import shutil
import signal
import socket
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import performers
import pytest
from fettlebox import service
from fettlebox.service import Notifier, signals
from test_server import drop, end, said, start_server, wait_for


class Manager:
    def __init__(self, folder: Path) -> None:
        self.address = str(folder / "notify")
        self.socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.socket.bind(self.address)
        self.socket.settimeout(10)

    def hear(self) -> list[str]:
        return self.socket.recv(4096).decode().split("\n")

    def hears_nothing(self) -> bool:
        self.socket.settimeout(0)
        try:
            self.socket.recv(4096)
            return False
        except BlockingIOError:
            return True
        finally:
            self.socket.settimeout(10)


@pytest.fixture
def manager(fast_folder: Path) -> Iterator[Manager]:
    made = Manager(fast_folder)
    yield made
    made.socket.close()


def test_what_is_said_and_how(manager: Manager) -> None:
    tell = Notifier({"NOTIFY_SOCKET": manager.address})
    tell.ready("serving\nmany")
    assert manager.hear() == ["READY=1", "STATUS=serving many"]
    tell.reloading()
    reloading, clock = manager.hear()
    assert (
        reloading == "RELOADING=1"
        and clock.partition("=")[0] == "MONOTONIC_USEC"
        and int(clock.partition("=")[2])
    )
    tell.stopping()
    assert manager.hear() == ["STOPPING=1"]
    tell.beat(0.0)
    assert manager.hears_nothing(), "nobody asked for a watchdog"


def test_an_abstract_address(tmp_path: Path) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listener:
        listener.bind(f"\0fettlebox-test-{os.getpid()}")
        Notifier({"NOTIFY_SOCKET": f"@fettlebox-test-{os.getpid()}"}).ready("x")
        assert listener.recv(100).startswith(b"READY=1")


def test_the_watchdog_is_fed_twice_in_its_time(manager: Manager) -> None:
    tell = Notifier({"NOTIFY_SOCKET": manager.address, "WATCHDOG_USEC": "60000000"})
    for now in (0.0, 29.9, 30.0, 59.0, 60.0):
        tell.beat(now)
    assert [manager.hear() for _ in range(3)] == [["WATCHDOG=1"]] * 3 and manager.hears_nothing()


@pytest.mark.parametrize(
    "environment",
    [
        {},
        {"WATCHDOG_USEC": "x"},
        {"WATCHDOG_USEC": "60000000", "WATCHDOG_PID": "1"},
        {"NOTIFY_SOCKET": "/no/where"},
    ],
)
def test_without_a_manager_nothing_happens(environment: dict[str, str]) -> None:
    tell = Notifier(environment)
    tell.ready("x")
    tell.beat(0.0)
    tell.stopping()


def test_signals_are_handed_over_and_given_back() -> None:
    before = signal.getsignal(signal.SIGHUP)
    got: list[int] = []
    with signals(got.append):
        os.kill(os.getpid(), signal.SIGHUP)
    assert got == [signal.SIGHUP] and signal.getsignal(signal.SIGHUP) is before


UNIT = Path(service.__file__).parent / "shipped_files" / "service" / "fettlebox.service"


def test_the_unit_that_comes_along_is_a_good_one(tmp_path: Path) -> None:
    """Judged by systemd itself, without a running one: no complaint, little exposure (10 is the most)."""
    if shutil.which("systemd-analyze") is None:
        pytest.skip("there is no systemd-analyze here")
    copy = tmp_path / "fettlebox.service"
    text = (
        UNIT.read_text()
        .replace("/opt/fettlebox/bin/fettlebox", sys.executable)
        .replace("/srv/shop", str(tmp_path))
    )
    copy.write_text(text.replace("User=fettlebox", "User=root"))
    verified = subprocess.run(
        ["systemd-analyze", "verify", copy], capture_output=True, text=True, check=False
    )
    if "Failed to initialize manager" in verified.stderr:
        pytest.skip("systemd-analyze cannot work here")
    assert verified.returncode == 0 and "fettlebox.service" not in verified.stderr, verified.stderr
    command = ["systemd-analyze", "security", "--offline=true", "--threshold=20", copy]
    judged = subprocess.run(command, capture_output=True, text=True, check=False)
    if "Unknown option" in judged.stderr or "unrecognized option" in judged.stderr:
        pytest.skip("this systemd cannot judge a unit that is not loaded")
    assert judged.returncode == 0, judged.stdout[-300:]


def test_a_server_says_ready_reloads_and_stops(
    make_shop: Callable[..., Path], manager: Manager, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("NOTIFY_SOCKET", manager.address)
    monkeypatch.setenv("WATCHDOG_USEC", "200000")
    shop = make_shop()
    child = start_server(shop, performers.succeed)
    heard: list[list[str]] = []

    def until(line: str) -> None:
        while not heard or heard[-1][0] != line:
            heard.append(manager.hear())

    until("READY=1")
    until("WATCHDOG=1")
    os.kill(child, signal.SIGHUP)
    until("RELOADING=1")
    until("READY=1")
    drop(shop, "a.stl")
    wait_for(lambda: "done" in said(shop))
    assert end(child) == 0
    until("STOPPING=1")
