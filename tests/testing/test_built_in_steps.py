"""Every built-in step keeps the same contract that is asked of anybody's."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from typing import Any

import numpy as np
import pytest
from fettlebox.api import Part
from fettlebox.catalog import find_steps
from fettlebox.testing import Check, ball, brick, bust, bust_scan, contract, seated_bust
from fettlebox.testing.contract import its_cost_grows_with_the_work

BUILT_IN = {
    name: step for name, step in find_steps().steps.items() if find_steps().sources[name] == "fettlebox"
}
# How the built-in steps' cost grows is measured in benchmarks/, on scans and up to millions of triangles.
CHECKS = [
    check.name
    for check in contract(next(iter(BUILT_IN.values())))
    if check.run is not its_cost_grows_with_the_work
]

# What a step has to be told before it can work; the rest runs as it is.
SETTINGS: Mapping[str, Mapping[str, Any]] = {
    "scale": {"by": "50 %"},
    "units": {"expect": "head"},
    "label": {"text": "LY-1041"},
}


def standing_shell() -> Part:
    """A ball of 40 mm with a hollow of 30 mm, such as drain works on."""
    outer, inner = ball(4, 20.0), ball(3, 15.0)
    faces = np.concatenate([outer.faces, inner.faces[:, ::-1] + len(outer.vertices)]).astype(np.int32)
    return Part(np.concatenate([outer.vertices, inner.vertices]), faces)


@cache
def checks_of(name: str) -> dict[str, Check]:
    parts = {
        "bust": bust(3).scaled(0.25), "scan": bust_scan(3), "seated": seated_bust(3).scaled(0.25),
        "shell": standing_shell(), "brick": brick(),
    }  # fmt: skip
    return {check.name: check for check in contract(BUILT_IN[name], SETTINGS.get(name), parts)}


@pytest.mark.slow
@pytest.mark.parametrize("check", CHECKS)
@pytest.mark.parametrize("name", sorted(BUILT_IN))
def test_built_in_steps_keep_the_contract(name: str, check: str) -> None:
    checks_of(name)[check]()
