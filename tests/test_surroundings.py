"""A recipe that lies in a shop: its standard and printers hold, its own steps run only where it is named."""

from __future__ import annotations

import hashlib
import json
import shutil
from pathlib import Path

import pytest
import trimesh
from fettlebox.checking import check_paths
from fettlebox.cli import app
from fettlebox.errors import UsageError
from fettlebox.jobs import list_jobs
from fettlebox.replay import replay
from fettlebox.server import serve
from fettlebox.surroundings import shop_around, shop_of_job
from typer.testing import CliRunner, Result

STEP = """\
from pathlib import Path

from fettlebox.api import Length, Part, StepContext, StepParams, StepResult, quantity, step

Path({ran!r}).touch()


class Params(StepParams):
    by: Length = quantity("7 mm", at_least="0 mm", about="How far.")


def unsuited(params, printer, later):
    if params.by > printer.build_volume_mm[2]:
        yield "it would be lifted out of the printer"


@step("lift", version=1, summary="Lift the part.", shorthand="by", unsuited=unsuited)
def lift(part: Part, params: Params, ctx: StepContext) -> StepResult:
    import numpy as np

    way = np.eye(4)
    way[2, 3] = params.by
    return StepResult(part.moved(way), facts={{"lifted_mm": params.by}})
"""
LIFTING = "recipe: lifting\nabout: For tests.\nsteps: [lift]\ndeliver: [stl]\n"
HIGHER = "recipe: higher\nabout: For tests.\nsteps: [lift: 9 mm]\ndeliver: [stl]\n"
TALL = "recipe: tall\nsteps: [hollow: {wall: 0.2 mm}]\ndeliver: [stl]\n"


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    """A shop with a step of its own, whose file leaves a mark when it is run."""
    folder = tmp_path / "shop"
    for name in ("recipes", "inbox", "steps"):
        (folder / name).mkdir(parents=True)
    for name, text in (("lifting", LIFTING), ("higher", HIGHER), ("tall", TALL)):
        (folder / "recipes" / f"{name}.yaml").write_text(text)
    have_step(folder, STEP.format(ran=str(tmp_path / "ran")))
    return folder


def have_step(shop: Path, code: str) -> None:
    (shop / "steps" / "lift.py").write_text(code)
    told = {"file": "steps/lift.py", "sha256": hashlib.sha256(code.encode()).hexdigest()}
    text = f"shop: S\nrecipe: lifting\nsettle: 0 s\nsteps:\n  - {json.dumps(told)}\n"
    (shop / "shop.yaml").write_text(text)


@pytest.fixture
def ran(tmp_path: Path) -> Path:
    return tmp_path / "ran"


def run(*arguments: object) -> Result:
    return CliRunner().invoke(app, [str(one) for one in arguments])


def test_a_shop_is_found_around_its_recipes_and_jobs_only(shop: Path, tmp_path: Path) -> None:
    assert shop_around(shop / "recipes" / "lifting.yaml") == shop
    assert shop_around(shop / "lifting.yaml") is None
    assert shop_around(shop / "recipes" / "deeper" / "lifting.yaml") is None
    assert shop_around(tmp_path / "recipes" / "lifting.yaml") is None
    assert shop_of_job(shop / "outbox" / "bust.0123abcd") == shop.resolve()


@pytest.mark.parametrize(
    "command",
    [["check"], ["explain"], ["recipe", "diff", "{higher}"], ["run", "{lifting}"], ["try", "{lifting}"]],
)
def test_code_of_a_shop_that_is_only_found_is_not_run_and_who_misses_it_is_told(
    shop: Path, ran: Path, tmp_path: Path, command: list[str]
) -> None:
    lifting, scan = shop / "recipes" / "lifting.yaml", tmp_path / "box.stl"
    trimesh.creation.box((10, 10, 10)).export(scan)
    words = [word.format(higher=shop / "recipes" / "higher.yaml", lifting=lifting) for word in command]
    rest = [scan, "--out", tmp_path / "out"] if command[0] in ("run", "try") else [lifting]
    without = run(*words, *rest)
    assert without.exit_code == 2, without.output
    assert "steps/lift.py" in without.output and f"add --shop {shop}" in without.output
    assert not ran.exists()
    named = run(*words, *rest, "--shop", shop)
    assert named.exit_code == 0, named.output


def test_named_they_are_listed_explained_compared_and_examined(shop: Path) -> None:
    recipes = shop / "recipes"
    assert "Lift the part." in run("steps", "--shop", shop).output
    assert "How far." in run("steps", "lift", "--shop", shop).output
    assert run("steps", "lift").exit_code == 2
    assert "Lift the part." in run("explain", recipes / "lifting.yaml", "--shop", shop).output
    assert (
        "  lift            Lift the part. (steps/lift.py)\n" in run("plugin", "list", "--shop", shop).output
    )
    found = run("recipe", "diff", recipes / "lifting.yaml", recipes / "higher.yaml", "--shop", shop).output
    assert found == "lift: by was 7 mm, as usual; it is 9 mm\n"
    looked = [json.loads(line) for line in run("doctor", "--shop", shop, "--json").output.splitlines()]
    assert {"what": "own steps", "ok": True, "said": "steps/lift.py"} in looked


