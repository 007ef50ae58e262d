"""A shop served by the workers of a Dask cluster: real schedulers and workers, each a process of its own."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import clusters
import drills
import performers
import pytest
import trimesh
from fettlebox.errors import UsageError
from fettlebox.jobs import list_jobs, retry
from fettlebox.jobs.audit import audit_shop
from fettlebox.jobs.events import Event
from fettlebox.server import serve
from fettlebox.traveler.writing import read_traveler

MakeShop = Callable[..., Path]
HERE = Path(__file__).parent
pytestmark = pytest.mark.xdist_group("cluster")


class Listener:
    """What the server told, and a way to do something as soon as it tells a certain thing."""

    def __init__(self) -> None:
        self.events: list[Event] = []
        self._waits: list[tuple[Callable[[Event], bool], Callable[[], object]]] = []

    def __call__(self, event: Event) -> None:
        self.events.append(event)
        due = [one for one in self._waits if one[0](event)]
        self._waits = [one for one in self._waits if one not in due]
        for _, act in due:
            threading.Thread(target=act).start()

    def when(self, kind: str, act: Callable[[], object]) -> None:
        self._waits.append((lambda event: event.kind == kind, act))

    def told(self, kind: str) -> list[str]:
        return [event.text for event in self.events if event.kind == kind]


@pytest.fixture
def cluster(tmp_path: Path) -> Iterator[clusters.TestCluster]:
    one = clusters.TestCluster(tmp_path)
    yield one
    one.close()
    print(one.logs())


def drop(shop: Path, *names: str) -> set[str]:
    """Scans whose content is their name."""
    for name in names:
        (shop / "inbox" / name).parent.mkdir(exist_ok=True)
        (shop / "inbox" / name).write_text(name)
    return set(names)


def without_timing(folder: Path) -> dict[str, Any]:
    """All that lies in a finished job's folder, but for when and where it was done."""
    found: dict[str, Any] = {}
    for path in sorted(folder.rglob("*")):
        name = str(path.relative_to(folder))
        if name == "traveler.json":
            found[name] = {
                key: value for key, value in json.loads(path.read_text()).items() if key != "timing"
            }
        elif name == "traveler.html":
            found[name] = [
                line for line in path.read_text().splitlines() if 'class="quiet timing"' not in line
            ]
        elif path.is_file() and name not in ("job.json", "provenance.json"):  # both hold times
            found[name] = path.read_bytes()
        else:
            found[name] = None
    return found


@pytest.mark.slow
@pytest.mark.parametrize("shared", [False, True])
def test_the_same_comes_out_as_from_local_workers(
    make_shop: MakeShop, cluster: clusters.TestCluster, bunny_scan: Path, shared: bool
) -> None:
    """Also with a recipe that extends another, which the worker has to be sent."""
    cluster.start_worker(nanny=True)
    shop = make_shop(time="300 s", memory="4 GB")
    parent = (
        "recipe: parent\nsteps:\n  - units: {expect: {height: 76 mm}}\n  - repair\n  - seat\n"
        "deliver: [stl, 3mf, pictures, zip]\n"
    )
    (shop / "recipes" / "parent.yaml").write_text(parent)
    (shop / "recipes" / "plain.yaml").write_text("recipe: plain\nextends: parent\n")
    there = shop.parent / "there"
    shutil.copytree(shop, there)
    more = f"cluster: {{shared: {there}}}\n" if shared else ""
    (there / "shop.yaml").write_text((there / "shop.yaml").read_text() + more)
    for place in (shop, there):
        (place / "inbox" / "held.ply").write_bytes(bunny_scan.read_bytes())  # far from 76 mm in any unit
        ball = trimesh.creation.icosphere(subdivisions=3, radius=40.0)
        ball.update_faces(ball.triangles_center[:, 2] > -36)
        ball.export(place / "inbox" / "ball.stl")
        trimesh.creation.box((40, 40, 76)).export(place / "inbox" / "box.stl")
    (here, far) = (serve(shop, once=True), serve(there, once=True, workers=cluster.address))
    assert here.counts == far.counts and far.counts["done"] == 2, far.results
    for one in here.results:
        (other,) = (far_one for far_one in far.results if far_one.scan == one.scan)
        assert without_timing(one.folder) == without_timing(other.folder)
        timing = json.loads((other.folder / "traveler.json").read_text())["timing"]
        assert (
            timing["host"] and "host" not in json.loads((one.folder / "traveler.json").read_text())["timing"]
        )
    assert audit_shop(there).clean
    assert not (there / ".fettlebox" / "cluster").exists()


