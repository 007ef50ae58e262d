"""Every hook of a job, installed like any other in a real server: one that crashes, hangs or eats memory
harms its own job and is named, and the next job is done.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from fettlebox.server import serve

PLUGIN = """
import ctypes, time
import numpy as np
from fettlebox.api import Grade, Grader, StepParams, StepResult, step
from fettlebox.hooks import FactCollector, Painter, RawMesh, Reader, Writer
from fettlebox.pictures import render_views

FETTLEBOX_CONTRACT = 2

def harm(hook, name):
    if f"{hook}-crash" in name:
        ctypes.string_at(0)
    elif f"{hook}-hang" in name:
        time.sleep(600)
    elif f"{hook}-memory" in name:
        np.ones(1 << 29)

class Params(StepParams):
    pass

@step("worst", version=1, summary="Do its worst.")
def worst_step(part, params: Params, ctx):
    harm("step", ctx.origin.name)
    return StepResult(part)

def read(source):
    harm("reader", source.name)
    corners, _, faces = source.data.partition(b"\\n\\n")
    vertices = np.array(corners.split(), float).reshape(-1, 3)
    return RawMesh(vertices, np.array(faces.split(), int).reshape(-1, 3))

def write(part, about):
    harm("writer", about["Title"])
    return part.vertices.tobytes()

def collect(part, ctx):
    harm("facts", ctx.origin.name)
    return {"count": 3}

def paint(part, ctx):
    harm("painter", ctx.origin.name)
    return render_views(part)

def grade(part, origin):
    harm("grader", origin.name)
    return Grade("good", (1.0,))

reader = Reader("numbers", (".num",), read)
writer = Writer("num", write)
facts = FactCollector("worst", collect)
painter = Painter("worst", "A view.", paint)
grader = Grader("worst", grade)
"""
RECIPE = "recipe: plain\nabout: For tests.\nsteps:\n  - worst\n  - scale: 50 %\ndeliver: [stl, num]\n"
NUM = "0 0 0\n100 0 0\n0 100 0\n0 0 {}\n\n0 2 1\n0 1 3\n0 3 2\n1 2 3\n"
# Hook → what a reject says was being done.
AT = {
    "step": "worst",
    "reader": "reading a numbers with worst-of-all",
    "writer": "writing num with worst-of-all",
    "facts": "facts worst-of-all/worst",
    "painter": "picture worst-of-all/worst",
    "grader": "grading with 'worst'",
}


@pytest.fixture
def shop_of(make_shop: Callable[..., Path], install: Callable[..., None]) -> Callable[..., Path]:
    """shop_of(name, …): a shop whose inbox holds a scan of each name, and last one that is harmless."""
    install("worst-of-all", PLUGIN, "worst_step", "reader", "writer", "facts", "painter", "grader")

    def make(*names: str, **limits: str) -> Path:
        shop = make_shop(workers=2, attempts=1, **limits)
        (shop / "recipes" / "plain.yaml").write_text(RECIPE)
        for number, name in enumerate((*names, "zz-after")):
            takes = ("one", "two") if name.startswith("grader") else ("one",)
            (shop / "inbox" / name).mkdir()
            for take in takes:
                (shop / "inbox" / name / f"{name}-{take}.num").write_text(NUM.format(50 + number))
            listed = ", ".join(f"{name}-{take}.num" for take in takes)
            ticket = "unit: mm\n" + (f"takes: [{listed}]\n" if len(takes) > 1 else "")
            (shop / "inbox" / name / f"{name}.ticket.yaml").write_text(ticket)
        return shop

    return make


def reasons(shop: Path) -> dict[str, str]:
    results = {result.scan: result for result in serve(shop, once=True).results}
    assert results.pop("zz-after").state == "done"
    assert {result.state for result in results.values()} == {"rejected"}
    return {name: result.reason or "" for name, result in results.items()}


@pytest.mark.slow
def test_a_crash_is_the_job_s_own_and_names_the_hook(shop_of: Callable[..., Path]) -> None:
    said = reasons(shop_of(*(f"{hook}-crash" for hook in AT), time="120 s"))
    for hook, at in AT.items():
        assert f"{hook}-crash: {at}: a step crashed its worker (SIGSEGV)" in said[f"{hook}-crash"]


@pytest.mark.slow
def test_memory_without_end_is_the_job_s_own_and_names_the_hook(shop_of: Callable[..., Path]) -> None:
    """4 GB are asked for where 2 GB are allowed."""
    said = reasons(shop_of(*(f"{hook}-memory" for hook in AT), time="120 s", memory="2 GB"))
    for hook, at in AT.items():
        reason = said[f"{hook}-memory"]
        assert "memory" in reason and (at in reason or hook == "reader"), reason


@pytest.mark.slow
def test_a_hang_has_the_time_that_its_job_has_and_names_the_hook(shop_of: Callable[..., Path]) -> None:
    said = reasons(shop_of(*(f"{hook}-hang" for hook in AT), time="20 s"))
    for hook, at in AT.items():
        assert f"{hook}-hang: {at}: took longer than the 20 s" in said[f"{hook}-hang"]
