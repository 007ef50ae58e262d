"""A shop's own steps: the file that was named and hashed runs, and nothing else in the shop ever does."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import pytest
import trimesh
from fettlebox import own_steps
from fettlebox.catalog import find_steps
from fettlebox.checking import check_paths
from fettlebox.errors import RecipeError, UsageError
from fettlebox.jobs import list_jobs
from fettlebox.own_steps import OwnStep, read_own_step, with_own_steps
from fettlebox.recipe import load_shop
from fettlebox.replay import replay
from fettlebox.run_once import run_once
from fettlebox.server import serve
from fettlebox.traveler.writing import read_traveler
from typer.testing import CliRunner

STEP = """\
from fettlebox.api import Length, Part, StepContext, StepParams, StepResult, quantity, step


class Params(StepParams):
    by: Length = quantity("{by} mm", at_least="0 mm", about="How far.")


@step("lift", version=1, summary="Lift the part.")
def lift(part: Part, params: Params, ctx: StepContext) -> StepResult:
    import numpy as np

    way = np.eye(4)
    way[2, 3] = params.by
    return StepResult(part.moved(way), facts={{"lifted_mm": params.by}})
"""
RECIPE = "recipe: plain\nabout: For tests.\nsteps:\n  - lift\ndeliver: [stl]\n"
SHOP = "shop: Test\nrecipe: plain\nsettle: 0 s\nworkers: 1\n"


def digest_of(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    """A shop whose recipe needs a step that lies in a file of its own."""
    folder = tmp_path / "shop"
    for name in ("recipes", "inbox", "steps"):
        (folder / name).mkdir(parents=True)
    (folder / "recipes" / "plain.yaml").write_text(RECIPE)
    write_step(folder, "7")
    return folder


def write_step(shop: Path, by: str, name: str = "lift.py") -> None:
    (shop / "steps" / name).write_text(STEP.format(by=by))
    told = {"file": f"steps/{name}", "sha256": digest_of(shop / "steps" / name)}
    (shop / "shop.yaml").write_text(f"{SHOP}steps:\n  - {json.dumps(told)}\n")


def drop(shop: Path) -> Path:
    scan = shop / "inbox" / "box.stl"
    trimesh.creation.box((10, 10, 10)).export(scan)
    return scan


def lifted(record: object) -> object:
    return record.steps[0].facts["lifted_mm"]  # type: ignore[attr-defined]


def test_a_served_job_runs_it_and_a_replay_does_the_same(shop: Path) -> None:
    drop(shop)
    serve(shop, once=True)
    (row,) = list_jobs(shop)
    assert row.state == "done", row.reason
    record = read_traveler(shop / row.folder)
    assert lifted(record) == 7.0
    assert record.versions["own step steps/lift.py"] == digest_of(shop / "steps" / "lift.py")
    assert replay(shop / row.folder).same
    write_step(shop, "8")
    again = replay(shop / row.folder)
    assert not again.same and "own step steps/lift.py" in again.versions


def test_run_try_and_check_use_it(shop: Path, tmp_path: Path) -> None:
    from fettlebox.cli import app

    assert [one.problems for one in check_paths([shop])] == [(), ()]
    scan = drop(shop)
    own = load_shop(shop).own_steps
    result, _ = run_once(shop / "recipes" / "plain.yaml", scan, tmp_path / "out", own_steps=own)
    assert result.state == "done" and lifted(result.record) == 7.0
    arguments = [str(shop / "recipes" / "plain.yaml"), str(scan), "--out", str(tmp_path / "tried")]
    assert CliRunner().invoke(app, ["try", *arguments, "--shop", str(shop)]).exit_code == 0
    without = CliRunner().invoke(app, ["try", *arguments])
    assert without.exit_code == 2, "outside the shop nobody knows the step"


def test_it_is_proven_where_the_shop_is_named(shop: Path) -> None:
    from fettlebox.cli import app

    said = CliRunner().invoke(app, ["plugin", "prove", "lift", "--shop", str(shop)])
    assert (said.exit_code, "FAULT" in said.stdout) == (0, False), said.output
    without = CliRunner().invoke(app, ["plugin", "prove", "lift"])
    assert without.exit_code == 2, "outside the shop nobody knows the step"


def test_a_file_that_was_changed_is_not_run_before_its_digest_is_written(shop: Path) -> None:
    path = shop / "steps" / "lift.py"
    before = digest_of(path)
    path.write_text(path.read_text() + "raise SystemExit('was run')\n")
    with pytest.raises(RecipeError) as error:
        load_shop(shop)
    said = str(error.value)
    assert "shop.yaml:6" in said and f"write {digest_of(path)}" in said and before in said
    drop(shop)
    with pytest.raises(RecipeError):
        serve(shop, once=True)
    assert (shop / "inbox" / "box.stl").exists()


def test_the_bytes_that_were_hashed_run_whatever_the_file_becomes(shop: Path) -> None:
    own = load_shop(shop).own_steps
    (shop / "steps" / "lift.py").write_text("raise SystemExit('was run')\n")
    catalog = with_own_steps(find_steps(), own)
    assert catalog.sources["lift"] == "steps/lift.py" and not catalog.quarantined
    assert "lift" not in find_steps().steps


def test_code_that_nobody_named_is_never_run(shop: Path) -> None:
    ran = shop / "ran"
    spy = f"from pathlib import Path\nPath({str(ran)!r}).touch()\n"
    for place in (
        "steps/another.py",
        "inbox/box.py",
        "inbox/conftest.py",
        "recipes/sitecustomize.py",
        "numpy.py",
    ):
        (shop / place).write_text(spy)
    drop(shop)
    serve(shop, once=True)
    check_paths([shop])
    assert not ran.exists()


@pytest.mark.parametrize(
    ("file", "found"),
    [
        ("../lift.py", "expected a .py file below"), ("/etc/passwd.py", "expected a .py file below"),
        ("steps\\lift.py", "expected a .py file below"), ("steps/lift.txt", "expected a .py file below"),
        ("steps/none.py", "cannot be read: No such file"), ("steps/link.py", "is a link"),
        ("linked/lift.py", "is a link"), ("steps/pipe.py", "no plain file"),
        ("steps/folder.py", "no plain file"),
        ("steps/large.py", "more than 1000000 bytes"),
    ],
)  # fmt: skip
def test_what_is_no_plain_file_inside_the_shop_is_refused(shop: Path, file: str, found: str) -> None:
    import os

    (shop / "steps" / "link.py").symlink_to(shop / "steps" / "lift.py")
    (shop / "linked").symlink_to(shop / "steps")
    os.mkfifo(shop / "steps" / "pipe.py")
    (shop / "steps" / "folder.py").mkdir()
    (shop / "steps" / "large.py").write_bytes(b"#" * 1_000_001)
    with pytest.raises(UsageError, match=found):
        read_own_step(shop, file)


@pytest.mark.parametrize(
    ("code", "reason"),
    [
        ("raise RuntimeError('half written')", "RuntimeError: half written"),
        ("import sys; sys.exit(3)", "SystemExit: 3"),
        ("def", "SyntaxError"),
        ("x = 1", "registers no step"),
        (
            STEP.format(by=1).replace('"lift"', '"cut"'),
            "the name 'cut' is taken by fettlebox, which came first; rename one of the two steps, or",
        ),
    ],
)
def test_a_broken_file_is_set_aside_with_its_reason(code: str, reason: str) -> None:
    own = OwnStep("steps/lift.py", hashlib.sha256(code.encode()).hexdigest(), code.encode())
    catalog = with_own_steps(find_steps(), [own])
    assert reason in catalog.quarantined["lift"].reason
    assert "TypeError" not in catalog.quarantined["lift"].reason, "a sentence of ours needs no class name"
    assert "steps/lift.py" in catalog.why_not("lift")
    assert catalog.sources["cut"] == "fettlebox"


def test_check_of_a_shop_with_a_wrong_digest_says_where_the_step_would_come_from(shop: Path) -> None:
    path = shop / "steps" / "lift.py"
    path.write_text(path.read_text() + "raise SystemExit('was run')\n")
    wrong, recipe = (" ".join(p.text() for p in one.problems) for one in check_paths([shop]))
    assert "steps/lift.py was changed" in wrong
    assert "step 'lift' comes from steps/lift.py, which is set aside: nothing of it is run before" in recipe
    assert "there is no step" not in recipe
    (shop / "shop.yaml").write_text("steps: [3, {file: [a]}, {sha256: x}]\n")
    assert "there is no step 'lift'" in " ".join(p.text() for p in check_paths([shop])[1].problems)


def write_code(shop: Path, code: str) -> None:
    path = shop / "steps" / "stamp.py"
    path.write_text(code)
    told = {"file": "steps/stamp.py", "sha256": digest_of(path)}
    (shop / "shop.yaml").write_text(f"{SHOP}steps:\n  - {json.dumps(told)}\n")


@pytest.mark.parametrize(
    ("code", "said"),
    [
        ("import beside\n", "steps/stamp.py: ModuleNotFoundError: No module named 'beside'"),
        ("import os\nos._exit(3)\n", "loading them ended the process"),
        ("FETTLEBOX_CONTRACT = 99\n" + STEP.format(by=1), "made for plugin contract 99"),
    ],
)
def test_a_shop_whose_own_step_cannot_be_used_is_not_served(shop: Path, code: str, said: str) -> None:
    """Else every scan for it would be rejected, for what is no fault of the scan."""
    write_code(shop, code)
    scan = drop(shop)
    with pytest.raises(UsageError) as error:
        serve(shop, once=True)
    assert said in str(error.value) and "out of shop.yaml" in str(error.value)
    assert scan.exists()


def test_a_file_that_never_ends_loading_is_given_up(shop: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(own_steps, "LONGEST_TRIAL_S", 0.5)
    write_code(shop, "import time\ntime.sleep(600)\n")
    with pytest.raises(UsageError, match=r"takes longer than 0\.5 s"):
        serve(shop, once=True)


def test_whoever_misses_a_step_is_told_what_was_set_aside(shop: Path) -> None:
    """A file may be called otherwise than the steps in it."""
    own = OwnStep("steps/stamp.py", "0" * 64, b"import beside")
    said = with_own_steps(find_steps(), [own]).why_not("lift")
    assert "no step 'lift'" in said and "steps/stamp.py: ModuleNotFoundError" in said


def test_what_a_file_prints_as_it_loads_is_no_output_of_ours(capsys: pytest.CaptureFixture[str]) -> None:
    code = b"print('hello')\n" + STEP.format(by=1).encode()
    with_own_steps(find_steps(), [OwnStep("steps/chatty.py", hashlib.sha256(code).hexdigest(), code)])
    heard = capsys.readouterr()
    assert (heard.out, heard.err) == ("", "hello\n")


def test_check_names_the_file_that_is_set_aside(shop: Path) -> None:
    path = shop / "steps" / "lift.py"
    path.write_text("raise RuntimeError('half written')\n")
    told = {"file": "steps/lift.py", "sha256": digest_of(path)}
    (shop / "shop.yaml").write_text(f"{SHOP}steps:\n  - {json.dumps(told)}\n")
    found = {one.path.name: " ".join(str(p.text()) for p in one.problems) for one in check_paths([shop])}
    assert "steps/lift.py: is set aside: RuntimeError: half written" in found["shop.yaml"]
    assert "is set aside" in found["plain.yaml"]


def test_a_changed_step_is_another_step_to_what_is_kept(shop: Path, tmp_path: Path) -> None:
    from fettlebox.trying import try_recipe

    scan = drop(shop)
    values = []
    for by in ("7", "8"):
        write_step(shop, by)
        _, run = try_recipe(
            shop / "recipes" / "plain.yaml", scan, tmp_path / "tried", own_steps=load_shop(shop).own_steps
        )
        values.append(run.records[0].facts["lifted_mm"])
    assert values == [7.0, 8.0]


def test_an_observer_in_a_shop_s_own_file_is_told_of_its_jobs(shop: Path, tmp_path: Path) -> None:
    heard = tmp_path / "heard.txt"
    watching = (
        f"{STEP.format(by=1)}\n\ndef see(event):\n    with open({str(heard)!r}, 'a') as file:\n"
        "        print(event['event'], file=file)\n\n\n"
        "from fettlebox.hooks import JobObserver\n\nwatcher = JobObserver('watcher', see)\n"
    )
    write_code(shop, watching)
    drop(shop)
    serve(shop, once=True)
    said = heard.read_text().split()
    assert said[0] == "claimed" and said[-1] == "done" and "started" in said