@pytest.mark.slow
def test_half_made_parts_are_kept_on_a_shared_disk_for_other_workers_and_change_no_part(
    make_shop: MakeShop, cluster: clusters.TestCluster
) -> None:
    """Made by one worker and used by another; what is torn is nobody's, and a third makes all anew."""
    shop = make_shop(time="300 s", memory="4 GB")
    ball = trimesh.creation.icosphere(subdivisions=3, radius=40.0)
    ball.update_faces(ball.triangles_center[:, 2] > -36)
    ball.export(shop / "inbox" / "ball.stl")
    with (shop / "shop.yaml").open("a") as file:
        file.write(f"cluster: {{shared: {shop}}}\n")
    made = []
    for longest in (50, 60, 60):
        (shop / "recipes" / "plain.yaml").write_text(
            "recipe: plain\nsteps:\n  - units: {expect: {height: 76 mm}}\n  - repair\n"
            f"  - scale: {{longest: {longest} mm}}\n  - gate: {{height: {{below: 5 mm}}}}\ndeliver: [stl]\n"
        )
        for job in list_jobs(shop):
            retry(shop, job.id)
        worker = cluster.start_worker()
        kept = shop / ".fettlebox" / "kept-steps"
        (held,) = serve(shop, once=True, workers=cluster.address).results
        cluster.kill(worker)
        assert held.state == "held", held.reason
        made.append(read_traveler(held.folder))
        if len(made) == 2:
            assert len(list(kept.glob("*/*.npz"))) == 4
            for entry in kept.glob("*/*.npz"):
                entry.write_bytes(b"torn")
    assert [record.timing.get("reused") for record in made] == [None, ["units", "repair"], None]
    digests = [[step.part_out for step in record.steps] for record in made]
    assert digests[1] == digests[2] and digests[0][:2] == digests[1][:2] and digests[0] != digests[1]
    assert audit_shop(shop).clean


@pytest.mark.slow
def test_what_a_job_does_to_its_worker_is_that_jobs_own(
    make_shop: MakeShop, cluster: clusters.TestCluster
) -> None:
    """The same ends, sentences and attempts as with local workers."""
    cluster.start_worker()
    names = ("good.stl", "hold.stl", "reject.stl", "segfault.stl", "exit.stl", "raise.stl", "unpicklable.stl",
             "memory.stl", "hang.stl", "native_connect.stl", "settling.stl")  # fmt: skip
    shop = make_shop(time="3 s", memory="1 GB", attempts=2)
    there = shop.parent / "there"
    shutil.copytree(shop, there)
    for place in (shop, there):
        drop(place, *names)
    ends = []
    for place, workers in ((shop, 1), (there, cluster.address)):
        summary = serve(place, once=True, workers=workers, perform=performers.by_name)
        ends.append({one.scan: (one.state, one.reason, one.attempts) for one in summary.results})
    assert ends[0] == ends[1]
    assert ends[1]["segfault.stl"][0] == "rejected" and ends[1]["segfault.stl"][2] == 2
    assert ends[1]["good.stl"] == ("done", None, 1)
    assert audit_shop(there).clean
    local = list(cluster.folder.glob("worker-*/**/original"))
    assert not local, "nothing of a scan stays with a worker"


@pytest.mark.slow
def test_a_worker_with_other_code_gets_no_jobs(
    make_shop: MakeShop, cluster: clusters.TestCluster, tmp_path: Path
) -> None:
    about = tmp_path / "site" / "keel-1.dist-info"
    about.mkdir(parents=True)
    (tmp_path / "site" / "keel.py").write_text("")
    (about / "METADATA").write_text("Metadata-Version: 2.1\nName: keel\nVersion: 1\n")
    (about / "entry_points.txt").write_text("[fettlebox.steps]\nkeel = keel:keel\n")
    cluster.start_worker(path=tmp_path / "site")
    shop, listener = make_shop(), Listener()
    drop(shop, *(f"{number}.stl" for number in range(4)))
    listener.when("waiting", cluster.start_worker)
    summary = serve(shop, once=True, workers=cluster.address, perform=performers.succeed, on_event=listener)
    assert dict(summary.counts) == {"done": 4} and {one.attempts for one in summary.results} == {1}
    (refused,) = listener.told("worker refused")
    assert "it has code of keel, which the server lacks" in refused or "it has plugin keel" in refused
    assert "none of 1 can be used" in listener.told("waiting")[0]
    assert refused in (shop / ".fettlebox" / "log").read_text() or any(
        refused in path.read_text() for path in (shop / ".fettlebox").glob("log*/*")
    )


