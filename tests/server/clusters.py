"""A Dask scheduler and workers as processes of their own, on this machine, for the tests of clusters."""

from __future__ import annotations

import contextlib
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Mapping
from pathlib import Path

HERE = Path(__file__).parent
QUIET = {"DASK_DISTRIBUTED__DASHBOARD__LINK": "", "DASK_LOGGING__DISTRIBUTED": "error"}


def free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


class AdaptiveCluster:
    """A cluster that starts and stops its own workers, in a process beside: see `adaptive`."""

    def __init__(self, folder: Path, env: Mapping[str, str]) -> None:
        self.folder = folder
        port = free_port()
        self.address = f"tcp://127.0.0.1:{port}"
        roots = [str(HERE), *filter(None, sys.path)]
        with (folder / "adaptive.log").open("wb") as log:
            self._process = subprocess.Popen(
                [sys.executable, str(HERE / "adaptive.py"), str(port), str(folder)],
                stdin=subprocess.PIPE, stdout=log, stderr=log, start_new_session=True,
                env={**os.environ, **QUIET, **env, "PYTHONPATH": os.pathsep.join(roots)},
            )  # fmt: skip

    def workers(self) -> list[int]:
        """How many there were, from the first moment on."""
        told = self.folder / "workers"
        return [int(line) for line in told.read_text().split()] if told.exists() else []

    def close(self) -> None:
        with contextlib.suppress(subprocess.TimeoutExpired):
            self._process.communicate(b"end", timeout=20)
        with contextlib.suppress(ProcessLookupError):
            os.killpg(self._process.pid, signal.SIGKILL)
        self._process.wait()


class TestCluster:
    """What is started here is ended by `close`; the scheduler keeps its port when it is started again."""

    __test__ = False

    def __init__(self, folder: Path, scheme: str = "tcp", env: Mapping[str, str] | None = None) -> None:
        self.folder = folder
        self.address = f"{scheme}://127.0.0.1:{free_port()}"
        self._env = dict(env or {})
        self._number = 0
        self.workers: list[subprocess.Popen[bytes]] = []
        self.scheduler: subprocess.Popen[bytes] | None = None
        self.start_scheduler()

    def start_scheduler(self) -> None:
        scheme, port = self.address.split("://")[0], self.address.rpartition(":")[2]
        self.scheduler = self._run(
            "scheduler", "--host", f"{scheme}://127.0.0.1", "--port", port, "--no-dashboard", "--no-show"
        )

    def start_worker(
        self, *options: str, path: Path | None = None, nanny: bool = False
    ) -> subprocess.Popen[bytes]:
        """`path` is put before all others on which the worker finds modules."""
        self._number += 1
        local = self.folder / f"worker-{self._number}"
        local.mkdir()
        worker = self._run(
            "worker", self.address, "--nthreads", "1", "--no-dashboard", "--host", "127.0.0.1",
            "--nanny" if nanny else "--no-nanny", "--local-directory", str(local), "--death-timeout", "60",
            *options, path=path,
        )  # fmt: skip
        self.workers.append(worker)
        return worker

    def _run(self, *arguments: str, path: Path | None = None) -> subprocess.Popen[bytes]:
        self._number += 1
        roots = [*([str(path)] if path else []), str(HERE), *filter(None, sys.path)]
        env = {**os.environ, **QUIET, **self._env, "PYTHONPATH": os.pathsep.join(roots)}
        log = (self.folder / f"{arguments[0]}-{self._number}.log").open("wb")
        with log:
            return subprocess.Popen(
                [sys.executable, "-m", "dask", *arguments],
                stdout=log,
                stderr=log,
                env=env,
                start_new_session=True,
            )

    def kill(self, process: subprocess.Popen[bytes]) -> None:
        """At once, with all that it has started: as when a machine loses its power."""
        with contextlib.suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGKILL)
        process.wait()

    def logs(self) -> str:
        return "\n".join(f"{path.name}: {path.read_text()}" for path in sorted(self.folder.glob("*.log")))

    def close(self) -> None:
        for process in [*self.workers, self.scheduler]:
            if process is not None:
                self.kill(process)
        time.sleep(0.1)
