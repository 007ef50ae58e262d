"""How what came of a job is judged, and what is said of what changed since it was recorded: no job is run."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from fettlebox import golden_run
from fettlebox.catalog import find_steps
from fettlebox.golden import RECORDED, Golden
from fettlebox.golden_record import Wish, draft
from fettlebox.golden_run import Ran, changes, ended, judge
from fettlebox.recipe.expect import parse_expectation
from fettlebox.traveler.record import JobRecord, StepRecord
from fettlebox.traveler.writing import TRAVELER

RECIPE = "recipe: r\nsteps: [scale: 50 %, gate: {sound: true}]\ndeliver: [stl]\n"


def record(**more: Any) -> JobRecord:
    steps = (
        StepRecord(
            "simplify", "simplify", 1, {}, "done", "a", "b", facts={"triangles_after": 500, "tried": [1, 2]}
        ),
        StepRecord("gate", "gate", 1, {}, "done", "b", "b", facts={"sound": True}),
    )
    known: dict[str, Any] = {
        "job": "0", "state": "done", "reason": None, "scan": {"sha256": "s"},
        "recipe": {"name": "r", "sha256": "1", "text": RECIPE}, "ticket": None,
        "versions": {"fettlebox": "1"},
        "after": {"triangles": 500, "volume_mm3": 9000.0, "closed": True},
        "fidelity": {"covered_ratio": 0.99},
        "steps": steps, "printer": {"name": "p"},
    }  # fmt: skip
    return JobRecord(**{**known, **more})


def judged(expect: str, ran: Ran, folder: Path = Path("nowhere")) -> golden_run.Tested:
    golden = Golden("g", folder, parse_expectation("recipe: r\n" + expect, "e"), (), None)
    return judge(golden, ran, find_steps())


def said(expect: str, ran: Ran) -> list[str]:
    return [
        f"{one.line}:{one.column} {one.place}: {one.found} | {one.expected}"
        for one in judged(expect, ran).out
    ]


DONE = Ran("done", "", None, record(), 1.0)
HELD = Ran("held", "gate", "gate: no", record(state="held", reason="gate: no"), 1.0)
CRASHED = Ran("rejected", "simplify", "a step crashed its worker", None, 1.0)


@pytest.mark.parametrize(
    ("expect", "ran", "told"),
    [
        ("ends: done\n", DONE, []),
        ("", HELD, ["1:1 ends: the job is held at gate: no | done"]),
        ("ends: held\n", HELD, []),
        ("ends: held\nat: gate\n", HELD, []),
        ("ends: held\nat: simplify\n", HELD,
         ["3:5 at: the job is held at gate: no | held at simplify"]),
        ("ends: rejected\nat: gate\n", HELD,
         ["2:7 ends: the job is held at gate: no | rejected at gate"]),
        ("ends: rejected\nat: simplify\n", CRASHED, []),
        ("facts: {triangles: 1}\n", CRASHED,
         ["1:1 ends: the job is rejected at simplify: a step crashed its worker | done"]),
        ("ends: rejected\nfacts: {triangles: 1}\n", CRASHED,
         ["3:9 facts: there is no fact 'triangles' | nothing to set"]),
        ("facts: {triangles: 1, volume_mm3: {below: 10 ml}}\n", HELD,
         ["1:1 ends: the job is held at gate: no | done", "2:20 facts › triangles: is 500 | 1"]),
        ("steps: {seat: {tilt_deg: {below: 1 deg}}}\n", DONE,
         ["2:16 steps › seat: the step seat did not run | below 1 deg"]),
        ("ends: held\nsteps: {simplify: {triangles_aftr: 5}, gate: {sound: false}, seat: {x: 1}}\n", DONE,
         ["2:7 ends: the job is done | held",
          "3:20 steps › simplify: there is no fact 'triangles_aftr' | one of triangles_after, tried",
          "3:54 steps › gate › sound: is true | false", "3:69 steps › seat: the step seat did not run | 1"]),
        ("ends: held\nfacts: {triangles: 1}\nsteps: {simplify: {triangles_aftr: 5}}\n", CRASHED,
         ["2:7 ends: the job is rejected at simplify: a step crashed its worker | held"]),
        ("steps: {simplify: {tried: [1, 3, 4]}}\n", DONE,
         ["2:31 steps › simplify › tried[1]: is 2 | 3",
          "2:34 steps › simplify › tried[2]: there is no such place in it: it is a list of 2 | "]),
        ("steps: {simplify: {tried: {a: 1}}}\n", DONE,
         ["2:31 steps › simplify › tried › a: there is no such place in it: it is a list of 2 | "]),
        ("steps: {simplify: {tried: 3}}\n", DONE, ["2:27 steps › simplify › tried: is a list of 2 | 3"]),
        ("fidelity: {covered_ratio: {above: 99.5 %}}\n", DONE,
         ["2:27 fidelity › covered_ratio: is 99 % | above 99.5 %"]),
    ],
)  # fmt: skip
def test_what_is_told_of_what_came(expect: str, ran: Ran, told: list[str]) -> None:
    assert said(expect, ran) == told


def test_a_step_that_was_passed_over_tells_no_facts() -> None:
    steps = (StepRecord("simplify", "simplify", 1, {}, "skipped", "a", "a"),)
    ran = replace(DONE, record=record(steps=steps))
    assert said("steps: {simplify: {triangles_after: 5}}\n", ran) == [
        "2:20 steps › simplify › triangles_after: the step is skipped, and tells no facts | 5"
    ]


DONE_STEP, HELD_STEP = (StepRecord("gate", "gate", 1, {}, outcome, "a", "a") for outcome in ("done", "held"))


@pytest.mark.parametrize(
    ("state", "steps", "doing", "at"),
    [
        ("done", (DONE_STEP,), "recording", ""), ("held", (DONE_STEP, HELD_STEP), "gate", "gate"),
        ("held", (DONE_STEP,), "recording", "delivery"), ("rejected", (), "recording", "delivery"),
        ("rejected", (), "reading", "reading"), ("held", (), "reading", "reading"),
        ("rejected", (), "ticket and recipe", "ticket and recipe"), ("rejected", (), "", "ticket and recipe"),
        ("rejected", (), "smooth", "smooth"),  # a defect of the step, which leaves no record of steps
    ],
)  # fmt: skip
def test_where_a_job_ended(state: Any, steps: tuple[StepRecord, ...], doing: str, at: str) -> None:
    assert golden_run._ended_at(record(state=state, steps=steps), doing) == at


@pytest.mark.parametrize(
    ("state", "at", "words"),
    [
        ("done", "", "done"), ("held", "gate", "held at gate"),
        ("rejected", "reading", "rejected while reading"),
        ("rejected", "ticket and recipe", "rejected for its ticket or recipe"),
        ("held", "delivery", "held at delivery"),
    ],
)  # fmt: skip
def test_an_end_in_words(state: str, at: str, words: str) -> None:
    assert ended(state, at) == words


@pytest.mark.parametrize(
    ("change", "sentences"),
    [
        ({}, []),
        ({"timing": {"seconds": 3}}, []),
        ({"recipe": {"name": "r", "sha256": "2", "text": "# the same\n" + RECIPE}},
         ["the recipe changed, and does the same"]),
        ({"recipe": {"name": "r", "sha256": "2", "text": RECIPE.replace("50 %", "40 %")}},
         ["the recipe changed", "the recipe's scale: by was 50 %; it is 40 %"]),
        ({"recipe": {"name": "r", "sha256": "2", "text": RECIPE.replace("scale", "scael")}},
         ["the recipe changed; what it was cannot be read any more (there is no step 'scael')"]),
        ({"scan": {"sha256": "t"}}, ["the scan is another one"]),
        ({"ticket": {"sha256": "t"}}, ["the ticket is another one"]),
        ({"printer": {"name": "q"}}, ["the printer, or its material, is another one"]),
        ({"versions": {"fettlebox": "2", "own step steps/lift.py": "f" * 64}},
         ["fettlebox was 1 and is 2", "own step steps/lift.py was absent and is ffffffffffff"]),
        ({"steps": (replace(record().steps[0], version=2), *record().steps[1:])},
         ["the first step that comes out otherwise is step simplify: version 1 then, 2 now"]),
        ({"steps": (replace(record().steps[0], params={"to": 5}), *record().steps[1:])},
         ['the first step that comes out otherwise is step simplify: parameters {} then, {"to": 5} now']),
        ({"recipe": {"name": "r", "sha256": "2", "text": RECIPE.replace("50 %", "40 %")},
          "steps": (replace(record().steps[0], params={"to": 5}), *record().steps[1:])},
         ["the recipe changed", "the recipe's scale: by was 50 %; it is 40 %"]),
        ({"after": {"triangles": 400, "volume_mm3": 9000.0, "closed": True}},
         ["triangles was 500 and is 400"]),
        ({"fidelity": None}, ["covered_ratio was 0.99 and is None"]),
    ],
)  # fmt: skip
def test_what_changed_since_is_said(change: dict[str, Any], sentences: list[str]) -> None:
    then, now = record(), replace(record(), **change)
    assert list(changes(then, now, find_steps())) == sentences


def test_a_record_beside_it_that_cannot_be_read_is_none(tmp_path: Path) -> None:
    assert RECORDED == TRAVELER
    for text in ("", "{", "[]", '{"traveler": 99}', '{"traveler": 1}'):
        (tmp_path / RECORDED).write_text(text)
        one = judged("", DONE, tmp_path)
        assert one.ok and not one.recorded and one.since == ()


ODD = {
    "a_mm": 0.0, "b_mm": 12.3456789, "c_mm3": 1e12, "d_mm3": 1e-9, "e_deg": -90.0, "share": 0.123456,
    "h_h": 0.001,
    "count": 3, "many": 10**9, "flag": False, "word": "a: b # c", "told": "3 min", "nothing": None,
    "nan_mm": None,
    "nested": {"a_mm": 1.0}, "list_mm": [1.0], "odd name": 1, "\u202e": 1, "x: y": 2, "small": 1e-9,
    "big": -1e30,
    "true_mm": True, "text_mm": "long", "yes": "yes", "null": 5,
}  # fmt: skip


def test_whatever_steps_tell_a_draft_can_be_read_and_is_kept_to(tmp_path: Path) -> None:
    told = {name: value for name, value in ODD.items() if name != "\u202e"}
    steps = (StepRecord("s", "s", 1, {}, "done", "a", "b", facts=told),)
    ran = replace(DONE, record=record(steps=steps))
    made = draft(Wish(tmp_path, "r", (), None, None), ran)
    tested = judged(made.text.partition("recipe: r\n")[2], ran)
    assert tested.out == () and tested.bounds > 12


@pytest.mark.parametrize(("worse", "by"), [("triangles", 1.03), ("volume_mm3", 1.006)])
def test_a_draft_notices_more_than_it_lets_pass(tmp_path: Path, worse: str, by: float) -> None:
    made = draft(Wish(tmp_path, "r", (), None, None), DONE)
    after = {**record().after, worse: record().after[worse] * by}
    tested = judged(made.text.partition("recipe: r\n")[2], replace(DONE, record=record(after=after)))
    assert [one.place for one in tested.out] == [f"facts › {worse}"]
