"""Stop the power of a server at a given instant, and look where everything is.

The server runs in a forked process, where `os._exit` and SIGKILL leave what a power cut leaves in the folders
(all but unwritten caches). With `InlineWorkers` jobs run in that process too, so a drill takes milliseconds.
"""

from __future__ import annotations

import json
import os
import signal
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from fettlebox import housekeeping, pools, recipe, run_job, server  # noqa: F401 - loaded here, not in every forked process
from fettlebox.jobs import faults
from fettlebox.pool import Answer

KILLED = 99


class InlineWorkers:
    """Stands in for `Workers`: runs the job at once, in this process."""

    def __init__(self, count: int, perform: Any, limits: Any, private: Path, on_answer: Any) -> None:
        self._perform, self._on_answer, self._running = perform, on_answer, set[str]()
        self._count = count
        self.room_mb = 1e6

    @property
    def free(self) -> int:
        return self._count - len(self._running)

    def why_not(self, needs: Any) -> str | None:
        return None

    def start(self, task: Any, needs: Any = None) -> None:
        self._running.add(task.job)
        try:
            self._on_answer(Answer(task.job, "answered", self._perform(task, lambda step, fraction: None)))
        except OSError as error:
            self._on_answer(
                Answer(task.job, "no room" if error.errno == 28 else "failed", sentence=str(error))
            )
        except Exception as error:
            self._on_answer(Answer(task.job, "failed", sentence=str(error)))

    def settle(self, job: str) -> None:
        self._running.discard(job)

    def set_limits(self, limits: Any) -> None:
        pass

    def stop(self) -> None:
        pass


def serve_until(
    shop: Path, perform: Any, *, stop_at: tuple[str, int] | None = None, kill_after_s: float | None = None,
    inline: bool = True, before: Callable[[], None] = lambda: None,
) -> int:  # fmt: skip
    """Run `serve(once=True)` in a forked process; returns its exit status, KILLED if a fault stopped it.

    stop_at       (point, n): stop when that point is reached for the nth time
    kill_after_s  SIGKILL after so long
    """
    child = os.fork()
    if child == 0:
        status = 1
        try:
            before()
            if inline:
                pools.Workers = InlineWorkers  # type: ignore[misc, assignment]
            if stop_at is not None:
                faults.hook = _fuse(*stop_at)
            server.serve(shop, once=True, perform=perform)
            status = 0
        except BaseException:
            import traceback

            traceback.print_exc()
        finally:
            os._exit(status)
    if kill_after_s is not None:
        time.sleep(kill_after_s)
        os.kill(child, signal.SIGKILL)
    _, status = os.waitpid(child, 0)
    code = os.waitstatus_to_exitcode(status)
    return KILLED if code == -signal.SIGKILL else code


def two_hours_on() -> None:
    """The time of day, as this process's server will see it."""
    housekeeping.utc_today = lambda: datetime.now(UTC) + timedelta(hours=2)  # type: ignore[assignment]


def _fuse(point: str, times: int) -> Callable[[str], None]:
    left = [times]

    def hook(reached: str) -> None:
        if reached == point:
            left[0] -= 1
            if left[0] == 0:
                os._exit(KILLED)

    return hook


def places_of(shop: Path) -> dict[str, list[str]]:
    """Content of every scan file in the shop → the places it is in, as paths below the shop."""
    found: dict[str, list[str]] = {}
    for path in _scans(shop):
        found.setdefault(path.read_text(), []).append(str(path.relative_to(shop)))
    return found


def _scans(shop: Path) -> Iterator[Path]:
    for path in (shop / "inbox").rglob("*"):
        if path.is_file() and not path.name.endswith(".ticket.yaml"):
            yield path
    for place in (".fettlebox/work", ".fettlebox/trash", "outbox", "hold", "rejects"):
        for path in (shop / place).glob("*/original/*"):
            if path.is_file() and not path.name.endswith(".ticket.yaml"):
                yield path


def check_nothing_lost(shop: Path, scans: set[str]) -> None:
    """Each scan is in exactly one place, and nothing that is delivered is half."""
    places = places_of(shop)
    assert set(places) == scans, f"lost {scans - set(places)}, strange {set(places) - scans}"
    doubled = {scan: where for scan, where in places.items() if len(where) > 1}
    assert not doubled
    for place, state in (("outbox", "done"), ("hold", "held"), ("rejects", "rejected")):
        for folder in (shop / place).glob("[!.]*"):
            card = json.loads((folder / "job.json").read_text())
            assert card["state"] == state
            if state == "done":
                original = (folder / "original" / card["scan"]).read_bytes()
                assert (folder / "part.bin").read_bytes().endswith(original), f"{folder} was delivered half"


def check_all_delivered(shop: Path, scans: set[str], tickets: int = 0) -> None:
    """After an undisturbed run: every scan once in the outbox, every ticket with its scan."""
    from fettlebox.jobs import list_jobs

    check_nothing_lost(shop, scans)
    assert all(where[0].startswith("outbox/") for where in places_of(shop).values())
    assert not [path for path in (shop / "inbox").rglob("*") if path.is_file()]
    assert not list((shop / ".fettlebox/work").iterdir())
    rows = list_jobs(shop)
    assert sorted(str(row.state) for row in rows) == ["done"] * len(scans)
    assert len({row.digest for row in rows}) == len(scans)
    assert len(list((shop / "outbox").glob("*/original/*.ticket.yaml"))) == tickets
    assert not [path for path in shop.rglob("*") if path.name in (".fettlebox-probe", "job.json.tmp")]
    for folder in (shop / "outbox").iterdir():
        for ticket in (folder / "original").glob("*.ticket.yaml"):
            scan = ticket.name.removesuffix(".ticket.yaml")
            assert (folder / "original" / scan).exists(), "a ticket went with another scan"
