"""A replay gives the same, for every ready recipe and every end; and names what differs first."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import trimesh
from fettlebox import run_job
from fettlebox.api import Part, StepContext, StepParams, StepResult, step
from fettlebox.catalog import Catalog, find_steps
from fettlebox.cli import app
from fettlebox.errors import UsageError
from fettlebox.printer import Filament, Printer
from fettlebox.replay import Replay, replay
from fettlebox.run_once import run_once
from typer.testing import CliRunner

ROOT = Path(__file__).resolve().parents[1]
EXAMPLES = ROOT / "inbox_example" / "inbox"
COUNT = [0]


class Nothing(StepParams):
    pass


@step("wobble", version=1, summary="Never twice the same.")
def wobble(part: Part, params: Nothing, ctx: StepContext) -> StepResult:
    COUNT[0] += 1
    return StepResult(part.with_mesh(part.vertices + COUNT[0] * 1e-3, part.faces))


@step("jolt", version=1, summary="Random, but by the job's own generator.")
def jolt(part: Part, params: Nothing, ctx: StepContext) -> StepResult:
    return StepResult(part.moved(np.block([[np.eye(3), ctx.rng.normal(size=(3, 1))], [np.zeros((1, 3)), 1]])))


@step("measure-bed", version=1, summary="Say what the printer is.")
def measure_bed(part: Part, params: Nothing, ctx: StepContext) -> StepResult:
    return StepResult(
        part, facts={"bed_mm": list(ctx.printer.build_volume_mm), "skin_mm": ctx.printer.filament.skin_mm}
    )


@pytest.fixture(autouse=True)
def catalog(monkeypatch: pytest.MonkeyPatch) -> Catalog:
    found = find_steps()
    extra = {"wobble": wobble, "jolt": jolt, "measure-bed": measure_bed}
    catalog = Catalog({**found.steps, **extra}, {**found.sources, **dict.fromkeys(extra, "tests")})
    monkeypatch.setattr(run_job, "_catalog_here", [catalog])
    return catalog


@pytest.fixture
def box(tmp_path: Path) -> Path:
    path = tmp_path / "box.stl"
    trimesh.creation.box((20, 30, 40)).export(path)
    return path


def job(tmp_path: Path, scan: Path, steps: str, deliver: str = "[stl, 3mf]", **more: Any) -> Path:
    recipe = tmp_path / "test.yaml"
    ask = "ask:\n  size: {type: ratio, default: 50 %}\n" if "size" in steps else ""
    recipe.write_text(f"recipe: test\n{ask}steps: {steps}\ndeliver: {deliver}\n")
    return run_once(recipe, scan, tmp_path / "out", **more)[1]


def first(again: Replay) -> str:
    return again.differences[0].place


def test_the_same_job_is_the_same(tmp_path: Path, box: Path) -> None:
    folder = job(tmp_path, box, "[jolt, {scale: {by: 50 %}}]", "[stl, {ply: {after: jolt}}, pictures, zip]")
    before = {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}
    again = replay(folder)
    assert again.same and not again.versions, again.differences
    assert (again.state, again.steps) == ("done", 2)
    assert {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()} == before


def test_values_ticket_and_printer_are_those_of_the_job(tmp_path: Path, box: Path) -> None:
    third = Printer("third", (100 / 3, 1e3 / 7, 250.0), filament=Filament(skin_mm=1 / 3))
    (tmp_path / "box.ticket.yaml").write_text("order: 0042\nset: {size: 20 %}\nunit: cm\nup: -y\n")
    steps = "[{scale: {by: '${size}'}}, measure-bed]"
    folder = job(tmp_path, box, steps, printer=third, values={"size": "30 %"})
    record = json.loads((folder / "traveler.json").read_text("utf-8"))
    assert record["printer"]["build_volume_mm"] == [100 / 3, 1e3 / 7, 250.0], "to the last digit"
    assert record["given"] == {
        "scan": "box.stl", "ticket": "box.ticket.yaml", "recipe": "test.yaml", "values": {"size": "30 %"},
    }  # fmt: skip
    again = replay(folder)
    assert again.same, again.differences
    record["printer"]["filament"]["skin_mm"] = 2.0
    (folder / "traveler.json").write_text(json.dumps(record))
    assert first(replay(folder)) == "step measure-bed"


def test_a_step_that_is_not_deterministic_is_named_first(tmp_path: Path, box: Path) -> None:
    again = replay(job(tmp_path, box, "[{scale: {by: 50 %}}, wobble, {scale: {by: 50 %}, id: then}]"))
    assert first(again) == "step wobble"
    assert "it made the part" in str(again.differences[0])
    assert {one.place for one in again.differences[1:]} >= {"box.stl", "box.3mf"}


def test_a_changed_original_is_named_before_any_step(tmp_path: Path, box: Path) -> None:
    folder = job(tmp_path, box, "[{scale: {by: 50 %}}]")
    scan = folder / "original" / "box.stl"
    data = bytearray(scan.read_bytes())
    data[100] ^= 1
    scan.write_bytes(data)
    again = replay(folder)
    assert first(again) == "scan"
    assert again.differences[1].place.startswith("step")


@pytest.mark.parametrize("name", ["box.stl", "pictures/part.png"])
def test_a_changed_result_is_named(tmp_path: Path, box: Path, name: str) -> None:
    folder = job(tmp_path, box, "[{scale: {by: 50 %}}]")
    data = bytearray((folder / name).read_bytes())
    data[-5] ^= 1
    (folder / name).write_bytes(data)
    (difference,) = replay(folder).differences
    assert difference.place == name and difference.recorded.startswith("in the folder")


def test_a_step_of_another_version_and_other_libraries_are_named(
    tmp_path: Path, box: Path, catalog: Catalog
) -> None:
    folder = job(tmp_path, box, "[{scale: {by: 50 %}}, jolt]")
    catalog.steps["jolt"] = replace(catalog.steps["jolt"], version=2)
    traveler = folder / "traveler.json"
    record = json.loads(traveler.read_text("utf-8"))
    record["versions"]["numpy"] = "1.0"
    traveler.write_text(json.dumps(record))
    again = replay(folder)
    assert str(again.differences[0]) == "step jolt: version 1 then, 2 now"
    assert again.versions["numpy"][0] == "1.0" and len(again.versions) == 1


@pytest.mark.parametrize(
    ("steps", "content", "state"),
    [
        ("[{gate: {size: {below: 1 mm}}, otherwise: hold}]", None, "held"),
        ("[{gate: {bodies: {below: 1}}, otherwise: stop}]", None, "rejected"),
        ("[{scale: {by: 50 %}}]", b"not a mesh", "rejected"),
        ("[{smoth: {}}]", None, "rejected"),
    ],
)
def test_held_and_rejected_jobs_are_replayed_too(
    tmp_path: Path, box: Path, steps: str, content: bytes | None, state: str
) -> None:
    if content is not None:
        box.write_bytes(content)
    folder = job(tmp_path, box, steps)
    again = replay(folder)
    assert again.same, again.differences


def test_a_wrong_ticket_gives_the_same_reason_wherever_it_runs(tmp_path: Path, box: Path) -> None:
    (tmp_path / "box.ticket.yaml").write_text("ordr: 1\n")
    folder = job(tmp_path, box, "[{scale: {by: 50 %}}]")
    record = json.loads((folder / "traveler.json").read_text("utf-8"))
    assert "box.ticket.yaml:1: " in record["reason"]
    assert "/" not in record["reason"], "no path of ours in a customer's reason"
    assert replay(folder).same


def test_a_recipe_that_extends_another_stands_for_itself(tmp_path: Path, box: Path) -> None:
    (tmp_path / "parent.yaml").write_text("recipe: parent\nsteps: [{scale: {by: 50 %}}]\ndeliver: [stl]\n")
    child = tmp_path / "child.yaml"
    child.write_text("recipe: child\nextends: parent\n")
    folder = run_once(child, box, tmp_path / "out")[1]
    (tmp_path / "parent.yaml").unlink()
    again = replay(folder)
    assert again.same, again.differences


def test_a_record_without_printer_and_given_is_replayed_by_what_it_has(tmp_path: Path, box: Path) -> None:
    folder = job(tmp_path, box, "[{scale: {by: '${size}'}}]", values={"size": "30 %"})
    traveler = folder / "traveler.json"
    record = json.loads(traveler.read_text("utf-8"))
    del record["given"], record["printer"]
    traveler.write_text(json.dumps(record))
    again = replay(folder)
    assert again.same, again.differences


def test_what_is_no_job_is_said_to_be_none(tmp_path: Path, box: Path) -> None:
    with pytest.raises(UsageError, match="not a job's folder"):
        replay(tmp_path)
    folder = job(tmp_path, box, "[{scale: {by: 50 %}}]")
    traveler = folder / "traveler.json"
    good = json.loads(traveler.read_text("utf-8"))
    for text in ("{", "[]", "{}", json.dumps({**good, "given": {}}), json.dumps({**good, "steps": 3}),
                 json.dumps({**good, "given": {**good["given"], "scan": "../../../etc/passwd"}}),
                 json.dumps({**good, "printer": {"name": 3}})):  # fmt: skip
        traveler.write_text(text)
        with pytest.raises(UsageError):
            replay(folder)
    traveler.unlink()
    with pytest.raises(UsageError, match="ended from outside"):
        replay(folder)
    shutil.rmtree(folder / "original")
    with pytest.raises(UsageError, match="not a job's folder"):
        replay(folder)


def test_the_command_line_says_it_in_words_and_in_json(tmp_path: Path, box: Path) -> None:
    folder = job(tmp_path, box, "[jolt]")
    runner = CliRunner()
    done = runner.invoke(app, ["replay", str(folder)])
    assert done.exit_code == 0 and done.stdout.startswith("the same: done, 1 steps")
    (folder / "box.stl").write_bytes(b"x")
    done = runner.invoke(app, ["replay", str(folder), "--json"])
    said = json.loads(done.stdout)
    assert done.exit_code == 4 and not said["same"] and said["differences"][0]["place"] == "box.stl"
    assert runner.invoke(app, ["replay", str(tmp_path)]).exit_code == 2


@pytest.mark.slow
@pytest.mark.parametrize("path", sorted((ROOT / "recipes").glob("*.yaml")), ids=lambda path: path.stem)
def test_every_ready_recipe_gives_the_same_again(
    tmp_path: Path, path: Path, bunny_scan: Path, sheet_scan: Path
) -> None:
    scan = {"relief": sheet_scan, "figurine": bunny_scan}.get(path.stem, EXAMPLES / "miller.ply")
    # A life-size hollow takes minutes, and says no more about replaying than a quarter-size one.
    values = {"size": "25 %"} if path.stem == "resin-figurine" else {}
    result, folder = run_once(path, scan, tmp_path / "out", values=values)
    assert result.record.steps, result.reason
    again = replay(folder)
    assert again.same, again.differences
    assert (again.state, again.steps) == (result.state, len(result.record.steps))


@pytest.mark.slow
def test_a_served_job_gives_the_same_again(tmp_path: Path) -> None:
    from fettlebox.jobs import init_shop
    from fettlebox.jobs.audit import audit_shop
    from fettlebox.server import serve

    shop = tmp_path / "shop"
    init_shop(shop, recipes=ROOT / "recipes")
    (shop / "inbox" / "miller").mkdir()  # a scan that came as a folder, its ticket in it
    shutil.copy2(EXAMPLES / "miller.ply", shop / "inbox" / "miller")
    (shop / "inbox" / "miller" / "any.ticket.yaml").write_text("order: LY-7\n")
    (shop / "inbox" / "bad.stl").write_bytes(b"no mesh")
    serve(shop, once=True)
    for place in ("outbox", "rejects"):
        (folder,) = (shop / place).iterdir()
        again = replay(folder)
        assert again.same, again.differences
    audit = audit_shop(shop)
    assert audit.clean and (audit.entries, audit.jobs) == (2, 2), audit.findings
    assert CliRunner().invoke(app, ["audit", str(shop)]).exit_code == 0
    (folder / "reason.txt").write_text("another")
    done = CliRunner().invoke(app, ["audit", str(shop), "--json"])
    assert done.exit_code == 4
    finding, summary = map(json.loads, done.stdout.splitlines())
    assert finding["file"].endswith("reason.txt") and finding["entry"] in (1, 2)
    assert (summary["clean"], summary["findings"]) == (False, 1)
