"""Whose turn it is, with made-up sizes and in simulated time."""

from __future__ import annotations

import hashlib
import heapq
import os
import subprocess
import sys
import zipfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
import performers
import pytest
import trimesh
from fettlebox.jobs.events import Event
from fettlebox.jobs.folders import Card, ShopFolders
from fettlebox.jobs.opening import open_shop
from fettlebox.jobs.states import State
from fettlebox.mesh import Part, write_part
from fettlebox.queueing import LOOK_AHEAD, Queue
from fettlebox.server import serve
from fettlebox.turns import (
    Size,
    Waiting,
    cores_here,
    memory_here_mb,
    next_turn,
    room_beside_bytes,
    size_for,
    size_of,
    threads_each,
    triangles_in,
    workers_for,
    workers_here,
)

ROOT = Path(__file__).resolve().parents[2]
SMALL, HUGE = size_for(100_000), size_for(4_000_000)


def simulate(
    arrivals: list[tuple[float, Size]], workers: int, room_mb: float
) -> tuple[dict[int, tuple[float, float]], float]:
    """Begin and end of each job when `next_turn` decides; every job takes the seconds of its size. And the
    most memory that was in use at once.
    """
    order = sorted(range(len(arrivals)), key=lambda job: arrivals[job][0])
    times: dict[int, tuple[float, float]] = {}
    ends: list[tuple[float, int]] = []
    queue: list[int] = []
    now, most_mb = 0.0, 0.0
    while order or ends or queue:
        now = min(([arrivals[order[0]][0]] if order else []) + ([ends[0][0]] if ends else []))
        while order and arrivals[order[0]][0] <= now:
            queue.append(order.pop(0))
        while ends and ends[0][0] <= now:
            heapq.heappop(ends)
        while True:
            waiting = [Waiting(str(job), arrivals[job][1], now - arrivals[job][0]) for job in queue]
            turn = next_turn(waiting, [arrivals[job][1] for _, job in ends], workers, room_mb)
            if turn is None:
                break
            job = int(turn.job)
            queue.remove(job)
            times[job] = (now, now + turn.size.seconds)
            heapq.heappush(ends, (times[job][1], job))
            most_mb = max(most_mb, sum(arrivals[each][1].memory_mb for _, each in ends))
    return times, most_mb


def test_two_of_four_million_never_run_at_once_on_a_small_box() -> None:
    """16 GB, four workers: 0.8 of it has room for one job of 10 GB, and for a small one beside it."""
    arrivals = [(0.0, HUGE), (0.0, HUGE), *((float(k), SMALL) for k in range(40))]
    times, most_mb = simulate(arrivals, workers=4, room_mb=0.8 * 16_000)
    assert most_mb <= 0.8 * 16_000
    (begin, end), (other_begin, other_end) = times[0], times[1]
    assert end <= other_begin or other_end <= begin
    assert len(times) == len(arrivals)


@pytest.mark.parametrize("workers", [2, 4])
def test_a_short_job_does_not_wait_behind_huge_ones(workers: int) -> None:
    """With room for all: one worker never has a huge job, so a short one waits for short ones alone."""
    arrivals = [(0.0, HUGE)] * 8 + [(50.0 * k + 1.0, SMALL) for k in range(10)]
    times, _ = simulate(arrivals, workers, room_mb=1e6)
    waits = [times[job][0] - arrivals[job][0] for job in range(8, 18)]
    assert max(waits) == 0.0
    in_order = simulate_in_order(arrivals, workers)
    assert max(in_order[8:]) > HUGE.seconds  # what the queue of before would have done to them


def simulate_in_order(arrivals: list[tuple[float, Size]], workers: int) -> list[float]:
    """Waits when jobs are done in the order in which they came; the textbook recurrence of a queue."""
    free = [0.0] * workers
    waits = []
    for arrived, size in arrivals:
        begin = max(arrived, heapq.heappop(free))
        waits.append(begin - arrived)
        heapq.heappush(free, begin + size.seconds)
    return waits