@pytest.mark.slow
def test_a_worker_with_another_processor_is_told_of_once_or_kept_out(
    make_shop: MakeShop, cluster: clusters.TestCluster
) -> None:
    place = cluster.folder / "chip"
    place.mkdir()
    (place / "chip.py").write_text(
        "from fettlebox.cluster import terms\nterms.processor_here = lambda: 'x86_64 with sse4_2, sve9'\n"
    )
    for _ in range(2):
        cluster.start_worker("--preload", "chip", path=place)
    shop, listener = make_shop(), Listener()
    drop(shop, "0.stl", "1.stl")
    summary = serve(shop, once=True, workers=cluster.address, perform=performers.slow, on_event=listener)
    assert dict(summary.counts) == {"done": 2}
    (told,) = listener.told("processor differs")
    assert cluster.address.rpartition(":")[0] in told and "last digits of its parts may differ" in told

    (shop / "shop.yaml").write_text((shop / "shop.yaml").read_text() + "cluster: {same processors: true}\n")
    drop(shop, "2.stl")
    listener = Listener()
    listener.when("waiting", cluster.start_worker)
    summary = serve(shop, once=True, workers=cluster.address, perform=performers.succeed, on_event=listener)
    assert dict(summary.counts) == {"done": 1} and not listener.told("processor differs")
    refused = listener.told("worker refused")
    assert len(refused) == 2 and all("its processor" in text for text in refused)


@pytest.mark.slow
def test_a_job_waits_for_a_tag_and_holds_up_no_other(
    make_shop: MakeShop, cluster: clusters.TestCluster
) -> None:
    cluster.start_worker()
    shop, listener = make_shop(), Listener()
    (shop / "recipes" / "fancy.yaml").write_text(
        "recipe: fancy\nneeds: [gpu]\nsteps:\n  - units\ndeliver: [stl]\n"
    )
    drop(shop, "fancy/wants.stl", "fancy/too.stl", *(f"{number}.stl" for number in range(5)))
    at_work: list[Callable[[], Any]] = []
    shown: list[set[str]] = []

    def help_it() -> None:
        deadline = time.monotonic() + 60
        while len(listener.told("done")) < 5 and time.monotonic() < deadline:
            time.sleep(0.05)
        shown.append(set(at_work[0]().values()))
        cluster.start_worker("--resources", "gpu=1")

    listener.when("waiting", help_it)
    summary = serve(
        shop, once=True, workers=cluster.address, perform=performers.succeed, on_event=listener,
        show=at_work.append,
    )  # fmt: skip
    assert dict(summary.counts) == {"done": 7}
    assert [one.scan for one in summary.results][-2:] != ["3.stl", "4.stl"]
    assert listener.told("waiting") == ["a job waits for a worker that has gpu: none of 1 has"]
    assert shown == [{"waits for a worker that has gpu: none of 1 has"}], "the board shows it"


@pytest.mark.slow
def test_the_scheduler_is_lost_and_comes_back(make_shop: MakeShop, cluster: clusters.TestCluster) -> None:
    cluster.start_worker()
    shop, listener = make_shop(attempts=1), Listener()
    names = drop(shop, *(f"{number}.stl" for number in range(12)))

    def power_cut() -> None:
        assert cluster.scheduler is not None
        cluster.kill(cluster.scheduler)
        for worker in cluster.workers:  # under a service manager they begin anew by themselves
            cluster.kill(worker)
        cluster.start_scheduler()
        cluster.start_worker()

    listener.when("done", power_cut)
    summary = serve(
        shop, once=True, workers=cluster.address, perform=performers.slow_by_half_a_second, on_event=listener
    )
    assert dict(summary.counts) == {"done": 12} and {one.attempts for one in summary.results} == {1}
    assert "is lost; trying to reach it again" in " ".join(listener.told("cluster"))
    drills.check_all_delivered(shop, names)
    assert audit_shop(shop).clean


