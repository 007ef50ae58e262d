"""A package made by `plugin new` installs, passes its tests, and recipes can use it."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from fettlebox.errors import UsageError
from fettlebox.new_plugin import new_plugin


def call(*arguments: str | Path, site: Path, status: int = 0, cwd: Path | None = None) -> str:
    environment = {**os.environ, "PYTHONPATH": str(site), "PYTHONDONTWRITEBYTECODE": "1"}
    done = subprocess.run(
        [sys.executable, "-m", *map(str, arguments)],
        capture_output=True, encoding="utf-8", check=False, env=environment, cwd=cwd,
    )  # fmt: skip
    assert done.returncode == status, done.stdout + done.stderr
    return done.stdout


@pytest.mark.slow
def test_a_new_plugin_installs_passes_and_runs(tmp_path: Path) -> None:
    folder, site = new_plugin("lift-off", tmp_path), tmp_path / "site"
    options = ("--quiet", "--no-index", "--no-deps", "--no-build-isolation")
    call("pip", "install", *options, "--target", site, folder, site=site)
    said = call("pytest", "-q", "-p", "no:cacheprovider", folder, site=site, cwd=folder)
    assert "17 passed" in said, said  # the contract's checks and the step's own
    assert "Lift the part off the bed." in call("fettlebox", "steps", "lift-off", site=site)
    proof = call("fettlebox", "plugin", "prove", "lift-off", "--set", "by=3 mm", "--json", site=site)
    assert all(json.loads(line)["ok"] for line in proof.splitlines())
    recipe = tmp_path / "high.yaml"
    recipe.write_text("recipe: high\nsteps:\n  - lift-off: 12 mm\ndeliver: [stl]\n")
    assert "good" in call("fettlebox", "check", recipe, site=site)
    recipe.write_text("recipe: high\nsteps:\n  - lift-off: 12\ndeliver: [stl]\n")
    assert "no unit" in call("fettlebox", "check", recipe, site=site, status=2)


@pytest.mark.parametrize("name", ["Lift", "lift off", "", "when", "lambda", "../lift", "a" * 80, "repair"])
def test_a_name_that_cannot_be_is_refused_and_nothing_is_made(name: str, tmp_path: Path) -> None:
    with pytest.raises(UsageError):
        new_plugin(name, tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_nothing_is_overwritten(tmp_path: Path) -> None:
    (tmp_path / "fettlebox-lift").mkdir()
    with pytest.raises(UsageError, match="exists already"):
        new_plugin("lift", tmp_path)
