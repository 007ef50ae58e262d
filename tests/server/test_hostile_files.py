"""Two hundred hostile files through a real server: one sentence each, and nothing else happens."""

from __future__ import annotations

import multiprocessing
import os
import re
import resource
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import pytest
from fettlebox.jobs.audit import audit_shop
from fettlebox.jobs.events import Event, ServeSummary
from fettlebox.server import serve
from fettlebox.text import plain
from hostile_files import Case, cases

ADVICE = re.compile(r"\. (Export|Scan again|Put the|Make the|Try another|The step)|retry the job")
LARGEST_CHILD_KB = 2_500_000


def put(inbox: Path, case: Case) -> Path:
    path = Path(os.fsdecode(bytes(inbox) + b"/" + case.name))
    case.make(path)
    if case.ticket is not None:
        path.with_name(f"{path.stem}.ticket.yaml").write_bytes(case.ticket)
    return path


def tree(folder: Path) -> set[tuple[str, int]]:
    return {(str(path), path.lstat().st_mtime_ns) for path in folder.rglob("*")}


def served(shop: Path) -> tuple[ServeSummary, list[Event], int]:
    """What became of a shop's inbox, and the highest memory of a process that this shop started, in kB."""
    events: list[Event] = []
    summary = serve(shop, once=True, on_event=events.append)
    return summary, events, resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss


@pytest.mark.slow
def test_two_hundred_hostile_files(make_shop: Callable[..., Path], fast_folder: Path) -> None:
    hostile = cases()
    assert len(hostile) >= 200 and len({case.name for case in hostile}) == len(hostile)
    shop = make_shop(workers=2, time="120 s", attempts=1, more="again: redo\n")
    outside = fast_folder / "outside"
    outside.mkdir()
    (outside / "evil.obj").write_text("untouched")
    before = {Path("/etc/passwd"): Path("/etc/passwd").stat().st_mtime_ns, outside: tree(outside)}
    (shop / "inbox").mkdir(exist_ok=True)
    for case in hostile:
        put(shop / "inbox", case)
    # In a process of its own: the highest memory of children is one figure for all that a process ever had,
    # and other tests had theirs in this one.
    with ProcessPoolExecutor(1, mp_context=multiprocessing.get_context("spawn")) as own:
        summary, events, largest_child_kb = own.submit(served, shop).result()

    left = {case.name: case for case in hostile if case.left}
    reasons = {os.fsencode(result.scan): result for result in summary.results}
    odd = [
        (result.scan, result.state, result.reason) for result in summary.results if result.state != "rejected"
    ]
    assert not odd
    assert {case.name for case in hostile} == set(reasons) | set(left)
    told = [event.text for event in events if event.kind == "left alone"]
    wrong = []
    for case in hostile:
        if case.left:
            name = os.fsdecode(case.name)
            good = any(text.startswith(f"{name}:") and case.said in text for text in told)
            wrong += [] if good and os.path.lexists(shop / "inbox" / name) else [(case.name, told)]
            continue
        result = reasons[case.name]
        reason = result.reason or ""
        head = plain(result.scan)
        good = case.said in reason and reason.startswith(f"{head}: ") and ADVICE.search(reason)
        good = good and reason.isprintable() and len(reason) < 1500
        good = good and re.match(r"(reading|ticket and recipe|intake): ", reason[len(head) + 2 :])
        good = good and (result.folder / "reason.txt").read_text().strip() == reason
        wrong += [] if good else [(case.name, reason)]
    assert not wrong, "\n".join(f"{name!r}: {reason}" for name, reason in wrong)
    for name in (path.name for path in (shop / "rejects").iterdir()):
        assert name.isprintable() and len(os.fsencode(name)) <= 255
    assert audit_shop(shop).clean
    log = (shop / ".fettlebox" / "log").read_bytes()
    assert all(0x20 <= byte < 0x7F or byte == 0x0A for byte in log)
    assert before == {Path("/etc/passwd"): Path("/etc/passwd").stat().st_mtime_ns, outside: tree(outside)}
    assert 50_000 < largest_child_kb < LARGEST_CHILD_KB