def test_doctor_says_what_is_wrong_with_a_shop_s_own_steps(shop: Path) -> None:
    have_step(shop, "import beside\n")
    done = run("doctor", "--shop", shop)
    assert done.exit_code == 1
    assert "MEND  own steps: " in done.output and "No module named 'beside'" in done.output


def test_the_printers_of_a_shop_hold_for_a_recipe_in_it_without_being_named(shop: Path, ran: Path) -> None:
    """A wall of 0.2 mm is thinner than the nozzle of 0.4 mm; read from the shop's data, nothing is run."""
    done = run("check", shop / "recipes" / "tall.yaml")
    assert done.exit_code == 2 and "tall on everyday" in done.output.replace("the ", "")
    assert not ran.exists()
    elsewhere = shop.parent / "tall.yaml"
    shutil.copy2(shop / "recipes" / "tall.yaml", elsewhere)
    assert run("check", elsewhere).exit_code == 0
    assert run("check", elsewhere, "--shop", shop).exit_code == 2


def test_an_own_step_is_asked_about_the_printer(shop: Path) -> None:
    (shop / "recipes" / "lifting.yaml").write_text(LIFTING.replace("lift]", "lift: 1 m]"))
    done = run("check", shop / "recipes" / "lifting.yaml", "--shop", shop)
    assert done.exit_code == 2 and "it would be lifted out of the printer" in done.output


STANDARD = "recipe: standard\nsteps: [{gate: {height: {below: 30 mm}}, locked: true}]\ndeliver: [stl]\n"
FREE = "recipe: free\nsteps: [seat]\ndeliver: [stl]\n"


@pytest.fixture
def strict(shop: Path) -> Path:
    """The same with a standard that every recipe has to extend."""
    text = (shop / "shop.yaml").read_text()
    (shop / "shop.yaml").write_text(text + "standard: standard\n")
    (shop / "recipes" / "standard.yaml").write_text(STANDARD)
    (shop / "recipes" / "loyal.yaml").write_text("recipe: loyal\nextends: standard\n")
    (shop / "recipes" / "free.yaml").write_text(FREE)
    return shop


def test_a_recipe_in_a_shop_is_held_to_its_standard(strict: Path) -> None:
    recipes = strict / "recipes"
    free, loyal, standard = check_paths([recipes / f"{name}.yaml" for name in ("free", "loyal", "standard")])
    assert "write 'extends: standard'" in free.problems[0].text()
    assert loyal.problems == standard.problems == ()


@pytest.mark.parametrize("command", ["run", "try"])
def test_what_is_made_for_a_shop_heeds_its_standard(strict: Path, tmp_path: Path, command: str) -> None:
    scan, out = tmp_path / "box.stl", tmp_path / "out"
    trimesh.creation.box((10, 10, 10)).export(scan)
    refused = run(command, strict / "recipes" / "free.yaml", scan, "--shop", strict, "--out", out)
    assert refused.exit_code == 2 and "the shop's standard is 'standard'" in refused.output
    assert not out.exists()
    # A recipe elsewhere that only has the standard's name, or extends another file of that name, is not it.
    (tmp_path / "standard.yaml").write_text(FREE.replace("free", "standard"))
    (tmp_path / "child.yaml").write_text("recipe: child\nextends: standard\n")
    for name in ("standard", "child"):
        refused = run(command, tmp_path / f"{name}.yaml", scan, "--shop", strict, "--out", out)
        assert refused.exit_code == 2 and "does not extend it" in refused.output
    for name in ("loyal", "standard"):
        done = run(command, strict / "recipes" / f"{name}.yaml", scan, "--shop", strict, "--out", out)
        assert done.exit_code == 0, done.output
    assert run(command, strict / "recipes" / "free.yaml", scan, "--out", out).exit_code == 0


def test_a_job_whose_own_step_is_nowhere_is_not_replayed_and_the_file_is_named(
    shop: Path, tmp_path: Path
) -> None:
    have_step(shop, STEP.replace("Path({ran!r}).touch()", "").replace("{{", "{").replace("}}", "}"))
    trimesh.creation.box((10, 10, 10)).export(shop / "inbox" / "box.stl")
    serve(shop, once=True)
    (row,) = list_jobs(shop)
    away = tmp_path / "away" / "job"
    shutil.copytree(shop / row.folder, away)
    digest = hashlib.sha256((shop / "steps" / "lift.py").read_bytes()).hexdigest()
    with pytest.raises(UsageError) as error:
        replay(away)
    said = str(error.value)
    assert f"steps/lift.py (SHA-256 {digest})" in said and "--shop SHOP" in said
    assert replay(away, shop=shop).same
    assert run("replay", away, "--shop", shop).exit_code == 0
    assert run("replay", away).exit_code == 2
    assert run("recipe", "diff", away, shop / "recipes" / "lifting.yaml", "--shop", shop).output == (
        "they do the same\n"
    )
    (shop / "shop.yaml").write_text("shop: S\nrecipe: tall\n")
    with pytest.raises(UsageError, match=r"shop\.yaml does not name it"):
        replay(shop / row.folder)
