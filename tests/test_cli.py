"""The command line as scripts and shop hands meet it: exit statuses, JSON, sentences."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
import typer
from fettlebox import cli

ROOT = Path(__file__).resolve().parents[1]
GOOD = ROOT / "recipes" / "quarter-bust.yaml"


def fettlebox(*arguments: str | Path, status: int = 0) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "fettlebox", *map(str, arguments)]
    done = subprocess.run(command, capture_output=True, encoding="utf-8", check=False)
    assert done.returncode == status, done.stdout + done.stderr
    assert "Traceback" not in done.stderr
    return done


def test_help_names_every_command() -> None:
    said = fettlebox("--help").stdout
    for verb in (
        "run",
        "serve",
        "init",
        "check",
        "steps",
        "schema",
        "jobs",
        "retry",
        "release",
        "discard",
        "audit",
        "replay",
        "doctor",
        "demo",
    ):
        assert f"  {verb} " in said


def test_a_good_recipe_checks_and_a_bad_one_does_not_hide_it(tmp_path: Path) -> None:
    bad = tmp_path / "bad.yaml"
    bad.write_text("recipe: bad\nabout: x\nsteps:\n  - smoth\n  - cut: {at: 15}\ndeliver: [stl]\n")
    done = fettlebox("check", bad, GOOD, status=2)
    assert "bad.yaml:4" in done.stdout
    assert "bad.yaml:5" in done.stdout
    assert f"{GOOD}: good" in done.stdout
    lines = [
        json.loads(line) for line in fettlebox("check", bad, GOOD, "--json", status=2).stdout.splitlines()
    ]
    assert [line["ok"] for line in lines] == [False, True]
    assert {problem["line"] for problem in lines[0]["problems"]} == {4, 5}
    assert all(problem["message"] for problem in lines[0]["problems"])


def _refused(*arguments: str | Path) -> dict[str, Any]:
    done = fettlebox(*arguments, "--json", status=2)
    (line,) = done.stdout.splitlines()
    said: dict[str, Any] = json.loads(line)
    assert said["state"] == "error" and said["status"] == 2
    assert said["error"] in done.stderr
    return said


def test_json_given_a_value_or_ended_early_is_an_object_as_well(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    done = fettlebox("doctor", "--json=1", status=2)
    said = json.loads(done.stdout)
    assert (said["state"], said["status"]) == ("error", 2) and "'--json'" in said["error"]

    def ended(**options: object) -> None:
        raise typer.Abort

    monkeypatch.setattr(cli, "app", ended)
    monkeypatch.setattr(sys, "argv", ["fettlebox", "doctor", "--json"])
    with pytest.raises(SystemExit) as left:
        cli.main()
    out, err = capsys.readouterr()
    assert left.value.code == 2 and err == "stopped: the input ended\n"
    assert json.loads(out)["error"] == "stopped: the input ended"


def test_where_there_is_no_result_scripts_get_an_object_that_says_why(tmp_path: Path) -> None:
    bad = tmp_path / "bad.yaml"
    bad.write_text("recipe: bad\nsteps:\n  - smoth\n  - cut: {at: 15}\ndeliver: [stl]\n")
    scan = tmp_path / "scan.stl"
    scan.write_bytes(b"")
    first, second = _refused("run", bad, scan)["problems"]
    assert (first["file"], first["line"], first["column"]) == (str(bad), 3, 5)
    assert "smoth" in first["message"] and "did you mean 'smooth'" in first["message"]
    assert second["line"] == 4 and "\n" not in second["message"]
    shop = tmp_path / "shop"
    fettlebox("init", shop)
    golden = shop / "golden" / "one"
    golden.mkdir(parents=True)
    (golden / "expect.yaml").write_text("recipe: nosuch\nends: done\n")
    assert "expect.yaml" in _refused("shop", "test", shop)["problems"][0]["file"]
    for arguments in (
        ("run", GOOD, tmp_path / "no.stl"),
        ("check", tmp_path / "no.yaml"),
        ("jobs", tmp_path),
    ):
        assert _refused(*arguments)["problems"] == []
    # What the parser of the command line refuses, before any of our code is asked.
    assert "SCAN" in _refused("run", GOOD)["error"] or "scans" in _refused("run", GOOD)["error"]
    assert "--nosuch" in _refused("check", GOOD, "--nosuch")["error"]


def test_a_recipe_is_explained_and_held_against_another(tmp_path: Path) -> None:
    said = fettlebox("explain", GOOD).stdout
    assert "What a ticket may set" in said and "Size of the print against life." in said
    assert json.loads(fettlebox("explain", GOOD, "--json").stdout)["asks"][0]["usual"] == "25 %"
    smaller = tmp_path / "quarter-bust.yaml"
    smaller.write_text(GOOD.read_text("utf-8").replace("default: 25 %", "default: 20 %"))
    assert "25 % unless told; it is" in fettlebox("recipe", "diff", GOOD, smaller).stdout
    assert fettlebox("recipe", "diff", GOOD, GOOD).stdout == "they do the same\n"
    assert "no traveler.json" in fettlebox("recipe", "diff", tmp_path, GOOD, status=2).stderr


def test_steps_lists_and_shows_one() -> None:
    assert "repair" in fettlebox("steps").stdout
    one = json.loads(fettlebox("steps", "cut", "--json").stdout)
    assert one["name"] == "cut"
    assert one["from"] == "fettlebox"
    assert one["parameters"]["properties"]
    assert "did you mean 'smooth'" in fettlebox("steps", "smoth", status=2).stderr


@pytest.mark.parametrize("kind", ["recipe", "ticket", "shop", "printer", "material"])
def test_schema_prints_what_is_committed(kind: str) -> None:
    printed = json.loads(fettlebox("schema", kind).stdout)
    assert printed == json.loads((ROOT / "schemas" / f"{kind}.schema.json").read_text("utf-8"))


def test_a_new_shop_is_complete_checks_and_is_not_made_twice(tmp_path: Path) -> None:
    shop = tmp_path / "my shop"
    fettlebox("init", shop)
    assert {path.name for path in shop.iterdir()} >= {
        "shop.yaml",
        "recipes",
        "inbox",
        "outbox",
        "hold",
        "rejects",
    }
    assert "good" in fettlebox("check", shop).stdout
    assert "is a shop already" in fettlebox("init", shop, status=2).stderr
    assert fettlebox("jobs", shop).stdout == ""


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (["run", "no.yaml", "scan.ply"], "there is no recipe 'no.yaml'"),
        (["run", GOOD, "no such scan.ply"], "there is no scan 'no such scan.ply'"),
        (["run", GOOD, ""], "'.' has no name; expected that of a scan"),
        (["run", GOOD, "x.ply", "--set", "size"], "expected NAME=VALUE"),
        (["check", "nowhere"], "there is no file or folder 'nowhere'"),
        (["schema", "reciepe"], "there are recipe, ticket, shop, printer"),
        (["serve", "nowhere"], "shop.yaml"),
    ],
)
def test_wrong_usage_is_one_sentence_and_status_2(arguments: list[str | Path], sentence: str) -> None:
    assert sentence in fettlebox(*arguments, status=2).stderr


def test_a_value_the_recipe_does_not_ask_for_is_named(tmp_path: Path) -> None:
    scan = ROOT / "inbox_example" / "inbox" / "miller.ply"
    said = fettlebox("run", GOOD, scan, "--set", "sise=10 %", "--out", tmp_path / "out", status=2).stderr
    assert "--set sise" in said
    assert "did you mean 'size'" in said
    assert not (tmp_path / "out").exists()


def test_a_hopeless_scan_is_rejected_with_a_reason(tmp_path: Path) -> None:
    scan = ROOT / "inbox_example" / "inbox" / "failed capture.ply"
    job = json.loads(fettlebox("run", GOOD, scan, "--out", tmp_path, "--json", status=4).stdout)
    assert job["state"] == "rejected"
    assert job["reason"]
    assert (Path(job["folder"]) / "original" / scan.name).read_bytes() == scan.read_bytes()


def test_a_scan_may_be_given_by_a_link_to_it(tmp_path: Path) -> None:
    scan = ROOT / "inbox_example" / "inbox" / "failed capture.ply"
    link = tmp_path / scan.name
    link.symlink_to(scan)
    job = json.loads(fettlebox("run", GOOD, link, "--out", tmp_path / "parts", "--json", status=4).stdout)
    copied = Path(job["folder"]) / "original" / scan.name
    assert not copied.is_symlink()
    assert copied.read_bytes() == scan.read_bytes()
    assert link.is_symlink()
    fettlebox("try", GOOD, link, "--out", tmp_path / "tried", status=4)


def test_another_wish_is_another_job_and_replaces_no_result(tmp_path: Path) -> None:
    scan = ROOT / "inbox_example" / "inbox" / "failed capture.ply"
    folders = [
        json.loads(fettlebox("run", GOOD, scan, *wish, "--out", tmp_path, "--json", status=4).stdout)[
            "folder"
        ]
        for wish in ((), ("--set", "size=20 %"), ("--set", "size=30 %"), ())
    ]
    assert len(set(folders)) == 3
    assert folders[0] == folders[3], "the same wish is the same job"


def test_the_demo_refuses_a_folder_that_is_not_its_own(tmp_path: Path) -> None:
    (tmp_path / "mine").mkdir()
    assert "no demo made it" in fettlebox("demo", "--into", tmp_path / "mine", status=2).stderr
