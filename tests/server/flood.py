"""Flood: many small scans dropped at once while a server runs; not collected by pytest.

    python tests/server/flood.py --scans 10000 [--no-events] [--shop FOLDER]

Prints how many jobs ended how, how the server's resident memory went after warm-up, and whether the audit is
clean. `--no-events` disables the hints of the file system, so that looking alone finds every file.
"""

from __future__ import annotations

import argparse
import json
import shutil
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE))

from conftest import RECIPE, SHOP  # noqa: E402
from fettlebox.jobs import list_jobs  # noqa: E402
from fettlebox.jobs.audit import audit_shop  # noqa: E402

SERVE = """
import contextlib, sys
sys.path.insert(0, sys.argv[1])
import performers
from pathlib import Path
from fettlebox import server
if sys.argv[3] == "blind":
    @contextlib.contextmanager
    def deaf(inbox, on_hint):
        yield "switched off"
    server.hints = deaf
server.serve(Path(sys.argv[2]), perform=performers.by_name)
"""


def resident_mb(pid: int) -> float:
    return int(Path(f"/proc/{pid}/statm").read_text().split()[1]) * 4096 / 1e6


def main() -> int:
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("--scans", type=int, default=10_000)
    asked.add_argument("--no-events", action="store_true")
    asked.add_argument("--shop", type=Path)
    given = asked.parse_args()
    folder = Path(tempfile.mkdtemp(prefix="flood-", dir=given.shop))
    shop = folder / "shop"
    for name in ("recipes", "inbox", "outbox", "hold", "rejects"):
        (shop / name).mkdir(parents=True)
    (shop / "recipes" / "plain.yaml").write_text(RECIPE.format(name="plain"))
    settings = {"settle": "0.5 s", "workers": 2, "time": "30 s", "memory": "2 GB", "attempts": 2, "more": ""}
    (shop / "shop.yaml").write_text(SHOP.format(**settings))
    how = "blind" if given.no_events else "seeing"
    server = subprocess.Popen(
        [sys.executable, "-c", SERVE, str(HERE), str(shop), how], stderr=subprocess.DEVNULL
    )
    begun = time.monotonic()
    memory: list[float] = []
    try:
        time.sleep(3)
        for number in range(given.scans):
            path = shop / "inbox" / f"bust-{number}.stl.part"
            path.write_text(f"scan {number}")
            path.rename(shop / "inbox" / f"bust-{number}.stl")
        while True:
            ended = sum(1 for _ in (shop / "outbox").iterdir())
            if ended >= given.scans / 20:
                memory.append(resident_mb(server.pid))
            print(f"{time.monotonic() - begun:6.0f} s: {ended} done", file=sys.stderr, flush=True)
            if ended >= given.scans or server.poll() is not None:
                break
            time.sleep(5)
    finally:
        server.terminate()
        server.wait(60)
    states = Counter(str(row.state) for row in list_jobs(shop))
    audit = audit_shop(shop)
    found = {
        "scans": given.scans, "states": dict(states),
        "left in the inbox": len(list((shop / "inbox").iterdir())),
        "seconds": round(time.monotonic() - begun), "audit clean": audit.clean,
        "resident MB after warm-up": [round(min(memory), 1), round(max(memory), 1)],
    }  # fmt: skip
    print(json.dumps(found, indent=2))
    shutil.rmtree(folder)
    return 0 if audit.clean and states == {"done": given.scans} and max(memory) - min(memory) <= 20 else 1


if __name__ == "__main__":
    sys.exit(main())