def test_a_poisoned_answer_is_a_failed_attempt(make_shop: MakeShop, cluster: clusters.TestCluster) -> None:
    place = cluster.folder / "poison"
    place.mkdir()
    shutil.copyfile(HERE / "poison.py", place / "poison.py")
    cluster.start_worker("--preload", "poison", path=place)
    shop, listener = make_shop(attempts=2), Listener()
    names = drop(shop, "flip.stl", "cut.stl", "nothing.stl", "good.stl")
    summary = serve(shop, once=True, workers=cluster.address, perform=performers.succeed, on_event=listener)
    assert {one.scan: one.attempts for one in summary.results} == {
        "flip.stl": 2, "cut.stl": 2, "nothing.stl": 2, "good.stl": 1
    }  # fmt: skip
    assert len([text for text in listener.told("again") if "answer cannot be used" in text]) == 3
    drills.check_all_delivered(shop, names)


@pytest.mark.slow
def test_a_stopped_server_calls_its_jobs_back(make_shop: MakeShop, cluster: clusters.TestCluster) -> None:
    """The worker is free again at once, though the job it had would hang for long."""
    cluster.start_worker()
    shop, listener = make_shop(time="300 s"), Listener()
    drop(shop, "hang.stl")

    def stop_twice() -> None:
        for _ in range(2):
            os.kill(os.getpid(), signal.SIGTERM)
            time.sleep(0.3)

    listener.when("on worker", stop_twice)
    summary = serve(shop, workers=cluster.address, perform=performers.by_name, on_event=listener)
    assert summary.given_back == 1 and [str(row.state) for row in list_jobs(shop)] == ["queued"]
    assert [row.attempts for row in list_jobs(shop)] == [0]
    other = shop.parent / "other"
    shutil.copytree(shop, other, ignore=shutil.ignore_patterns(".fettlebox"))
    drop(other, "good.stl")
    assert dict(serve(other, once=True, workers=cluster.address, perform=performers.by_name).counts) == {
        "done": 1
    }


def test_no_scheduler_is_said_at_once(make_shop: MakeShop, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("fettlebox.cluster.link.CONNECT_S", 1.0)
    shop = make_shop()
    with pytest.raises(UsageError, match=r"no scheduler answers at tcp://127\.0\.0\.1:"):
        serve(shop, once=True, workers=f"tcp://127.0.0.1:{clusters.free_port()}")
    with pytest.raises(UsageError, match="scans are faces"):
        serve(shop, once=True, workers="tcp://192.0.2.1:8786")


SERVE = (
    "import sys; from pathlib import Path; import performers; from fettlebox.server import serve\n"
    "print(serve(Path(sys.argv[1]), once=True, workers=sys.argv[2], perform=performers.succeed).counts)"
)


@pytest.mark.slow
def test_workers_and_heads_that_are_killed_lose_and_double_nothing(
    make_shop: MakeShop, cluster: clusters.TestCluster
) -> None:
    """200 small jobs, a worker killed every few seconds, and the server itself twice."""
    shop = make_shop(attempts=10)
    names = drop(shop, *(f"{number}.stl" for number in range(200)))
    for _ in range(2):
        cluster.start_worker()
    over = threading.Event()
    kills = 0

    def kill_workers() -> None:
        nonlocal kills
        while not over.wait(4.0):
            cluster.start_worker()
            cluster.kill(cluster.workers[kills])
            kills += 1

    killer = threading.Thread(target=kill_workers)
    killer.start()
    env = {**os.environ, "PYTHONPATH": os.pathsep.join([str(HERE), *filter(None, sys.path)])}
    command = [sys.executable, "-c", SERVE.replace("succeed", "slow"), str(shop), cluster.address]
    try:
        for at in (30, 90):
            server = subprocess.Popen(command, env=env, stderr=subprocess.DEVNULL, stdout=subprocess.DEVNULL)
            until = time.monotonic() + 60
            while len(list((shop / "outbox").iterdir())) < at and time.monotonic() < until:
                time.sleep(0.02)
            server.kill()
            server.wait()
            drills.check_nothing_lost(shop, names)
        done = subprocess.run(command, env=env, capture_output=True, encoding="utf-8", check=False)
        assert done.returncode == 0, done.stderr
    finally:
        over.set()
        killer.join()
    assert kills >= 3
    drills.check_all_delivered(shop, names)
    audit = audit_shop(shop)
    assert audit.clean and audit.jobs == 200
