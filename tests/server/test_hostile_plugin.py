"""A plugin that reaches for the network or for other files, installed like any other, in a real server."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from fettlebox.server import serve

PLUGIN = """
from pathlib import Path
from fettlebox.api import StepParams, StepResult, step

class Params(StepParams):
    do: str

@step("reach-out", version=1, summary="Does what it should not.")
def reach_out(part, params: Params, ctx):
    if params.do == "connect":
        import socket
        socket.create_connection(("127.0.0.1", 9))
    elif params.do == "write":
        (Path(ctx.scratch).parents[3] / "inbox" / "planted.stl").write_text("planted")
    elif params.do == "crash":
        import ctypes
        ctypes.string_at(0)
    else:
        (ctx.scratch / "mine").write_text("allowed")
    return StepResult(part)
"""
OBJ = "v 0 0 0\nv 100 0 0\nv 0 100 0\nv 0 0 100\nf 1 3 2\nf 1 2 4\nf 1 4 3\nf 2 3 4\n"


@pytest.fixture
def plugin(install: Callable[..., None]) -> None:
    install("reaching-out", PLUGIN, "reach_out")


@pytest.mark.usefixtures("plugin")
def test_what_a_hostile_plugin_tries_is_a_reject_with_a_sentence(make_shop: Callable[..., Path]) -> None:
    shop = make_shop(workers=1, attempts=1, time="120 s")
    said = {
        "connect": ": reach-out: a plugin tried to use the network; a job has none",
        "write": "planted.stl'; a step may write only to its scratch folder",
        "crash": ": reach-out: a step crashed its worker (SIGSEGV) (tried once)",
        "behave": None,
    }
    for do in said:
        (shop / "recipes" / f"{do}.yaml").write_text(
            f"recipe: {do}\nabout: For tests.\nsteps:\n  - reach-out: {{do: {do}}}\ndeliver: [stl]\n"
        )
        (shop / "inbox" / do).mkdir()
        (shop / "inbox" / do / f"{do}.obj").write_text(OBJ)
    results = {result.recipe: result for result in serve(shop, once=True).results}
    for do, sentence in said.items():
        result = results[do]
        if sentence is None:
            assert result.state == "done", result.reason
            continue
        reason = result.reason or ""
        assert result.state == "rejected" and sentence in reason, reason
        assert (
            reason.startswith(f"{do}.obj: reach-out: ") and reason.endswith("retry the job")
        ) or do == "crash"
        assert (result.folder / "original" / f"{do}.obj").read_text() == OBJ
    assert not (shop / "inbox" / "planted.stl").exists()
