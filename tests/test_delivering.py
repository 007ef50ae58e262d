"""Parts after a step, pictures and zips: what is delivered, and what holds it back."""

from __future__ import annotations

import hashlib
import zipfile
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import trimesh
from fettlebox import run_job
from fettlebox.api import Part, StepContext, StepParams, StepResult, step
from fettlebox.catalog import Catalog, find_steps
from fettlebox.run_job import JobResult, JobTask, perform


class Nothing(StepParams):
    pass


@step("open-up", version=1, summary="Take a triangle away.")
def open_up(part: Part, params: Nothing, ctx: StepContext) -> StepResult:
    return StepResult(part.with_mesh(part.vertices, part.faces[1:]))


@pytest.fixture
def deliver(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Any:
    """deliver(steps, deliver) → result and folder of a job on a closed box of 20 × 30 × 40 mm."""
    catalog = find_steps()
    catalog = Catalog(
        {**catalog.steps, "open-up": open_up, "in-two": in_two, "leaky-piece": leaky_piece},
        {**catalog.sources, **dict.fromkeys(("open-up", "in-two", "leaky-piece"), "tests")},
    )
    monkeypatch.setattr(run_job, "_catalog_here", [catalog])

    def run(steps: str, what: str) -> tuple[JobResult, Path]:
        folder = tmp_path / f"job{len(list(tmp_path.iterdir()))}"
        (folder / "original").mkdir(parents=True)
        trimesh.creation.box((20, 30, 40)).export(folder / "original" / "box.stl")
        text = f"recipe: test\nask:\n  no: {{type: text, default: ''}}\nsteps: {steps}\ndeliver: {what}\n"
        return perform(JobTask("0" * 12, folder, "box.stl", text, "test.yaml")), folder

    return run


def volume(path: Path) -> float:
    return float(trimesh.load_mesh(path).volume)


def test_a_part_after_a_step_is_that_steps_part(deliver: Any) -> None:
    steps = "[{scale: {by: 50 %}, id: half}, {scale: {by: 50 %}, id: quarter}]"
    result, folder = deliver(steps, "[stl, {stl: {after: half}}, {ply: {after: half}}]")
    assert result.state == "done", result.reason
    assert [out.path for out in result.record.outputs] == ["box.stl", "box.half.stl", "box.half.ply"]
    # A box's volume goes with the cube of its size.
    assert volume(folder / "box.half.stl") == pytest.approx(24000 / 8)
    assert volume(folder / "box.half.ply") == pytest.approx(24000 / 8)
    assert volume(folder / "box.stl") == pytest.approx(24000 / 64)


def test_a_step_that_does_not_run_hands_on_the_part_before_it(deliver: Any) -> None:
    off = '{scale: {by: 10 %}, id: off, when: "${no}"}'
    result, folder = deliver(f"[{off}, {{scale: {{by: 50 %}}, id: half}}]", "[{stl: {after: off}}]")
    assert result.state == "done", result.reason
    assert volume(folder / "box.off.stl") == pytest.approx(24000)
    result, folder = deliver(f"[{{scale: {{by: 50 %}}, id: half}}, {off}]", "[{stl: {after: off}}]")
    assert volume(folder / "box.off.stl") == pytest.approx(24000 / 8)


def test_one_part_that_is_not_sound_holds_them_all(deliver: Any) -> None:
    result, folder = deliver("[open-up, repair]", "[stl, {stl: {after: open-up}}, pictures, zip]")
    assert result.state == "held"
    assert "the part after open-up" in result.reason
    assert not result.record.outputs
    assert not list(folder.glob("*.stl")) and not list(folder.glob("*.zip"))
    result, folder = deliver("[open-up, repair]", "[stl]")
    assert result.state == "done", result.reason


def test_pictures_alone_need_no_sound_part(deliver: Any) -> None:
    result, folder = deliver("[open-up]", "[pictures]")
    assert result.state == "done", result.reason
    assert {out.format for out in result.record.outputs} == {"png"}
    for out in result.record.outputs:
        assert hashlib.sha256((folder / out.path).read_bytes()).hexdigest() == out.sha256


def test_the_zip_holds_every_delivered_file_and_is_the_same_again(deliver: Any) -> None:
    what = "[3mf, {stl: {after: half}}, pictures, zip]"
    first, one = deliver("[{scale: {by: 50 %}, id: half}]", what)
    second, two = deliver("[{scale: {by: 50 %}, id: half}]", what)
    assert first.state == "done", first.reason
    assert (one / "box.zip").read_bytes() == (two / "box.zip").read_bytes()
    names = [out.path for out in first.record.outputs]
    assert names[-1] == "box.zip"
    with zipfile.ZipFile(one / "box.zip") as archive:
        assert archive.testzip() is None
        assert archive.namelist() == names[:-1]
        for name in archive.namelist():
            assert archive.read(name) == (one / name).read_bytes()
    assert second.record.outputs == first.record.outputs


def test_no_part_is_changed_by_being_kept(deliver: Any) -> None:
    steps = "[{scale: {by: 50 %}, id: half}, {scale: {by: 50 %}, id: quarter}]"
    _, plain = deliver(steps, "[stl]")
    _, stacked = deliver(steps, "[stl, {stl: {after: half}}]")
    assert np.array_equal(np.frombuffer((plain / "box.stl").read_bytes(), np.uint8),
                          np.frombuffer((stacked / "box.stl").read_bytes(), np.uint8))  # fmt: skip


@step("in-two", version=1, summary="Cut a box in two, and make a plug.")
def in_two(part: Part, params: Nothing, ctx: StepContext) -> StepResult:
    half = trimesh.creation.box((20, 30, 20))
    made = Part(np.array(half.vertices), np.array(half.faces, np.int32))
    return StepResult(part, pieces={"piece 1": made, "piece 2": made}, extras={"plug 1": made.scaled(0.1)})


def test_pieces_lie_in_one_3mf_and_have_a_file_each_of_other_formats(deliver: Any) -> None:
    result, folder = deliver("[in-two]", "[3mf, stl, {stl: {after: in-two}}, zip]")
    assert result.state == "done", result.reason
    names = ["piece-1", "piece-2", "plug-1"]
    assert [out.path for out in result.record.outputs] == [
        "box.3mf",
        *(f"box.{name}.stl" for name in names),
        *(f"box.in-two.{name}.stl" for name in names),
        "box.zip",
    ]
    assert volume(folder / "box.piece-2.stl") == pytest.approx(12000)
    assert volume(folder / "box.plug-1.stl") == pytest.approx(12)
    assert volume(folder / "box.3mf") == pytest.approx(24012)
    assert "made piece 1, piece 2, plug 1" in (folder / "traveler.html").read_text()


@step("leaky-piece", version=1, summary="Make a piece that is open.")
def leaky_piece(part: Part, params: Nothing, ctx: StepContext) -> StepResult:
    return StepResult(
        part, pieces={"piece 1": part, "piece 2": part.with_mesh(part.vertices, part.faces[1:])}
    )


def test_one_piece_that_is_not_sound_holds_the_job(deliver: Any) -> None:
    result, folder = deliver("[leaky-piece]", "[stl]")
    assert result.state == "held"
    assert "piece 2 is not a sound solid" in result.reason
    assert not list(folder.glob("*.stl"))
    result, _ = deliver("[leaky-piece, {gate: {sound: true}}]", "[stl]")
    assert "piece 2 is not a sound solid" in result.reason
