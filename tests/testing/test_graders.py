"""The contract of judges: the built-in one keeps it, each faulty one fails for its own reason."""

from __future__ import annotations

import os
import random
from typing import Any

import pytest
from fettlebox.api import Grade, Grader, Origin, Part
from fettlebox.catalog import find_steps
from fettlebox.made_for import CONTRACT
from fettlebox.testing import ball, brick, bust, bust_scan, grader_contract

FETTLEBOX_CONTRACT = CONTRACT
PARTS = {"brick": brick(), "ball": ball(2)}
RANKS, FACTS = "grades can be compared", "its facts are named with units"
AGAIN, ODD, ITSELF = "the same take gets the same grade", "odd takes get a grade", "grading keeps to itself"


def faults(grader: Grader, parts: Any = None) -> dict[str, str]:
    checks = grader_contract(grader, PARTS if parts is None else parts)
    return {check.name: said for check in checks if (said := check.fault()) is not None}


def test_the_built_in_judge_keeps_it() -> None:
    (grader,) = find_steps().graders
    assert faults(grader, {"bust": bust(3), "scan": bust_scan(3), **PARTS}) == {}


def chatty(part: Part, origin: Origin) -> Grade:
    print("judging")
    return Grade("good", (1.0,))


def wandering(part: Part, origin: Origin) -> Grade:
    os.environ["FETTLE_TEST"] = "x"
    return Grade("good", (1.0,))


@pytest.mark.parametrize(
    ("grade", "check", "said"),
    [
        (lambda part, origin: "good", RANKS, "gives str; expected Grade"),
        (lambda part, origin: Grade("good", ()), RANKS, "expected finite numbers"),
        (lambda part, origin: Grade("good", (float("nan"),)), RANKS, "expected finite numbers"),
        (lambda part, origin: Grade("good", ("a",)), RANKS, "expected finite numbers"),
        (lambda part, origin: Grade("good", (1.0,) * len(part.faces)), RANKS, "brick 12, ball 320"),
        (lambda part, origin: Grade(" ", (1.0,)), RANKS, "expected one for people"),
        (lambda part, origin: Grade("bad", (1.0,), "too coarse"), RANKS, "expected sentences in a tuple"),
        (lambda part, origin: Grade("good", (1.0,), (), {"edge": 1.5}), FACTS, "'edge' has no unit"),
        (lambda part, origin: Grade("good", (1.0,), (), {"edge_mm": part}), FACTS, "are not JSON"),
        (lambda part, origin: Grade("good", (random.random(),)), AGAIN, "two answers on the same take"),
        (lambda part, origin: Grade("good", (part.vertices.min(),)), ODD, "given nothing, it fails with"),
        (lambda part, origin: Grade("good", (1.0 / origin.unit_mm,)), ODD, "fails with TypeError"),
        (chatty, ITSELF, "it prints 'judging'"),
        (wandering, ITSELF, "changes the environment"),
    ],
)  # fmt: skip
def test_a_faulty_judge_is_found_out(grade: Any, check: str, said: str) -> None:
    found = faults(Grader("mine", grade))
    assert check in found, found
    assert said in found[check]
