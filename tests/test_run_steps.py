"""Steps one after the other: what each outcome does to the run, and what is recorded."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import trimesh
from fettlebox.api import HoldError, Origin, Part, Step, StepContext, StepError, StepParams, StepResult
from fettlebox.printer import EVERYDAY
from fettlebox.recipe import Plan, PlannedStep
from fettlebox.run_steps import Run, run_steps


class NoParams(StepParams):
    """A step that needs none."""


def box_part() -> Part:
    box = trimesh.creation.box()
    return Part(np.asarray(box.vertices), np.asarray(box.faces, dtype=np.int32))


def planned(name: str, action: Any, *, enabled: bool = True, otherwise: Any = "stop") -> PlannedStep:
    step = Step(name, 1, "for a test", NoParams, action)
    return PlannedStep(name, step, NoParams(), {}, enabled, otherwise)


def run(tmp_path: Path, *steps: PlannedStep, seed: str = "a") -> Run:
    origin = Origin("box.stl", "stl", "0" * 64)
    plan = Plan(tuple(steps), ())
    return run_steps(
        box_part(), origin, plan, EVERYDAY, seed=seed, scratch=tmp_path, progress=lambda step, fraction: None
    )


def lift(part: Part, params: NoParams, ctx: StepContext) -> StepResult:
    up = np.eye(4)
    up[2, 3] = 5.0
    return StepResult(part.moved(up), facts={"lifted_mm": 5.0}, warnings=("careful",), pictures={"x": b"png"})


def keep(part: Part, params: NoParams, ctx: StepContext) -> StepResult:
    return StepResult(part)


def fail(part: Part, params: NoParams, ctx: StepContext) -> StepResult:
    raise StepError("it cannot be done")


def doubt(part: Part, params: NoParams, ctx: StepContext) -> StepResult:
    raise HoldError("it could only be guessed", {"reading_mm": 1.0})


def test_steps_run_in_order_and_leave_records(tmp_path: Path) -> None:
    done = run(tmp_path, planned("lift", lift), planned("keep", keep))
    assert done.state == "done"
    assert done.complete
    assert [r.outcome for r in done.records] == ["done", "done"]
    first, second = done.records
    assert first.part_in == box_part().digest() != first.part_out
    assert second.part_in == second.part_out == first.part_out
    assert first.facts == {"lifted_mm": 5.0}
    assert first.facts_after["volume_mm3"] == pytest.approx(1.0)
    assert second.facts_after == {}, "a part that did not change is not measured again"
    assert done.warnings == ("lift: careful",)
    assert done.pictures == {"lift-x": b"png"}
    assert done.part.placement[2, 3] == 5.0


@pytest.mark.parametrize(
    ("action", "otherwise", "state", "outcome"),
    [
        (fail, "stop", "rejected", "failed"),
        (fail, "hold", "held", "held"),
        (fail, "skip", "done", "skipped"),
        (doubt, "stop", "held", "held"),
        (doubt, "hold", "held", "held"),
        (doubt, "skip", "done", "skipped"),
    ],
)
def test_otherwise_decides(tmp_path: Path, action: Any, otherwise: str, state: str, outcome: str) -> None:
    done = run(tmp_path, planned("troubled", action, otherwise=otherwise), planned("lift", lift))
    assert done.state == state
    assert done.records[0].outcome == outcome
    assert len(done.records) == (2 if state == "done" else 1)
    assert not (done.complete and state != "done"), "steps were still to run"
    if state != "done":
        assert done.reason
        assert done.reason.startswith("troubled: it c")
        assert done.part.digest() == box_part().digest()


def test_a_last_step_that_withholds_its_consent_leaves_a_complete_part(tmp_path: Path) -> None:
    done = run(tmp_path, planned("lift", lift), planned("gate", doubt), planned("never", lift, enabled=False))
    assert done.state == "held"
    assert done.complete
    assert done.records[-1].evidence == {"reading_mm": 1.0}


def test_a_step_that_is_not_enabled_is_recorded_and_not_run(tmp_path: Path) -> None:
    done = run(tmp_path, planned("lift", lift, enabled=False))
    assert done.records[0].outcome == "skipped"
    assert done.part.digest() == box_part().digest()


def test_random_numbers_depend_on_job_and_step_alone(tmp_path: Path) -> None:
    drawn: list[float] = []

    def draw(part: Part, params: NoParams, ctx: StepContext) -> StepResult:
        drawn.append(float(ctx.rng.random()))
        return StepResult(part)

    run(tmp_path, planned("one", draw), planned("two", draw))
    run(tmp_path, planned("one", draw), planned("two", draw))
    run(tmp_path, planned("one", draw), seed="b")
    assert drawn[:2] == drawn[2:4]
    assert len(set(drawn[:2] + drawn[4:])) == 3


def test_scratch_is_there_during_the_step_and_gone_after(tmp_path: Path) -> None:
    places: list[Path] = []

    def scribble(part: Part, params: NoParams, ctx: StepContext) -> StepResult:
        (ctx.scratch / "note").write_text("x")
        places.append(ctx.scratch)
        return StepResult(part)

    run(tmp_path, planned("scribble", scribble))
    assert not places[0].exists()
    assert list(tmp_path.iterdir()) == []


def test_a_fact_without_a_unit_is_left_out_with_a_warning(tmp_path: Path) -> None:
    facts = {
        "height": 1.5,
        "high_mm": 1.5,
        "holes": 3,
        "outer": {"wide": 2.5, "wide_mm": 2.5},
        "kind": "open",
    }
    done = run(tmp_path, planned("measure", lambda part, params, ctx: StepResult(part, facts)))
    (record,) = done.records
    assert (done.state, record.facts) == ("done", {"high_mm": 1.5, "holes": 3, "kind": "open"})
    assert record.warnings == (
        "its fact 'height' has no unit in its name, such as _mm, and was left out",
        "its fact 'outer' has no unit in its name, such as _mm, and was left out",
    )
    assert done.warnings == tuple(f"measure: {sentence}" for sentence in record.warnings)


def test_a_step_that_returns_something_else_is_a_defect(tmp_path: Path) -> None:
    with pytest.raises(TypeError, match="expected StepResult"):
        run(tmp_path, planned("odd", lambda part, params, ctx: part))


def cut_in_two(part: Part, params: NoParams, ctx: StepContext) -> StepResult:
    return StepResult(part, pieces={"piece 1": box_part(), "piece 2": box_part()})


def with_plug(part: Part, params: NoParams, ctx: StepContext) -> StepResult:
    return StepResult(part, extras={"plug 1": box_part()})


def shrink(part: Part, params: NoParams, ctx: StepContext) -> StepResult:
    return StepResult(part.scaled(0.5))


def test_later_steps_see_the_pieces_and_leave_them(tmp_path: Path) -> None:
    seen: list[list[str]] = []

    def look(part: Part, params: NoParams, ctx: StepContext) -> StepResult:
        seen.append([*ctx.pieces, *ctx.extras])
        return StepResult(part)

    done = run(tmp_path, planned("drain", with_plug), planned("split", cut_in_two), planned("gate", look))
    assert done.state == "done"
    assert seen == [["piece 1", "piece 2", "plug 1"]]
    assert list(done.records[1].made) == ["piece 1", "piece 2"]
    assert done.records[1].made["piece 1"] == box_part().digest()
    assert list(done.pieces) == ["piece 1", "piece 2"]
    assert list(done.extras) == ["plug 1"]


def test_a_step_that_would_not_reach_the_pieces_comes_too_late(tmp_path: Path) -> None:
    done = run(tmp_path, planned("split", cut_in_two), planned("lift", lift))
    assert done.state == "rejected"
    assert "put lift before the step that cuts the part into pieces" in str(done.reason)
    done = run(tmp_path, planned("drain", with_plug), planned("scale", shrink))
    assert "plug 1 were made to fit the part at its present size; put scale before" in str(done.reason)
    assert run(tmp_path, planned("drain", with_plug), planned("lift", lift)).state == "done"
    done = run(tmp_path, planned("drain", with_plug), planned("again", with_plug))
    assert "already made plug 1" in str(done.reason)


@pytest.mark.parametrize("name", ["../plug", "/plug", "a/b", "", "Plug", "plug.stl", "plug ", "plug\n"])
def test_a_name_that_could_lead_elsewhere_is_a_defect(tmp_path: Path, name: str) -> None:
    def stray(part: Part, params: NoParams, ctx: StepContext) -> StepResult:
        return StepResult(part, extras={name: box_part()})

    with pytest.raises(TypeError, match="cannot be a piece's name"):
        run(tmp_path, planned("stray", stray))
