"""A shop served by a Dask cluster that starts and stops its own workers, each a process."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import clusters
import drills
import pytest
from fettlebox.jobs import list_jobs
from fettlebox.jobs.audit import audit_shop

HERE = Path(__file__).parent
SERVE = (
    "import sys; from pathlib import Path; import performers; from fettlebox.server import serve\n"
    "serve(Path(sys.argv[1]), workers=sys.argv[2], perform=performers.hold_on)"
)
PATIENCE_S = 90.0
JOBS = 6
pytestmark = pytest.mark.xdist_group("cluster")


@pytest.mark.slow
def test_a_cluster_grows_with_the_queue_and_shrinks_without_a_loss(
    make_shop: Callable[..., Path], tmp_path: Path
) -> None:
    """Twice jobs wait and a second worker comes, before one has ended; twice it goes when there are none."""
    go, shop = tmp_path / "go", make_shop(attempts=1, time="200 s")
    cluster = clusters.AdaptiveCluster(tmp_path, {"FETTLEBOX_TEST_GO": str(go)})

    def until(what: Callable[[], bool], said: str) -> None:
        end = time.monotonic() + PATIENCE_S
        while not what():
            assert time.monotonic() < end, f"{said}: {cluster.workers()}"
            time.sleep(0.05)

    def delivered() -> int:
        return len(list((shop / "outbox").iterdir()))

    names: set[str] = set()
    log = (tmp_path / "server.log").open("wb")
    try:
        until(lambda: cluster.workers()[-1:] == [1], "no worker comes")
        server = subprocess.Popen(
            [sys.executable, "-c", SERVE, str(shop), cluster.address],
            env={**os.environ, "PYTHONPATH": os.pathsep.join([str(HERE), *filter(None, sys.path)])},
            stderr=log, stdout=log,
        )  # fmt: skip
        for _ in range(2):
            before = len(names)
            for number in range(before, before + JOBS):
                names.add(f"{number}.stl")
                (shop / "inbox" / f"{number}.stl").write_text(f"{number}.stl")
            until(lambda: cluster.workers()[-1] == 2, "no second worker comes")
            assert delivered() == before
            go.touch()
            until(lambda: delivered() == len(names), "jobs are lost")
            go.unlink()
            until(lambda: cluster.workers()[-1] == 1, "the second worker stays")
        server.send_signal(signal.SIGTERM)
        assert server.wait(60) == 0
    finally:
        cluster.close()
        log.close()
        print((tmp_path / "server.log").read_text(), (tmp_path / "adaptive.log").read_text())
    drills.check_all_delivered(shop, names)
    assert max(cluster.workers()) == 2
    assert {row.attempts for row in list_jobs(shop)} == {1} and audit_shop(shop).clean