def test_a_huge_job_is_not_held_up_for_ever_by_a_stream_of_small_ones() -> None:
    """Small jobs keep 95 % of two workers busy, and nothing fits beside the huge one. It begins once it has
    waited as long as it takes, and the jobs at work then have ended.
    """
    gap_s = SMALL.seconds / 2 / 0.95
    arrivals = [(0.0, SMALL), (0.0, SMALL), (0.1, HUGE), *((k * gap_s, SMALL) for k in range(1, 400))]
    times, _ = simulate(arrivals, workers=2, room_mb=HUGE.memory_mb + 1)
    assert times[2][0] <= 0.1 + HUGE.seconds + SMALL.seconds + gap_s


def test_alike_jobs_keep_their_order() -> None:
    """Sizes within a power of two count as alike; a smaller file that came later does not overtake."""
    arrivals = [(0.01 * k, size_for(200_000 - 400 * k)) for k in range(50)]
    times, _ = simulate(arrivals, workers=2, room_mb=1e6)
    begins = [times[job][0] for job in range(50)]
    assert begins == sorted(begins)


def test_alone_every_job_may_start() -> None:
    assert next_turn([Waiting("a", HUGE, 0.0)], [], 1, 100.0) is not None
    assert next_turn([Waiting("a", SMALL, 0.0)], [HUGE], 2, 100.0) is None
    assert next_turn([Waiting("a", SMALL, 0.0)], [SMALL], 1, 1e6) is None
    assert next_turn([], [], 2, 1e6) is None


def test_the_response_ratio_is_that_of_the_paper() -> None:
    """Brinch Hansen 1971: (waited + work) / work. A job of 10 s after 30 s: 4."""
    assert Waiting("a", Size(1, 1.0, 10.0), 30.0).response_ratio == 4.0
    assert Waiting("a", Size(1, 1.0, 10.0), -5.0).response_ratio == 1.0  # the clock was set back


def test_estimates_are_capped_by_what_a_job_may_use() -> None:
    assert size_for(40_000_000, most_memory_mb=8000.0).memory_mb == 8000.0
    assert size_for(0).triangles == 100_000


@pytest.mark.parametrize("suffix", [".stl", ".ply", ".3mf", ".glb", ".obj", ".off", ".zip"])
def test_triangles_are_told_from_bytes_to_a_factor_of_two(tmp_path: Path, suffix: str) -> None:
    side = 120
    grid = np.stack(np.meshgrid(np.arange(side), np.arange(side), indexing="ij"), axis=-1).reshape(-1, 2)
    rng = np.random.default_rng(0)
    points = np.column_stack([grid + rng.normal(0, 0.1, grid.shape), rng.normal(0, 1, len(grid))])
    a = (np.arange(side - 1)[:, None] * side + np.arange(side - 1)).ravel()
    faces = np.concatenate(
        [np.column_stack([a, a + side, a + 1]), np.column_stack([a + 1, a + side, a + side + 1])]
    )
    path = tmp_path / f"scan{suffix}"
    if suffix == ".zip":
        write_part(Part(points, faces.astype(np.int32)), tmp_path / "scan.stl")
        with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as packed:
            packed.write(tmp_path / "scan.stl")
    elif suffix in (".obj", ".off"):
        trimesh.Trimesh(points, faces, process=False).export(path)
    else:
        write_part(Part(points, faces.astype(np.int32)), path)
    assert len(faces) / 2 <= triangles_in(path) <= len(faces) * 2


def test_a_folder_counts_as_its_largest_file(tmp_path: Path) -> None:
    """Takes of one face: one of them is worked on."""
    (tmp_path / "takes").mkdir()
    for name, triangles in (("a.stl", 300_000), ("b.stl", 500_000), ("photo.png", 9_000_000)):
        with (tmp_path / "takes" / name).open("wb") as file:
            file.truncate(84 + 50 * triangles)
    assert size_of(tmp_path / "takes").triangles == 800_000  # 500,000 and a little, rounded up
    assert triangles_in(tmp_path / "gone.stl") == 0.0


def test_workers_are_as_many_as_cores_and_memory_allow() -> None:
    """A usual job is expected to need 1.9 GB and 2 GB for each million triangles: 2.7 GB at 400,000."""
    assert size_for(400_000).memory_mb == pytest.approx(2700.0)
    assert workers_for(cores=2, room_mb=20_000) == 2
    assert workers_for(cores=32, room_mb=28_000) == 10
    assert workers_for(cores=8, room_mb=1_000) == 1
    assert 1 <= workers_here() <= cores_here()


