"""The contract of what only adds: the pages' examples pass, each faulty one fails for its own reason."""

from __future__ import annotations

import math
import os
import random
import re
import sys
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
from fettlebox.hooks import FactCollector, Painter
from fettlebox.made_for import CONTRACT
from fettlebox.mesh import Part
from fettlebox.pictures import render_views
from fettlebox.testing import addition_contract, brick, bust

PAGES = Path(__file__).resolve().parents[2] / "plugins" / "hooks"
PARTS = {"brick": brick()}
FETTLEBOX_CONTRACT = CONTRACT


def faults(hook: FactCollector | Painter) -> dict[str, str]:
    checks = addition_contract(hook, PARTS)
    return {check.name: said for check in checks if (said := check.fault()) is not None}


@pytest.mark.parametrize(("page", "name"), [("fact-collector", "foot"), ("painter", "overhang")])
def test_the_examples_of_the_pages_keep_it(page: str, name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    code, _ = re.findall(r"```python\n(.*?)```", (PAGES / f"{page}.md").read_text("utf-8"), re.DOTALL)
    made = ModuleType("example_of_a_page")
    monkeypatch.setitem(sys.modules, made.__name__, made)
    module = vars(made)
    exec(compile(code, page, "exec", dont_inherit=True), module)
    parts = {"brick": brick(), "bust": bust(3)}
    assert [check.fault() for check in addition_contract(module[name], parts)] == [None] * 5


def chatty(part: Part, ctx: Any) -> dict[str, Any]:
    print("measuring")
    return {"count": 1}


def moving(part: Part, ctx: Any) -> dict[str, Any]:
    part.vertices.flags.writeable = True
    part.vertices[0] += 1.0
    return {"count": 1}


def leaving(part: Part, ctx: Any) -> dict[str, Any]:
    os.environ["FETTLE_TEST"] = "x"
    return {"count": 1}


KEPT, AGAIN = "its answers can be kept", "the same part gives the same answer"
ODD, ITSELF = "odd parts get an answer", "it keeps to itself"


@pytest.mark.parametrize(
    ("collect", "check", "said"),
    [
        (lambda part, ctx: {"height": 1.5}, KEPT, "'height' has no unit in its name"),
        (lambda part, ctx: {"a_mm": math.nan}, KEPT, "are not JSON"),
        (lambda part, ctx: [1, 2], KEPT, "gives list; expected facts by name"),
        (lambda part, ctx: {}, KEPT, "nothing to say of any of the parts: brick"),
        (lambda part, ctx: {"count": random.randrange(10**9)}, AGAIN, "two answers on the same part"),
        (lambda part, ctx: {"low_mm": float(part.vertices.min())}, ODD, "given nothing, it fails with"),
        (chatty, ITSELF, "it prints 'measuring'"),
        (leaving, ITSELF, "changes the environment"),
    ],
)  # fmt: skip
def test_a_faulty_collector_is_found_out(collect: Any, check: str, said: str) -> None:
    found = faults(FactCollector("bad", collect))
    assert check in found, found
    assert said in found[check]


def test_a_part_that_is_written_to_is_found_out() -> None:
    loose = brick()
    array = loose.vertices.copy()
    part = loose.with_mesh(array, loose.faces)
    checks = addition_contract(FactCollector("bad", moving), {"brick": part})
    (fault,) = [check.fault() for check in checks if check.name == AGAIN]
    assert fault is not None
    assert "changes the part" in fault or "fails with ValueError" in fault


@pytest.mark.parametrize(
    ("painter", "check", "said"),
    [
        (Painter("bad", "A view.", lambda part, ctx: b"GIF89a"), KEPT, "what it gave is no PNG"),
        (Painter("bad", "A view.", lambda part, ctx: render_views(part)[:-40]), KEPT, "cannot be shown"),
        (Painter("bad", "View", lambda part, ctx: render_views(part)), KEPT, "its caption is 'View'"),
        (Painter("bad", "A view.", lambda part, ctx: None), KEPT, "nothing to say"),
    ],
)
def test_a_faulty_painter_is_found_out(painter: Painter, check: str, said: str) -> None:
    found = faults(painter)
    assert check in found, found
    assert said in found[check]
