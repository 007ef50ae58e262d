"""Soak: a shop under everything at once, for as long as you like; not collected by pytest.

    python tests/server/soak.py --minutes 120 --disk /mnt/small --seed 1

Random drops (good, bad, links, pipes, tickets), kills of server and workers, recipe and
shop edits, a disk that fills up and is freed, desk commands. In the end: every scan once, audit clean.
`--disk` should be a small file system of its own, such as: mount -t tmpfs -o size=600m none /mnt/small
"""

from __future__ import annotations

import argparse
import json
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from collections import Counter
from pathlib import Path

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE))

from conftest import RECIPE, SHOP  # noqa: E402
from drills import places_of  # noqa: E402
from fettlebox.errors import FettleboxError  # noqa: E402
from fettlebox.jobs import discard, list_jobs, release, retry  # noqa: E402
from fettlebox.jobs.audit import audit_shop  # noqa: E402

GOOD = (
    "bust",
    "head",
    "figure",
    "hold",
    "reject",
    "raise",
    "exit",
    "segfault",
    "unpicklable",
    "settling",
    "noise",
)
SERVE = (
    "import sys; sys.path.insert(0, sys.argv[1]); import performers; from pathlib import Path;"
    "from fettlebox.server import serve; serve(Path(sys.argv[2]), perform=performers.by_name)"
)


