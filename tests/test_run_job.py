"""A job that fails, however late, leaves no part behind that could be taken for a delivery."""

from __future__ import annotations

import zipfile
from dataclasses import replace
from pathlib import Path

import pytest
import trimesh
from fettlebox import run_job
from fettlebox.declaring import z_up_from
from fettlebox.errors import StepError
from fettlebox.run_job import JobTask, perform

RECIPE = "recipe: small\nabout: A ball, cut.\nsteps:\n  - cut: {at: 20 %}\n  - seat\ndeliver: [stl, 3mf]\n"


def task(folder: Path) -> JobTask:
    (folder / "original").mkdir(parents=True)
    trimesh.creation.icosphere(3, 20.0).export(folder / "original" / "ball.stl")
    return JobTask("0123456789ab", folder, "ball.stl", RECIPE, "small.yaml")


def test_a_job_delivers_beside_the_original(tmp_path: Path) -> None:
    given = task(tmp_path / "job")
    before = (given.folder / "original" / "ball.stl").read_bytes()
    result = perform(given)
    assert (result.state, result.reason) == ("done", None)
    names = {path.name for path in given.folder.iterdir()}
    assert names >= {"original", "ball.stl", "ball.3mf", "traveler.json", "provenance.json", "traveler.html"}
    assert (given.folder / "original" / "ball.stl").read_bytes() == before


def test_a_job_whose_recipe_leaves_the_shop_s_standard_is_rejected(tmp_path: Path) -> None:
    recipes = tmp_path / "recipes"
    recipes.mkdir()
    (recipes / "house.yaml").write_text(
        "recipe: house\nsteps:\n  - seat:\n    locked: true\ndeliver: [stl]\n"
    )
    given = replace(task(tmp_path / "job"), recipe_name="small", recipe_folder=recipes, standard="house")
    result = perform(given)
    assert result.state == "rejected"
    assert "the shop's standard is 'house'" in str(result.reason)
    assert not (given.folder / "ball.stl").exists()
    loyal = "recipe: small\nextends: house\nsteps:\n  - cut: {at: 20 %}\n    before: seat\n"
    again = replace(given, folder=task(tmp_path / "again").folder, recipe_text=loyal)
    assert perform(again).state == "done"


def test_a_ticket_inside_a_zip_is_not_left_unsaid(tmp_path: Path) -> None:
    given = replace(task(tmp_path / "job"), scan_name="ball.zip")
    original = given.folder / "original"
    with zipfile.ZipFile(original / "ball.zip", "w") as archive:
        archive.write(original / "ball.stl", "scan/ball.stl")
        archive.writestr("scan/ball.ticket.yaml", "order: LY-1\n")
    result = perform(given)
    assert result.state == "held"
    assert "'scan/ball.ticket.yaml'" in str(result.reason) and "--ticket" in str(result.reason)
    (original / "ball.ticket.yaml").write_text("order: LY-1\n")
    again = perform(replace(given, ticket_name="ball.ticket.yaml"))
    assert (again.state, again.record.ticket and again.record.ticket["order"]) == ("done", "LY-1")


@pytest.mark.parametrize("error", [RuntimeError("a defect"), StepError("an expected failure")])
def test_a_failure_after_the_parts_were_written_takes_them_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, error: Exception
) -> None:
    given = task(tmp_path / "job")

    def fail(*_: object, **__: object) -> None:
        assert (given.folder / "ball.stl").exists(), "the parts are written before the pictures"
        raise error

    monkeypatch.setattr(run_job, "picture_job", fail)
    result = perform(given)
    assert result.state == "rejected"
    assert str(error) in str(result.reason)
    names = {path.name for path in given.folder.iterdir()}
    assert not {"ball.stl", "ball.3mf"} & names
    assert "traveler.json" in names
    assert (given.folder / "original" / "ball.stl").exists()


@pytest.mark.parametrize("up", ["+x", "-x", "+y", "-y", "+z", "-z"])
def test_turning_an_axis_up_is_a_turn(up: str) -> None:
    import numpy as np

    matrix = z_up_from(up)[:3, :3]
    axis = np.zeros(3)
    axis["xyz".index(up[1])] = 1.0 if up[0] == "+" else -1.0
    assert (matrix @ axis).tolist() == [0.0, 0.0, 1.0]
    assert np.linalg.det(matrix) == pytest.approx(1.0)
    assert matrix @ matrix.T == pytest.approx(np.eye(3))
