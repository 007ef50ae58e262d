"""A Dask cluster that scales itself between one worker and two, each a process; ends when its input does.

    python adaptive.py PORT FOLDER

How many workers there are it writes to FOLDER/workers, a number a line, whenever that changes.
"""

from __future__ import annotations

import select
import sys
from pathlib import Path
from typing import Any

from distributed import LocalCluster

LOOK_S = 0.1


def main(port: int, folder: Path) -> None:
    deploy: Any = LocalCluster
    with (
        deploy(
            n_workers=0, threads_per_worker=1, processes=True, host="127.0.0.1", scheduler_port=port,
            dashboard_address=None, memory_limit=0, local_directory=str(folder),
        ) as cluster,
        (folder / "workers").open("w", buffering=1) as told,
    ):  # fmt: skip
        # Dask takes a job whose like it never saw for half a second's work.
        cluster.adapt(minimum=1, maximum=2, interval="200ms", wait_count=5, target_duration="500ms")
        before = -1
        while not select.select([sys.stdin], [], [], LOOK_S)[0]:
            now = len(cluster.scheduler_info["workers"])
            if now != before:
                told.write(f"{now}\n")
                before = now


if __name__ == "__main__":
    main(int(sys.argv[1]), Path(sys.argv[2]))