def test_threads_are_shared_out() -> None:
    assert [threads_each(8, running) for running in (0, 1, 2, 3, 8, 20)] == [8, 8, 4, 2, 1, 1]


def test_a_served_shop_asks_whose_turn_it_is(make_shop: Callable[..., Path]) -> None:
    """One worker; a file as large as one of two million triangles came first, the small one goes first."""
    shop = make_shop(workers=1)
    with (shop / "inbox" / "hold-a.stl").open("wb") as file:
        file.truncate(84 + 50 * 2_100_000)
    (shop / "inbox" / "hold-b.stl").write_text("a small scan")
    begun: list[str] = []

    def note(event: Event) -> None:
        if event.kind == "started":
            begun.append(event.text.rpartition(": ")[2])

    summary = serve(shop, once=True, perform=performers.by_name, on_event=note)
    assert summary.counts == {"held": 2}
    assert begun == ["hold-b.stl", "hold-a.stl"]


def test_a_long_queue_takes_no_more_memory(tmp_path: Path) -> None:
    """What is remembered are the jobs in sight and those at work, whatever waits behind them."""
    with open_shop(ShopFolders(tmp_path)) as (store, _):
        for number in range(300):
            card = Card(
                f"J{number:04}", f"{number}.stl", f"{number}.stl", f"{number:064}", "plain", None, None, None,
                "2026-01-01T00:00:00.000Z",
            )  # fmt: skip
            store.enter(card, State.QUEUED, store.shop.work / card.job)
        queue = Queue(store, room_mb=1e6)
        first = queue.next_row((), 2, 8000.0)
        assert first is not None and first.id == "J0000"
        store.spool.move(first.id, State.QUEUED, State.WORKING)
        second = queue.next_row([first.id], 2, 8000.0)
        assert second is not None and second.id == "J0001"
        store.spool.move(second.id, State.QUEUED, State.WORKING)
        assert queue.next_row([first.id, second.id], 2, 8000.0) is None
        assert len(queue._sizes) <= LOOK_AHEAD + 2


@pytest.mark.slow
def test_no_part_depends_on_the_number_of_threads(tmp_path: Path) -> None:
    """A bust of the demo, made with one thread and with three: every file that is delivered is the same."""
    scan = ROOT / "inbox_example" / "inbox" / "miller.ply"
    digests = []
    for threads in ("1", "3"):
        out = tmp_path / threads
        recipe = ROOT / "recipes" / "quarter-bust.yaml"
        subprocess.run(
            [sys.executable, "-m", "fettlebox", "run", recipe, scan, "--out", out],
            env={**os.environ, "NUMBA_NUM_THREADS": threads}, check=True, capture_output=True,
        )  # fmt: skip
        parts = sorted(path for path in out.rglob("*") if path.suffix in (".stl", ".3mf"))
        digests.append([hashlib.sha256(path.read_bytes()).hexdigest() for path in parts])
    assert digests[0] and digests[0] == digests[1]


@pytest.mark.parametrize(
    ("all_gb", "beside_mb"),
    [(4, 537), (8, 537), (12, 600), (24, 1200), (64, 2147), (256, 2147)],  # 512 MiB, 5 %, 2 GiB
)
def test_jobs_board_and_observers_go_together(
    monkeypatch: pytest.MonkeyPatch, all_gb: int, beside_mb: int
) -> None:
    pages = {"SC_PAGE_SIZE": 4000, "SC_PHYS_PAGES": all_gb * 250_000}
    monkeypatch.setattr("fettlebox.turns.os.sysconf", pages.__getitem__)
    monkeypatch.setattr("fettlebox.turns.Path.read_text", lambda path: "max\n")
    beside = room_beside_bytes(2 << 30)
    assert round(beside / 1e6) == beside_mb
    if all_gb >= 6:  # in less, a board is given what it needs all the same
        assert memory_here_mb() + 2 * beside / 1e6 <= 1000 * all_gb
    assert room_beside_bytes(1 << 20) == 1 << 20
