"""What open pages of the board cost: jobs with 50 live pages open against the same jobs with none.

    python benchmarks/live_pages.py [--pages 50] [--rounds 3] [--workers 2]

A real server with its board; each page holds the event stream and fetches the list of jobs whenever there
is news, as the browser's script does. Rounds with and without pages alternate. Wall time; read the ratio.
"""

from __future__ import annotations

import argparse
import http.client
import json
import sys
import tempfile
import threading
import time
from pathlib import Path

import trimesh
from fettlebox.board.keys import May, add_token
from fettlebox.board.office import make_office
from fettlebox.board.settings import Settings

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from tests.board.conftest import LOOKED_AT, Served, free_port, make_shop

JOBS = 12


def look(server: Served, fetched: list[int], over: threading.Event) -> None:
    """One open page, until the work is over or the server goes."""
    headers = {"Authorization": f"Bearer {server.token}"}
    stream = http.client.HTTPConnection("127.0.0.1", server.port, timeout=60)
    stream.request("GET", "/live", headers=headers)
    events, seen = stream.getresponse(), None
    try:
        while not over.is_set():
            line = events.readline()
            if line.startswith(b"data:") and (news := json.loads(line[5:])["news"]) != seen:
                seen = news
                page = http.client.HTTPConnection("127.0.0.1", server.port, timeout=60)
                page.request("GET", "/part/jobs", headers=headers)
                page.getresponse().read()
                page.close()
                fetched.append(1)
    except (OSError, http.client.HTTPException):
        return  # the server was stopped


def measure(pages: int, workers: int) -> tuple[float, int]:
    """Seconds from the drop of the scans to the end of the last job, and how often a page was fetched."""
    with tempfile.TemporaryDirectory() as place:
        shop = make_shop(Path(place))
        (shop / "shop.yaml").write_text(
            f"shop: Bench\nrecipe: looked-at\nsettle: 0.2 s\nworkers: {workers}\n"
        )
        (shop / "recipes" / "looked-at.yaml").write_text(LOOKED_AT)
        office = make_office(Settings(shop))
        token = add_token(office.cabinet, "bench", May.ADMIN)
        office.cabinet.close()
        server = Served(shop, free_port(), token)
        server.start()
        fetched: list[int] = []
        over = threading.Event()
        try:
            for _ in range(pages):
                threading.Thread(target=look, args=(server, fetched, over), daemon=True).start()
            drop(shop, workers, "first")
            wait_for(server, workers)
            begun = time.monotonic()
            drop(shop, JOBS, "scan")
            wait_for(server, workers + JOBS)
            return time.monotonic() - begun, len(fetched)
        finally:
            over.set()
            server.stop()


def drop(shop: Path, count: int, name: str) -> None:
    ball = trimesh.creation.icosphere(subdivisions=5, radius=40.0)
    ball.update_faces(ball.triangles_center[:, 2] > -36)
    for number in range(count):
        other = ball.copy()
        other.vertices *= [1.0, 1.0, 1.0 + 0.001 * (number + 1) + 0.0001 * len(name)]
        other.export(shop / "inbox" / f"{name}-{number}.stl")


def wait_for(server: Served, held: int) -> None:
    while True:
        counts = server.ask("/api/v1/health")["counts"]
        assert isinstance(counts, dict)
        if counts.get("rejected"):
            raise SystemExit("a job was rejected; these scans should close, and none is a copy of another")
        if counts["held"] >= held:
            return
        time.sleep(0.2)


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("--pages", type=int, default=50)
    asked.add_argument("--rounds", type=int, default=3)
    asked.add_argument("--workers", type=int, default=2)
    given = asked.parse_args()
    without = with_pages = 0.0
    for number in range(given.rounds):
        pair = (0, given.pages) if number % 2 == 0 else (given.pages, 0)
        for pages in pair:
            seconds, fetched = measure(pages, given.workers)
            if pages:
                with_pages += seconds
            else:
                without += seconds
            print(f"{pages:3} pages: {JOBS} jobs in {seconds:.1f} s, {fetched} pages fetched", flush=True)
    print(f"throughput with {given.pages} pages: {without / with_pages:.1%} of that without (target 95 %)")


if __name__ == "__main__":
    main()