class Soak:
    def __init__(self, shop: Path, seed: int) -> None:
        self.shop, self.chance = shop, random.Random(seed)
        self.did: Counter[str] = Counter()
        self.scans: set[str] = set()
        self.gone: set[str] = set()
        self.server: subprocess.Popen[bytes] | None = None
        for name in ("recipes", "inbox/fancy", "outbox", "hold", "rejects"):
            (shop / name).mkdir(parents=True)
        for name in ("plain", "fancy"):
            (shop / "recipes" / f"{name}.yaml").write_text(RECIPE.format(name=name))
        self.write_shop()

    def write_shop(self) -> None:
        text = SHOP.format(
            settle="0.2 s", workers=self.chance.randint(1, 2), time="5 s", memory="2 GB", attempts=10,
            more="again: redo\n",
        )  # fmt: skip
        beside = self.shop / "shop.yaml.new"
        beside.write_text(text)
        beside.replace(self.shop / "shop.yaml")

    def start(self) -> None:
        if self.server is None or self.server.poll() is not None:
            self.did["starts"] += 1
            self.server = subprocess.Popen(
                [sys.executable, "-c", SERVE, str(HERE), str(self.shop)], stderr=subprocess.DEVNULL
            )

    def drop(self) -> None:
        number = len(self.scans)
        name = f"{self.chance.choice(GOOD)}-{number}.stl"
        place = self.shop / "inbox" / ("fancy" if self.chance.random() < 0.2 else "")
        part, text = place / f"{name}.part", f"scan {number} " + "x" * self.chance.choice([0, 10, 30_000])
        try:
            if self.chance.random() < 0.3:
                (place / f"{name}.ticket.yaml").write_text(f"order: {number}\n")
            part.write_text(text)
            part.rename(place / name)
        except OSError:
            part.unlink(missing_ok=True)
            self.did["drops that met a full disk"] += 1
            return
        self.scans.add(text)
        self.did["scans"] += 1

    def drop_what_is_none(self) -> None:
        path = self.shop / "inbox" / f"odd-{self.chance.randint(0, 9)}"
        if os.path.lexists(path):
            return
        self.did["links and pipes"] += 1
        if self.chance.random() < 0.5:
            path.symlink_to("/etc/passwd")
        else:
            os.mkfifo(path)

    def kill_server(self) -> None:
        if self.server is not None and self.server.poll() is None:
            how = self.chance.choice([signal.SIGKILL, signal.SIGKILL, signal.SIGTERM])
            self.server.send_signal(how)
            self.server.wait()
            self.did[f"servers ended by {how.name}"] += 1

    def kill_worker(self) -> None:
        if self.server is None or self.server.poll() is not None:
            return
        children = subprocess.run(
            ["pgrep", "-P", str(self.server.pid)], capture_output=True, text=True, check=False
        ).stdout.split()
        if children:
            with_luck = int(self.chance.choice(children))
            try:
                os.kill(with_luck, signal.SIGKILL)
                self.did["children killed"] += 1
            except ProcessLookupError:
                pass

    def edit(self) -> None:
        self.did["edits and reloads"] += 1
        try:
            (self.shop / "recipes" / "fancy.yaml").write_text(
                RECIPE.format(name="fancy") + f"# {self.chance.random()}\n"
            )
            if self.chance.random() < 0.5:
                self.write_shop()
        except OSError:
            return
        if self.server is not None and self.server.poll() is None:
            self.server.send_signal(signal.SIGHUP)

    def fill_disk(self) -> None:
        self.did["times the disk was full"] += 1
        ballast = self.shop.parent / "ballast"
        with open(ballast, "wb", buffering=0) as file:  # noqa: PTH123
            try:
                while True:
                    file.write(b"\0" * 65536)
            except OSError:
                pass
        time.sleep(self.chance.uniform(0.5, 3))
        ballast.unlink()

    def at_the_desk(self) -> None:
        try:
            rows = [
                row for row in list_jobs(self.shop) if row.state in ("held", "rejected") and not row.discarded
            ]
            if not rows:
                return
            row = self.chance.choice(rows)
            act = self.chance.choice([release, retry, discard] if row.state == "held" else [retry, discard])
            scan = next((self.shop / row.folder / "original").glob("*.stl"), None)
            text = scan.read_text() if scan is not None else None
            act(self.shop, row.id)
            self.did[f"desk: {act.__name__}"] += 1
            if act is discard and text is not None:
                self.gone.add(text)
        except (FettleboxError, OSError) as error:
            self.did[f"desk said no ({type(error).__name__})"] += 1
        except Exception as error:  # a full disk inside SQLite
            self.did[f"desk failed ({type(error).__name__})"] += 1

    def run(self, minutes: float) -> None:
        until = time.monotonic() + 60 * minutes
        acts = [
            (self.drop, 60), (self.drop_what_is_none, 2), (self.kill_server, 2), (self.kill_worker, 6),
            (self.edit, 4), (self.fill_disk, 1), (self.at_the_desk, 8), (lambda: time.sleep(3), 30),
        ]  # fmt: skip
        while time.monotonic() < until:
            self.start()
            self.chance.choices([act for act, _ in acts], [often for _, often in acts])[0]()
            time.sleep(self.chance.uniform(0, 0.3))

    def finish(self) -> dict[str, object]:
        """Let it work everything off undisturbed, then look."""
        self.kill_server()
        serve_once = SERVE.replace("perform=performers", "once=True, perform=performers")
        subprocess.run([sys.executable, "-c", serve_once, str(HERE), str(self.shop)], check=True)
        places = {scan: where for scan, where in places_of(self.shop).items() if scan in self.scans}
        lost = self.scans - set(places) - self.gone
        doubled = {where for where in map(tuple, places.values()) if len(where) > 1}
        back = self.gone & set(places)
        audit = audit_shop(self.shop)
        states = Counter(str(row.state) for row in list_jobs(self.shop))
        return {
            "did": dict(self.did), "states": dict(states), "lost": len(lost), "doubled": len(doubled),
            "discarded and there again": len(back), "audit clean": audit.clean,
            "findings": [str(finding) for finding in audit.findings[:10]], "entries": audit.entries,
            "left in work": len(list((self.shop / ".fettlebox" / "work").iterdir())),
        }  # fmt: skip


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=120)
    parser.add_argument("--disk", type=Path, required=True)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    shop = given.disk / "shop"
    shutil.rmtree(shop, ignore_errors=True)
    soak = Soak(shop, given.seed)
    began = time.monotonic()
    soak.run(given.minutes)
    found = soak.finish()
    print(json.dumps({"minutes": round((time.monotonic() - began) / 60, 1), **found}, indent=2))
    good = found["audit clean"] and not (found["lost"] or found["doubled"] or found["left in work"])
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
