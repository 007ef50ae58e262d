"""The demo: a marionette workshop's inbox, served once, told in plain words."""

from __future__ import annotations

import shutil
import sys
from pathlib import Path

from .compiled import tell_if_cold
from .errors import UsageError
from .jobs import init_shop, list_jobs
from .printing import serve_progress
from .recipe import TICKET_SUFFIX
from .server import serve
from .shipped import shipped
from .text import plain
from .traveler.writing import TRAVELER, read_traveler

MARK = ".made-by-demo"


def run_demo(into: Path) -> int:
    """Make a scratch shop in `into` (one that a former demo made is replaced), serve it once, tell.

    Raises UsageError when the folder is there and is not a demo's. Gives exit status 0 when every
    scan ended somewhere, as the demo's held and rejected ones are meant to.
    """
    example = shipped("inbox_example")
    if into.exists():
        if not (into / MARK).is_file():
            raise UsageError(f"{into} is there already and no demo made it; name another with --into")
        shutil.rmtree(into)
    init_shop(into, recipes=shipped("recipes"), schemas=shipped("schemas"))
    shutil.copy2(example / "shop.yaml", into / "shop.yaml")
    (into / MARK).touch()
    scans = sorted(path for path in (example / "inbox").iterdir())
    for path in scans:
        shutil.copy2(path, into / "inbox" / path.name)
    count = sum(not path.name.endswith(TICKET_SUFFIX) for path in scans)
    print("A marionette workshop has scanned its carved puppet heads and wants quarter-size masters.")
    print(f"{count} scans lie in {into / 'inbox'}; the shop is served once.\n")
    sys.stdout.flush()
    tell_if_cold()
    with serve_progress(as_json=False) as on_event:
        serve(into, once=True, on_event=on_event)
    print()
    jobs = list_jobs(into)
    for state, heading in (
        ("done", "Sound parts, cut and scaled (read the notes before printing):"),
        ("held", "Held back for a person to look at:"),
        ("rejected", "Could not be done; the scan is kept as it came:"),
    ):
        chosen = [job for job in jobs if job.state == state]
        if not chosen:
            continue
        print(heading)
        for job in chosen:
            print(f"  {plain(job.scan_name)}")
            if job.reason:
                print(f"      why: {plain(job.reason)}")
            folder = into / job.folder
            if not (folder / TRAVELER).is_file():  # a job that brings its worker down leaves no record
                print(f"      see {folder}")
                continue
            for warning in read_traveler(folder).warnings:
                print(f"      note: {plain(warning)}")
            print(f"      see {folder / 'traveler.html'}")
        print()
    done = sum(job.state == "done" for job in jobs)
    print(
        f"Each folder in {into / 'outbox'} holds the part, the scan as it came, pictures/ and the traveler."
    )
    if len(jobs) != count or not done:
        print(
            f"Something is wrong: {count} scans went in, {len(jobs)} jobs ended, {done} done.",
            file=sys.stderr,
        )
        return 1
    return 0
