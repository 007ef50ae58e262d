"""A fact collector that does its worst, installed like any other, in a real server: one job is harmed."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from fettlebox.server import serve
from fettlebox.traveler.writing import read_traveler

PLUGIN = """
import ctypes, os, socket, time
from pathlib import Path
from fettlebox.hooks import FactCollector

FETTLEBOX_CONTRACT = 2

def collect(part, ctx):
    (scan,) = (ctx.scratch.parent / "original").iterdir()
    if scan.stem == "crash":
        ctypes.string_at(0)
    elif scan.stem == "hang":
        time.sleep(600)
    elif scan.stem == "connect":
        socket.create_connection(("127.0.0.1", 9))
    elif scan.stem == "write":
        (ctx.scratch.parents[3] / "inbox" / "planted.stl").write_text("planted")
    elif scan.stem == "wander":
        os.chdir(ctx.scratch)
        os.environ["FETTLE_TEST"] = "left behind"
    return {"left_count": int("FETTLE_TEST" in os.environ)}

worst = FactCollector("worst", collect)
"""
RECIPE = "recipe: plain\nabout: For tests.\nsteps:\n  - scale: 50 %\ndeliver: [stl]\n"
OBJ = "v 0 0 0\nv 100 0 0\nv 0 100 0\nv 0 0 {}\nf 1 3 2\nf 1 2 4\nf 1 4 3\nf 2 3 4\n"


@pytest.fixture
def shop_of(make_shop: Callable[..., Path], install: Callable[..., None]) -> Callable[..., Path]:
    install("worst-hooks", PLUGIN, "worst")

    def make(*scans: str, time: str) -> Path:
        shop = make_shop(workers=1, attempts=1, time=time)
        (shop / "recipes" / "plain.yaml").write_text(RECIPE)
        for number, name in enumerate(scans):
            (shop / "inbox" / f"{name}.obj").write_text(OBJ.format(90 + number))
        return shop

    return make


def test_what_a_hook_tries_harms_its_own_job_at_most(shop_of: Callable[..., Path]) -> None:
    shop = shop_of("crash", "connect", "write", "wander", "zz-after", time="120 s")
    results = {result.scan.removesuffix(".obj"): result for result in serve(shop, once=True).results}
    crash = results.pop("crash")
    assert crash.state == "rejected"
    assert crash.reason == (
        "crash.obj: facts worst-hooks/worst: a step crashed its worker (SIGSEGV) (tried once). "
        "Uninstall that plugin, or have it mended, and retry the job"
    )
    assert {result.state for result in results.values()} == {"done"}
    records = {name: read_traveler(result.folder) for name, result in results.items()}
    for name, said in {
        "connect": "tried to use the network",
        "write": "planted.stl'; a step may write only",
    }.items():
        (warning,) = records[name].warnings
        assert warning.startswith("facts worst-hooks/worst was left out: ") and said in warning
        assert records[name].collected == {}
    assert not (shop / "inbox" / "planted.stl").exists()
    assert records["wander"].timing["put_back"] == {
        "facts worst-hooks/worst": ["the current folder", "the environment"]
    }
    assert records["zz-after"].collected == {"worst-hooks/worst": {"left_count": 0}}
    assert "put_back" not in records["zz-after"].timing


@pytest.mark.slow
def test_a_hook_that_hangs_has_the_time_that_its_job_has(shop_of: Callable[..., Path]) -> None:
    (result,) = serve(shop_of("hang", time="15 s"), once=True).results
    assert result.state == "rejected"
    assert "facts worst-hooks/worst: took longer than the 15 s" in (result.reason or "")
